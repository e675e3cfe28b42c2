"""The quality record: a journal of its own beside the plant's, for what people, files and messages say.

Control writes the plant's record and nobody else does. What QC says goes into `quality.db`, with the same chain, by
whoever has something to say: it is opened, one batch of entries is appended, and it is closed again, under the lock of
a journal. So the desk and the command line write in turn, and control neither waits for them nor knows of them
(decision 0015). The first batch of a UTC day is signed with a key of its own, and with it all that came before.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final
from uuid import uuid4

from crumbmeter.journal import signed
from crumbmeter.journal.entry import KIND_SIGNED, Entry, Stamp, Stored
from crumbmeter.journal.errors import JournalRefusedError, JournalUnreadableError
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.limits import Limits, limits_of
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signed import utc_day
from crumbmeter.journal.signing import KeyRefusedError, load_or_make_key
from crumbmeter.journal.store import being_written
from crumbmeter.ledger.stamped import SAID, Stamped, body_of, record
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.qc.said import InForce, Said, Subject, in_force

NAME: Final = "quality.db"
KEY_NAME: Final = "quality.key"
TRIES: Final = 50
PAUSE_S: Final = 0.1
"""[s] Between two tries while another process appends: five seconds in all."""
FLUSH_S: Final = 30.0
KEPT_DAYS: Final = 36_500.0
"""[d] The quality record is kept for good: it is small, and QC answers for it for decades."""
LIMITS: Final[Limits] = limits_of(KEPT_DAYS, KEPT_DAYS, 8192 << 20)


class NotRecordedError(CrumbmeterError):
    """What was said could not be put into the quality record; nothing of it is there."""


def entry(said: Said, at: Stamped) -> Entry:
    """Make the entry of what somebody said.

    Raises:
        ValueError: its content has no canonical form.
    """
    body = {
        "subject": said.subject.value, "about": said.about, "what": dict(said.what), "who": said.who,
        "effective_us": said.effective_us, "corrects": said.corrects, "reason": said.reason,
    }  # fmt: skip
    return record(SAID, body, at)


def read(stored: Stored) -> Said:
    """Read it back, with its place."""
    body = body_of(stored, SAID)
    return Said(**(body | {"subject": Subject(body["subject"]), "seq": stored.seq, "said_us": stored.wall_us}))


def read_all(folder: Path) -> InForce:
    """Read the quality record of a folder; nothing where there is none yet.

    Raises:
        JournalUnreadableError: the file is no journal that this program can read.
    """
    file = folder / NAME
    if not file.exists():
        return InForce(())
    try:
        return _read_all(file)
    except JournalUnreadableError:
        if being_written(file):
            return InForce(())  # it is being made: its first entry is not there yet
    return _read_all(file)  # it has just been made, or it is no journal


def _read_all(file: Path) -> InForce:
    with Reader(file) as reader:
        return in_force([read(stored) for stored in reader.entries("record", (SAID,))])


def append(
    folder: Path,
    saids: Sequence[Said],
    now_us: Callable[[], int],
    pause: Callable[[float], None],
    *,
    flags: int = 0,
    seal: bool = False,
    unsigned: Callable[[str], None] = lambda _why: None,
) -> tuple[Said, ...]:
    """Append what was said, all of it or nothing; return it as it stands in the record, when it is on the disk.

    Args:
        folder: Where the quality record lies.
        saids: In order.
        now_us: [us] Gives UTC since 1970.
        pause: Waits so long [s] before another try, while another process appends.
        flags: Of the entries: simulated, clock not synchronised.
        seal: Sign at once, also where there is a signed seal of this day.
        unsigned: Hears why the day's signed seal could not be made; what was said is recorded all the same.

    Raises:
        NotRecordedError: another process would not let go of it, the disk refused, or something has no canonical form.
    """
    at_us = now_us()
    try:
        entries = [entry(one, Stamped(0, at_us, flags)) for one in saids]
    except ValueError as problem:
        raise NotRecordedError(f"not recorded: {problem}") from problem
    journal = _open(folder, now_us, pause, flags)
    try:
        before = journal.heads()["record"].seq if journal.heads() else 0
        journal.append_nowait(entries)
        stored = journal.flush(FLUSH_S)
        failing = journal.status().failing
        if stored and not failing:
            _sign(journal, Stamp(0, at_us), flags, unsigned, daily=not seal)
    finally:
        journal.close(FLUSH_S)
    if failing or not stored:
        raise NotRecordedError(f"not recorded: {failing or 'the disk does not answer'}")
    with Reader(folder / NAME) as reader:  # a seal may stand between them
        found = tuple(read(one) for one in reader.entries("record", (SAID,), after_seq=before))
    if len(found) != len(saids):
        raise NotRecordedError(f"not recorded whole: {len(found)} of {len(saids)} entries are in the record")
    return found


def _sign(journal: Journal, now: Stamp, flags: int, unsigned: Callable[[str], None], *, daily: bool) -> None:
    """Sign all that is acknowledged; daily: unless there is a signed seal of this UTC day."""
    with Reader(journal.path) as reader:
        newest = reader.last(KIND_SIGNED)
        journal_id = bytes.fromhex(reader.journal_id())
    if daily and newest is not None and utc_day(newest.wall_us) == utc_day(now.wall_us):
        return
    try:
        key = load_or_make_key(journal.path.with_name(KEY_NAME))
    except (KeyRefusedError, OSError) as problem:
        unsigned(str(problem))
        return
    journal.append_nowait((signed.entry(key, journal.heads, lambda: journal_id, now, flags),))
    journal.flush(FLUSH_S)


def _open(folder: Path, now_us: Callable[[], int], pause: Callable[[float], None], flags: int) -> Journal:
    file = folder / NAME
    for left in reversed(range(TRIES)):
        try:
            return Journal(file, uuid4().hex, lambda: Stamp(0, now_us()), LIMITS, flags=flags)
        except JournalRefusedError as refused:
            if not left or "process" not in refused.why:
                raise NotRecordedError(f"not recorded: {refused}") from refused
            pause(PAUSE_S)
    raise AssertionError  # the loop ends by return or raise


@dataclass(frozen=True, slots=True)
class Proof:
    """Where an entry of the quality record stands, and who vouches for it."""

    seq: int
    hash: str
    """Of the entry, hexadecimal."""
    seal_seq: int | None
    """The first signed seal that covers it; None: none does yet."""
    public_key: str
    """Hexadecimal; empty without a seal."""

    @property
    def fingerprint(self) -> str:
        """Return the first 16 hexadecimal digits of the key's SHA-256; empty without a seal."""
        return sha256(bytes.fromhex(self.public_key)).hexdigest()[:16] if self.public_key else ""


def proof_of(folder: Path, seq: int) -> Proof | None:
    """Say where an entry stands and which signed seal covers it; None where there is no such entry.

    Raises:
        JournalUnreadableError: the file is no journal that this program can read.
    """
    with Reader(folder / NAME) as reader:
        found = reader.hash_at("record", seq)
        if found is None:
            return None
        for stored in reader.entries("record", (KIND_SIGNED,), after_seq=seq):
            seal = signed.read(stored.body)
            if seal.record.seq >= seq and seal.holds():
                return Proof(seq, found.hex(), stored.seq, seal.public_key.hex())
        return Proof(seq, found.hex(), None, "")


def head_of(folder: Path) -> str:
    """Return the head of the quality record as `record:SEQUENCE:HASH`; empty where there is none yet.

    Raises:
        JournalUnreadableError: the file is no journal that this program can read.
    """
    file = folder / NAME
    if not file.exists():
        return ""
    with Reader(file) as reader:
        head = reader.heads()["record"]
    return f"{head.strand}:{head.seq}:{head.hash.hex()}"
