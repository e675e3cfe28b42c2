"""Journals with signed seals, for tests."""

from pathlib import Path

from crumbmeter.journal.chain import Head
from crumbmeter.journal.entry import Stamp
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signed import entry
from crumbmeter.journal.signing import SigningKey
from tests.unit.journal.making import NOW, SOON_S, entries, open_journal

KEY = SigningKey(bytes(range(32)))
OTHER_KEY = SigningKey(bytes(32))


def identity(path: Path) -> bytes:
    with Reader(path) as reader:
        return bytes.fromhex(reader.journal_id())


def add_signed(path: Path, counts: tuple[int, ...], key: SigningKey = KEY, first: int = 0) -> dict[str, Head]:
    """Add so many entries to each strand, then a signed seal; again for each count. Return the heads."""
    journal = open_journal(path)
    for count in counts:
        for number in range(first, first + count):
            journal.append_nowait([*entries(1, "record", number), *entries(1, "image", number)])
            assert journal.flush(SOON_S)
        first += count
        at = Stamp(NOW.mono_us, NOW.wall_us + first * 1_000_000)
        journal.append_nowait([entry(key, journal.heads, lambda: identity(path), at, 0)])
        assert journal.flush(SOON_S)
    heads: dict[str, Head] = dict(journal.heads().items())
    assert journal.close(SOON_S)
    return heads
