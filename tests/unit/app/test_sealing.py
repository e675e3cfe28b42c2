"""The plant's record is signed at the turn of each UTC day and after a crash; a missing key ends nothing."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from crumbmeter.app.sealing import AFTER_MIDNIGHT_US, KEY_NAME, Sealing, ends_unsigned
from crumbmeter.journal.entry import KIND_SIGNED, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signed import DAY_US
from crumbmeter.journal.signing import load_key
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import SOON_S, entries, open_journal

MIDNIGHT_US = 20_000 * DAY_US
"""2024-10-04T00:00:00Z."""


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = open_journal(tmp_path / "journal.db")
    made.append_nowait(entries(3))
    assert made.flush(SOON_S)
    yield made
    made.close(SOON_S)


def days(journal: Journal) -> list[str]:
    assert journal.flush(SOON_S)
    with Reader(journal.path) as reader:
        return [one.body.split(b'"day":"')[1][:10].decode() for one in reader.entries("record", (KIND_SIGNED,))]


def test_a_new_day_is_sealed_once_and_only_when_its_last_entries_are_safe(journal: Journal) -> None:
    sealing = Sealing(journal, 0)
    assert sealing.load_key() is None
    for at_us in (-10, 0, AFTER_MIDNIGHT_US - 1):
        sealing.look(Stamp(0, MIDNIGHT_US + at_us))
    assert days(journal) == []
    for at_us in (AFTER_MIDNIGHT_US, AFTER_MIDNIGHT_US + 1, DAY_US, DAY_US + AFTER_MIDNIGHT_US):
        sealing.look(Stamp(0, MIDNIGHT_US + at_us))
    assert days(journal) == ["2024-10-04", "2024-10-05"]
    report = verify(journal.path, keys=(load_key(journal.path.with_name(KEY_NAME)).public,))
    assert report.ok


def test_a_crash_leaves_an_end_without_a_seal(journal: Journal) -> None:
    sealing = Sealing(journal, 0)
    sealing.load_key()
    with Reader(journal.path) as reader:
        assert ends_unsigned(reader)
        sealing.seal(Stamp(0, MIDNIGHT_US))
        assert journal.flush(SOON_S)
        assert not ends_unsigned(reader)


def test_a_key_that_cannot_be_had_is_told_and_nothing_is_signed(journal: Journal) -> None:
    journal.path.with_name(KEY_NAME).write_text("no key")
    sealing = Sealing(journal, 0)
    told = sealing.load_key()
    assert told is not None
    assert (told.name, KEY_NAME in str(told.get("detail"))) == ("journal_not_signed", True)
    sealing.seal(Stamp(0, MIDNIGHT_US))
    assert days(journal) == []
