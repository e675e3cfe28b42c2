"""Drafts: there and back, never half of one, and never that of another test."""

from pathlib import Path

import pytest

from crumbmeter.commission.calibrating.drafts import DraftRefusedError, Head, put_aside, read, write
from crumbmeter.commission.calibrating.steps import Entry

HEAD = Head("demo_drum", "belt-zero", "aggregate", "agency")
ENTRIES = {
    "capacity": Entry(100.8, "typed", 5),
    "note": Entry(None, "default", 6),
    "ok": Entry(True, "typed", 7),
    "how": Entry("chain", "given", 8),
    "speed": Entry(1.62, "daemon", 9, "Uncertain: held"),
}


def test_there_and_back_in_order(tmp_path: Path) -> None:
    path = tmp_path / "new" / "draft.json"
    assert read(path, HEAD) == {}
    write(path, HEAD, ENTRIES)
    assert list(read(path, HEAD).items()) == list(ENTRIES.items())
    assert [one.name for one in path.parent.iterdir()] == ["draft.json"]  # nothing is left beside it
    put_aside(path)
    assert read(path, HEAD) == {}


def test_that_of_another_test_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "draft.json"
    write(path, HEAD, ENTRIES)
    with pytest.raises(DraftRefusedError, match="a draft of belt-zero aggregate at demo_drum"):
        read(path, Head("demo_drum", "belt-zero", "rap", "agency"))


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"layout": 1, "entries": {"a": {"value": []}}}', "\x00"])
def test_what_is_no_draft_is_refused_and_stays(tmp_path: Path, text: str) -> None:
    path = tmp_path / "draft.json"
    path.write_text(text)
    with pytest.raises(DraftRefusedError, match="no draft that can be read"):
        read(path, HEAD)
    assert path.read_text() == text
