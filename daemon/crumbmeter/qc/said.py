"""What people, files and messages say for the quality record: added, corrected by another entry, never overwritten."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Subject(StrEnum):
    """What an entry of the quality record is about. Its `about` is the id of one such thing."""

    TICKET = "load ticket"
    SILO = "silo"
    DEVIATION = "deviation"
    LOT = "lot"
    BAG_LOT = "bag lot"
    RUBBER = "rubber"
    CALIBRATION = "calibration"
    MOISTURE = "moisture"
    SAMPLE = "sample"
    RESULT = "result"
    LOOP_CHECK = "loop check"
    """A signal or an output proved from the instrument to the page; about: its name in the site file."""
    TIMING = "timing"
    """What a start-up or step test found; about: the stream, or `line`."""
    ACCEPTANCE = "acceptance run"
    """A guided run against a specification; about: its id."""
    SITE_VERSION = "site version"
    """A site file put in force, or taken back; about: its settings id."""


@dataclass(frozen=True, slots=True)
class Said:
    """One entry of the quality record."""

    subject: Subject
    about: str
    """Id of the thing: a ticket's number, a deviation's id, a bag lot, an instrument."""
    what: Mapping[str, Any]
    """The content: JSON values; each key of a physical quantity ends with its unit."""
    who: str
    """A name and its role, or the file or message it came from."""
    effective_us: int
    """[us] UTC since 1970 from which it holds, or at which it was so; never later than it was said."""
    seq: int = 0
    """Its place in the quality record; 0 before it is there."""
    said_us: int = 0
    """[us] UTC since 1970 at which it was recorded."""
    corrects: int = 0
    """Sequence of the entry that this one takes the place of; 0: none."""
    reason: str = ""
    """Why it corrects."""


@dataclass(frozen=True, slots=True)
class InForce:
    """The entries that hold, and those that others have taken the place of."""

    holding: tuple[Said, ...]
    replaced: Mapping[int, Said] = field(default_factory=dict)
    """By the sequence of the entry that took its place."""

    def of(self, subject: Subject, about: str | None = None) -> tuple[Said, ...]:
        """Return what holds of a subject, in the order it was said."""
        return tuple(one for one in self.holding if one.subject is subject and (about is None or one.about == about))


def in_force(entries: Iterable[Said]) -> InForce:
    """Let every correction take the place of what it corrects.

    An entry whose content is empty (`what` is `{}`) takes back what it corrects and says nothing itself.

    Args:
        entries: All entries of the quality record, in the order of their sequence.
    """
    found = {one.seq: one for one in entries}
    replaced = {one.seq: found[one.corrects] for one in found.values() if one.corrects in found}
    gone = {one.seq for one in replaced.values()}
    return InForce(tuple(one for one in found.values() if one.seq not in gone and one.what), replaced)
