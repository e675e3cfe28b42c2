"""`crumbmeter calibrate`: a person led through a test, a script that says everything, and what is kept in between."""

import json
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from crumbmeter.adapters.control_line import NoDaemonError
from crumbmeter.cli import calibrate_work as work
from crumbmeter.cli.calibrate_talk import read_answers
from crumbmeter.cli.commands import app
from crumbmeter.cli.quality_work import Places
from crumbmeter.commission.calibrating.procedures import PROCEDURES
from crumbmeter.commission.calibrating.tracks import Found, Source, Watch, Watching
from crumbmeter.ledger import versions
from crumbmeter.ledger.quality import read_all
from crumbmeter.qc.calibration_entries import read
from crumbmeter.qc.calibrations import Calibration
from crumbmeter.qc.said import Subject
from crumbmeter.site import load

ROOT = Path(__file__).parents[3]
SHIFT = {"weight": "50", "corners": "2", "before": "0", "corner_1": "50.1", "corner_2": "49.9"}


class Scripted:
    """A person who says these words, one for each question."""

    def __init__(self, *words: str) -> None:
        self._words = list(words)
        self.heard: list[str] = []

    def say(self, text: str) -> None:
        self.heard.append(text)

    def ask(self, prompt: str) -> str:
        self.heard.append(prompt)
        if not self._words:
            raise EOFError
        return self._words.pop(0)

    def progress(self, text: str) -> None:
        self.heard.append(text)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    for folder in ("devices", "quality"):
        shutil.copytree(ROOT / "config" / folder, tmp_path / folder)
    shutil.copy(ROOT / "config/calibration-limits.toml", tmp_path)
    path = tmp_path / "sites" / "demo_drum.toml"
    path.parent.mkdir()
    text = (ROOT / "config/sites/demo_drum.toml").read_text()
    path.write_text(text.replace("var/demo", (tmp_path / "var").as_posix()))
    return path


def looks(monkeypatch: pytest.MonkeyPatch, *found: Mapping[str, Found] | BaseException) -> list[Watch]:
    """Let looks at the daemon bring this, one after another."""
    watches: list[Watch] = []
    left = list(found)

    def look(
        _socket: Path, _site: str, watch: Watch, sources: Mapping[str, Source], _tell: Callable[[Watching], None]
    ) -> dict[str, Found]:
        watches.append(watch)
        one = left.pop(0)
        if isinstance(one, BaseException):
            raise one
        return {name: value for name, value in one.items() if name in sources}

    monkeypatch.setattr(work, "look", look)
    return watches


def asked(site: Path, word: str, instrument: str = "", **options: Any) -> work.Asked:
    return work.Asked(Places(site), word, instrument, who="tester", **options)


def on_record(site: Path) -> list[Calibration]:
    return [read(one) for one in read_all(load(site).desk.quality_folder).of(Subject.CALIBRATION)]


def test_a_person_is_led_through_the_corners(
    site: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    good = [Found(kg, "Good") for kg in (20.0, 42.7, 42.6)]
    looks(monkeypatch, *({name: one} for name, one in zip(("before", "corner_1", "corner_2"), good, strict=True)))
    person = Scripted("50", "2", "", "", "", "", "", "94 lb", "W-12", "", "y")
    assert work.calibrate(asked(site, "cell-shift", "hopper_mass"), person) == 0
    told = capsys.readouterr().out
    assert "Verdict: passed" in told
    assert "0.5 (Iowa DOT IM 514" in told
    (held,) = on_record(site)
    assert [round(one.error_kg, 3) for one in held.trials] == [0.02, -0.042]
    assert held.certificate == "W-12"
    assert held.readings["before_kg"] == 20.0
    assert held.readings["read_from_daemon"] == "before_kg, corner_1_kg"  # the last one was typed over
    said = "\n".join(person.heard)
    assert said.index("CAUTION: Weights are heavy") < said.index("The weight [lb]")
    assert "Shown [lb] (94.1374 lb, Good) > " in said


def test_who_leaves_off_goes_on_where_it_was_left(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert work.calibrate(asked(site, "cell-shift", "hopper_mass"), Scripted("50", "3", "t", "0", "q")) == 2
    assert "Nothing is lost" in capsys.readouterr().err
    person = Scripted("t", "50.1", "t", "b", "t", "50.0", "t", "49.9", "t", "50", "", "", "n")
    assert work.calibrate(asked(site, "cell-shift", "hopper_mass"), person) == 0
    assert person.heard[0].startswith("Goes on where it was left: 3 entries")
    assert "Taken back: corner 1." in person.heard
    assert on_record(site) == []
    assert "Not on record. The draft is kept" in capsys.readouterr().out


def test_a_verdict_without_any_limit_says_so(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent.parent / "calibration-limits.toml").unlink()
    person = Scripted("50", "2", "t", "0", "t", "70", "t", "50", "", "", "n")
    work.calibrate(asked(site, "cell-shift", "hopper_mass"), person)
    assert "Held against:\n  NOTHING: there is no limit for this test" in capsys.readouterr().out


def test_loads_that_are_refused_late_are_asked_for_anew(site: Path) -> None:
    person = Scripted("100 200 lb", "n", "100 200", "", "q")
    assert work.calibrate(asked(site, "cell-weights", "hopper_mass"), person) == 2
    assert [one for one in person.heard if one.startswith("Not taken: found '100 200 lb'")], person.heard
    assert "=== Before ===" in person.heard[-2], "the step after it is reached"


def test_who_does_not_name_the_instrument_is_asked(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    person = Scripted("2", "50", "q")
    assert work.calibrate(asked(site, "cell-shift"), person) == 2
    assert "1 hopper_mass\n  2 supply_mass" in person.heard[0]
    assert "cell-shift-supply_mass.json" in capsys.readouterr().err
    assert work.calibrate(asked(site, "cell-shift"), Scripted("3")) == 2
    assert "INSTRUMENT: found '3'; expected one of hopper_mass, supply_mass" in capsys.readouterr().err


def test_what_cannot_be_read_is_asked_for_and_why_is_said(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks(monkeypatch, NoDaemonError("no daemon answers"), {"corner_1": Found(None, "Bad: stale")}, KeyboardInterrupt())
    person = Scripted("50", "2", "", "0", "", "many", "50", "", "50", "", "", "y")
    assert work.calibrate(asked(site, "cell-shift", "hopper_mass"), person) == 0
    said = "\n".join(person.heard)
    assert "Not read: no daemon answers\nType what the instruments show." in said
    assert "Shown: Bad: stale. Read it off the instrument." in said
    assert "Not taken: found 'many'; expected a number [lb]." in said
    assert "Left off looking." in said


def test_a_script_says_everything_and_corrects_it_later(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = SHIFT | {"corner_2": "51"}
    assert work.calibrate(asked(site, "cell-shift", "hopper_mass", given=given, record=True, as_json=True), None) == 1
    body = json.loads(capsys.readouterr().out)
    assert (body["outcome"], body["entry"]) == ("failed", 1)
    assert body["limits"][0]["status"] == "confirmed"
    wrong = asked(site, "cell-shift", "hopper_mass", given=SHIFT, record=True, corrects="1")
    assert work.calibrate(wrong, None) == 2  # without a reason nothing is corrected
    assert "why it is corrected" in capsys.readouterr().err
    right = asked(site, "cell-shift", "hopper_mass", record=True, corrects="1", reason="misread")
    assert work.calibrate(right, None) == 0
    assert [len(one.trials) for one in on_record(site)] == [2]
    assert "On record as entry 3" in capsys.readouterr().out  # entry 2 is the day's seal


def test_a_script_that_says_too_little_hears_what_is_missing(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = {name: SHIFT[name] for name in ("weight", "corners", "corner_2")}
    missing = asked(site, "cell-shift", "hopper_mass", given=given, as_json=True)
    assert work.calibrate(missing, None) == 2
    body = json.loads(capsys.readouterr().out)
    assert (body["done"], body["missing"][0]["name"], body["missing"][0]["unit"]) == (False, "before", "lb")
    assert "no daemon answers" in body["why"]
    kept = json.loads(Path(body["draft"]).read_text())
    assert list(kept["entries"]) == ["weight", "corners", "corner_2"]  # what was given for later is kept, too


@pytest.mark.parametrize(
    ("word", "instrument", "given", "words"),
    [
        ("belt-zer", "", {}, "KIND: found 'belt-zer'"),
        ("belt-zero", "", {}, "INSTRUMENT: found ''; expected one of aggregate, rap"),
        ("cell-shift", "hopper_mass", {"weight": "-1"}, "weight: found '-1'; expected a number above 0 [lb]"),
        ("cell-shift", "hopper_mass", SHIFT | {"corner_9": "1"}, "corner_9: found no field of this test"),
        ("feeder-catch", "", {"speeds": "10 20"}, "3 to 5 different speeds"),
        ("feeder-catch", "", {"speeds": "10 20 nan"}, "3 to 5 different speeds"),
        ("cell-weights", "hopper_mass", {"loads": "100 50"}, "rising loads in lb"),
    ],
)
def test_refused(
    site: Path, capsys: pytest.CaptureFixture[str], word: str, instrument: str, given: dict[str, str], words: str
) -> None:
    assert work.calibrate(asked(site, word, instrument, given=given, record=True), None) == 2
    assert words in capsys.readouterr().err
    assert on_record(site) == []


ANSWERS: dict[str, dict[str, str]] = {
    "belt-zero": {"capacity": "400", "belt_length": "100", "speed": "300", "test_1_duration": "10",
                  "test_1_change": "60"},
    "belt-span": {"method": "weights", "belt_length": "100", "weights": "100", "weigh_span": "10", "speed": "300",
                  "tests": "1", "test_1_duration": "1", "test_1_indicated": "3010", "test_1_turns": "3",
                  "taken_off": "y"},
    "belt-material": {"tests": "1", "test_1_before": "100", "test_1_loaded": "y", "test_1_after": "40200",
                      "test_1_gross": "66000", "test_1_tare": "26000"},
    "feeder-run": {"tests": "1", "scale_isolated": "y", "checked_before": "y", "checked_after": "y",
                   "run_1_tare": "50", "run_1_duration": "15", "run_1_indicated": "301", "run_1_refills": "1",
                   "run_1_gross": "350", "run_1_warm_up": "10"},
    "cell-weights": {"loads": "100 200", "before": "5", "up_1": "105.1", "up_2": "205", "down_1": "105.2",
                     "after": "5"},
    "binder-meter": {"tests": "1", "test_1_before": "0", "test_1_loaded": "y", "test_1_after": "40200",
                     "test_1_gross": "66000", "test_1_tare": "26000"},
    "cell-shift": SHIFT,
    "feeder-catch": {"speeds": "10 20 40", "catches": "1", "scale_isolated": "y", "checked_before": "y",
                     "checked_after": "y"} | {
        f"run_{at}_{name}": value
        for at, rpm in enumerate((10, 20, 40), start=1)
        for name, value in {"tare": "50", "duration": "15", "turns": str(15 * rpm), "refills": "1",
                            "gross": str(50 + 30 * rpm), "warm_up": "10"}.items()
    },
}  # fmt: skip
FOUND = {
    "belt-zero": "+0.045 %", "belt-span": "x 0.99668", "belt-material": "x 0.99751", "feeder-run": "+0.333 %",
    "cell-weights": "Hysteresis 0.050 %", "binder-meter": "x 0.99502", "cell-shift": "Between the corners 0.400 %",
    "feeder-catch": "Turndown 1:4.0",
}  # fmt: skip


@pytest.mark.parametrize("word", sorted(PROCEDURES))
def test_every_test_can_be_made_without_a_daemon(site: Path, word: str, capsys: pytest.CaptureFixture[str]) -> None:
    instrument = {"belt": "aggregate", "cell": "hopper_mass"}.get(word.partition("-")[0], "")
    code = work.calibrate(asked(site, word, instrument, given=ANSWERS[word], record=True), None)
    told = capsys.readouterr()
    assert code == 0, told
    assert FOUND[word] in told.out
    (held,) = on_record(site)
    assert held.kind is PROCEDURES[word].kind
    assert held.readings


def test_a_catch_test_goes_into_the_site_file_only_when_it_is_wanted(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = site.read_text()
    catch = asked(site, "feeder-catch", given=ANSWERS["feeder-catch"])
    assert work.calibrate(catch, None) == 0
    assert site.read_text() == before
    assert "feeder.feed_factor_kg_rev: 0.9 -> 0.9072" in capsys.readouterr().out
    person = Scripted("y", "y")
    assert work.calibrate(asked(site, "feeder-catch"), person) == 0
    assert load(site).params.weighing.feed_factor_kg_rev == 0.9072
    told = capsys.readouterr().out
    assert "ENABLED AGAIN" in told
    kept = versions.on_record(load(site).desk.quality_folder)
    assert [dict(one.files)["site.toml"].decode() for one in kept] == [before, site.read_text()]
    assert [one.reason for one in kept] == [
        "as it was before calibration 1", "calibration 1: feeder.feed_factor_kg_rev, feeder.feed_factor_doubt_percent",
    ]  # fmt: skip


def test_steps_are_printed_with_cautions_first_and_nothing_is_kept(site: Path) -> None:
    words = ["calibrate", str(site), "belt-span", "aggregate", "--steps", "--set", "method=chain", "--set",
             "belt_length=100"]  # fmt: skip
    told = CliRunner().invoke(app, words).stdout
    assert "CAUTION: A belt that stands can start." in told
    assert "chain_load" in told
    assert not (load(site).desk.quality_folder / "calibrations").exists()


def test_answers_of_a_file(tmp_path: Path) -> None:
    file = tmp_path / "answers"
    file.write_text("# weights of W-12\nweight = 50\n\ncorners=4\n")
    assert read_answers(["corners=3"], file) == {"weight": "50", "corners": "3"}
    with pytest.raises(ValueError, match="no equals sign"):
        read_answers(["weight"], None)


def test_answers_on_standard_input(site: Path) -> None:
    lines = "".join(f"{name}={value}\n" for name, value in SHIFT.items())
    told = CliRunner().invoke(app, ["calibrate", str(site), "cell-shift", "hopper_mass", "--answers", "-"], input=lines)
    assert told.exit_code == 0, told.output
    assert "Verdict: passed" in told.stdout
    assert on_record(site) == []
