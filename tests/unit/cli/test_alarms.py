"""`crumbmeter alarms` over a written journal: the figures, a period, and what is refused."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from crumbmeter.cli.alarms import alarms
from crumbmeter.ledger import events
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import event
from tests.unit.journal.making import NOW, write


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Two hours: three alarms in the first minute, one an hour later."""
    path = tmp_path / "journal.db"
    happened = [(10.0, "dose_out"), (20.0, "supply_low"), (30.0, "supply_low"), (3600.0, "dose_out")]
    told = [
        (at_s, event("alarm_raised", alarm=name, state="unacknowledged", detail="", first_out=False))
        for at_s, name in happened
    ]
    told = [(0.0, event("control_enabled")), *told, (7200.0, event("monitor_only"))]
    entries = [
        events.entry(one, Stamped(NOW.mono_us + round(at_s * 1e6), NOW.wall_us + round(at_s * 1e6)))
        for at_s, one in told
    ]
    write(path, [entries])
    return path


def test_words(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert alarms(journal) == 0
    said = capsys.readouterr().out
    assert said.startswith("4 new alarms in 2.0 h: 2.0 an hour, 0.33 in ten minutes\n")
    assert "Most: 3 in ten minutes, 3 in an hour" in said
    assert "More than one in ten minutes: 8 % of the time" in said
    assert "By priority: 2 high, 0 medium, 2 low" in said
    assert "      2   50 %  dose_out" in said
    assert "Chattering (three times in a minute): none" in said


def test_a_period_as_json(journal: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from_when = datetime.fromtimestamp(NOW.wall_us / 1e6 + 3000.0, UTC)
    assert alarms(journal, from_when.isoformat(), as_json=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["raised"], told["period_s"]) == (1, pytest.approx(4200.0))


@pytest.mark.parametrize(
    ("from_when", "to_when", "said"),
    [
        ("yesterday", "", "--from 'yesterday': expected a date and time with its zone"),
        ("", "1999-01-01T00:00:00Z", "no event is on record in that period"),
    ],
)
def test_what_is_refused(
    journal: Path, capsys: pytest.CaptureFixture[str], from_when: str, to_when: str, said: str
) -> None:
    assert alarms(journal, from_when, to_when) == 2
    assert said in capsys.readouterr().err


def test_no_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert alarms(tmp_path) == 2
    assert "cannot tell the alarms" in capsys.readouterr().err
