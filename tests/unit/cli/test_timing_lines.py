"""Lines for the site file are written on a typed yes alone, and nothing else in the file changes."""

import shutil
from pathlib import Path

import pytest

from crumbmeter.cli.timing_lines import offer
from crumbmeter.estimation.travel.findings import SiteLine
from crumbmeter.ledger import versions
from tests.quality_site import ROOT

LINES = (
    SiteLine("line", "travel_s", 5.04, False, None, 3.9, "measured"),
    SiteLine("streams.rap.travel", "drum_stages", 9.2, True, None, 8.0, "from the width of the curve"),
)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "sites" / "site.toml"
    path.parent.mkdir()
    shutil.copytree(ROOT / "config/devices", tmp_path / "devices")
    path.write_text((ROOT / "config/sites/demo_drum.toml").read_text())
    return path


def test_a_typed_yes_writes_them_and_keeps_the_file_as_it_was(file: Path) -> None:
    before = file.read_text()
    assert offer(file, file.parent, LINES, "timing 3 to 4", "ada", lambda _words: "yes")
    changed = [
        (old, new) for old, new in zip(before.splitlines(), file.read_text().splitlines(), strict=True) if old != new
    ]
    assert [new.split("#")[0].strip() for _, new in changed] == ["drum_stages = 9", "travel_s = 5.0"]
    first, second = versions.on_record(file.parent)
    assert dict(first.files)["site.toml"] == before.encode()
    assert dict(second.files)["site.toml"] == file.read_bytes()
    assert "timing 3 to 4: line.travel_s" in second.reason


@pytest.mark.parametrize("said", ["", "no", "ja"])
def test_anything_else_writes_nothing(file: Path, said: str) -> None:
    before = file.read_text()
    assert not offer(file, file.parent, LINES, "timing 3 to 4", "ada", lambda _words: said)
    assert file.read_text() == before
    assert len(list(file.parent.iterdir())) == 1


def test_an_end_of_input_writes_nothing(file: Path) -> None:
    def gone(_words: str) -> str:
        raise EOFError

    assert not offer(file, file.parent, LINES, "timing 3 to 4", "ada", gone)


def test_a_key_that_cannot_be_set_leaves_the_file(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = file.read_text()
    assert not offer(
        file,
        file.parent,
        (SiteLine("nowhere", "x_s", 1.0, False, None, 0.0, ""),),
        "timing 3",
        "ada",
        lambda _words: "yes",
    )
    assert file.read_text() == before
    assert "nothing was written" in capsys.readouterr().err
