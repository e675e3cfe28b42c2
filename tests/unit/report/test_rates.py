"""Rates of rows integrated over a period: known figures, gaps, and a clock that was set back."""

from pathlib import Path
from uuid import uuid4

import pytest

from crumbmeter.journal.entry import Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import rows
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.quality import Quality
from crumbmeter.report.rates import integrated

WALL_US = 1_790_000_000_000_000
LAYOUT = rows.Layout(("mix_rate_kg_s", "fed_kg_s"))


def journal(path: Path, seconds: list[int], bad: range) -> Path:
    written = Journal(path / "journal.db", uuid4().hex, lambda: Stamp(0, WALL_US))
    written.append_nowait([rows.layout_entry(LAYOUT, Stamped(0, WALL_US))])
    for place, second in enumerate(seconds):
        fed = None if second in bad else 0.3
        row = rows.Row(
            LAYOUT.layout_id, "feeding", (60.0, fed), (Quality.GOOD, Quality.BAD if fed is None else Quality.GOOD)
        )
        written.append_nowait([rows.entry(row, Stamped(place * 1_000_000, WALL_US + second * 1_000_000))])
    assert written.flush(10)
    assert written.close(10)
    return path / "journal.db"


@pytest.mark.parametrize(
    ("seconds", "bad", "mix_kg", "fed_kg", "good_s", "gaps"),
    [
        (list(range(101)), range(0), 6000.0, 30.0, 100.0, []),
        (list(range(101)), range(20, 30), 6000.0, 27.0, 90.0, [(20, 30)]),
        ([*range(50), *range(60, 101)], range(0), 60.0 * 94, 0.3 * 94, 94.0, [(54, 60)]),
        ([*range(50), *range(40, 101)], range(0), 6000.0, 30.0, 100.0, []),
    ],
)
def test_what_rows_integrate_to(
    tmp_path: Path,
    seconds: list[int],
    bad: range,
    mix_kg: float,
    fed_kg: float,
    good_s: float,
    gaps: list[tuple[int, int]],
) -> None:  # fmt: skip
    with Reader(journal(tmp_path, seconds, bad)) as reader:
        found = integrated(reader, WALL_US, WALL_US + 100_000_000 + 1)
    assert found.rows == len(seconds)
    assert [found.mix.value, found.fed.value] == pytest.approx([mix_kg, fed_kg])
    assert found.fed.coverage.good_s == pytest.approx(good_s)
    told = [((begin - WALL_US) // 10**6, (end - WALL_US) // 10**6) for begin, end in found.fed.coverage.gaps]
    assert [gap for gap in told if gap[0] < 100] == gaps
