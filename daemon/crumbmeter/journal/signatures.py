"""Judging the signed seals that a walk meets: is each one sound, is it ours, and how far do they cover the record?

Three things are kept apart. A seal whose signature is wrong, or that names a head which is not in the chain, is a
fault. A seal of another journal or another key proves nothing here and is counted. And what lies behind the newest
good seal is whole by the chain alone: that is said, with its number of entries.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from crumbmeter.journal.chain import Head
from crumbmeter.journal.signed import SignedSeal, read
from crumbmeter.journal.walk import Fault

SIGNATURE: Final = "signature"
"""What a fault of a signed seal is called."""

LookUp = Callable[[Head], tuple[bool | None, str]]
"""Tells whether a head is in the chain that was walked (None: too old to be known), and where or why not."""


@dataclass(frozen=True, slots=True)
class SignedUpTo:
    """How far a record is covered by signatures."""

    seals: int = 0
    """Signed seals that are sound, of this journal, and of a key asked for, if any was."""
    record_seq: int = 0
    """Everything up to this sequence of the record is covered; 0: nothing."""
    day: str = ""
    """UTC date of the newest of them."""
    public_keys: tuple[bytes, ...] = ()
    """Keys that signed, oldest first."""
    asked: bool = False
    """Whether a key was asked for."""
    other_keys: int = 0
    """Seals that are sound, but by none of the keys asked for."""
    foreign: int = 0
    """Seals of another journal: of a damaged one that was set aside as it was signed."""
    uncovered: int = 0
    """Entries behind the newest of them."""

    @property
    def ok(self) -> bool:
        """Tell whether a key that was asked for has signed something."""
        return not self.asked or self.seals > 0


NOT_SIGNED: Final = SignedUpTo()


class Signatures:
    """Meets signed seals in the order of their sequence."""

    def __init__(self, journal_id: bytes, keys: tuple[bytes, ...], look_up: LookUp) -> None:
        """Prepare.

        Args:
            journal_id: Identity of the journal that is walked.
            keys: Public keys that count; all when empty.
            look_up: Finds heads in what was walked.
        """
        self._journal_id = journal_id
        self._keys = keys
        self._look_up = look_up
        self._good: list[SignedSeal] = []
        self._other_keys = 0
        self._foreign = 0

    def meet(self, seq: int, body: bytes) -> Iterator[Fault]:
        """Judge one signed seal."""
        try:
            seal = read(body)
        except ValueError as problem:
            yield Fault("record", seq, SIGNATURE, str(problem))
            return
        if not seal.holds():
            yield Fault("record", seq, SIGNATURE, "the signature does not belong to what it signs")
        elif seal.journal_id != self._journal_id:
            self._foreign += 1
        elif seal.record.seq >= seq:
            yield Fault("record", seq, SIGNATURE, f"it signs {seal.record.seq}, which comes after it")
        else:
            found = [self._look_up(head) for head in (seal.record, seal.image)]
            wrong = [detail for there, detail in found if there is False]
            for detail in wrong:
                yield Fault("record", seq, SIGNATURE, f"what it signed is not there: {detail}")
            if not wrong and found[0][0]:  # else it covers only what is older than all that is here
                self._take(seal)

    def _take(self, seal: SignedSeal) -> None:
        if self._keys and seal.public_key not in self._keys:
            self._other_keys += 1
        else:
            self._good.append(seal)

    def told(self, first_seq: int, last_seq: int) -> SignedUpTo:
        """Tell how far the record, which goes from `first_seq` to `last_seq`, is covered."""
        newest = max(self._good, key=lambda seal: seal.record.seq, default=None)
        through = 0 if newest is None else newest.record.seq
        return SignedUpTo(
            len(self._good), through, "" if newest is None else newest.day,
            tuple(dict.fromkeys(seal.public_key for seal in self._good)), bool(self._keys), self._other_keys,
            self._foreign, max(0, last_seq - max(through, first_seq - 1)),
        )  # fmt: skip


def signed_lines(signed: SignedUpTo) -> list[str]:
    """Say in plain words how far the record is signed."""
    lines = []
    if signed.seals:
        whose = "by the key you gave" if signed.asked else f"by {' and '.join(key.hex() for key in signed.public_keys)}"
        lines.append(f"signed up to record {signed.record_seq}, {signed.day}, {whose} ({signed.seals} signed seals)")
        if signed.uncovered:
            lines.append(f"  the {signed.uncovered} entries behind it are not covered by a signature yet")
        if not signed.asked:
            lines.append("  whether that key is yours shows only with --key")
    elif signed.asked:
        lines.append("NOT SIGNED by the key you gave: nothing here is proved by a signature")
    else:
        lines.append("not covered by any signature")
    if signed.other_keys:
        lines.append(f"  {signed.other_keys} signed seals are of another key")
    if signed.foreign:
        lines.append(f"  {signed.foreign} signed seals are of another journal, and prove nothing here")
    return lines
