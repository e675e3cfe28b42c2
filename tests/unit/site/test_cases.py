"""Site files with mistakes, each beside the very words that a person is shown (tests/cases/site/*/expected.err)."""

import re
from pathlib import Path

import pytest

from crumbmeter.site import SiteRefused, load, warnings_text
from crumbmeter.site.refusals import REFUSALS

ROOT = Path(__file__).parents[3]
CASES = sorted(path.parent.name for path in (ROOT / "tests/cases/site").glob("*/site.toml"))


@pytest.fixture(autouse=True)
def _in_repository(monkeypatch: pytest.MonkeyPatch) -> None:
    """Name the files as a person at the top of the repository would."""
    monkeypatch.chdir(ROOT)


def outcome(path: Path) -> str:
    try:
        site = load(path)
    except SiteRefused as refused:
        return f"{refused}\n"
    return "good\n" + (warnings_text(site.warnings) + "\n" if site.warnings else "")


@pytest.mark.parametrize("case", CASES)
def test_case_says_exactly_this(case: str) -> None:
    folder = Path("tests/cases/site") / case
    assert outcome(folder / "site.toml") == (folder / "expected.err").read_text("utf-8")


def test_there_are_enough_cases() -> None:
    assert len(CASES) >= 15
    assert "5 problems" in (ROOT / "tests/cases/site/five_mistakes/expected.err").read_text("utf-8")


def test_every_refusal_is_shown_by_a_case() -> None:
    texts = [path.read_text("utf-8") for path in (ROOT / "tests/cases/site").glob("*/expected.err")]
    shown = {code for text in texts for code in re.findall(r"\[([a-z0-9-]+)\]", text)}
    # A file that is not there cannot lie in a folder of cases; its own test is below.
    assert set(REFUSALS) - shown == {"file-missing"}


def test_no_message_is_wider_than_a_terminal() -> None:
    for path in (ROOT / "tests/cases/site").glob("*/expected.err"):
        assert max(map(len, path.read_text("utf-8").splitlines())) <= 100, path


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SiteRefused) as refused:
        load(tmp_path / "nothing.toml")
    (problem,) = refused.value.problems
    assert problem.code == "file-missing"
    assert "No such file" in problem.expected


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SiteRefused) as refused:
        load(tmp_path)
    assert refused.value.problems[0].code == "file-missing"
