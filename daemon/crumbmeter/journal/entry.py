"""What goes into the journal and what comes back. Values only; made by the ledger, stored by the writer thread."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, Protocol

Strand = Literal["record", "image"]
"""Name of a chain. `record` is the evidence; `image` the full-rate input, with shorter retention."""

STRANDS: Final[tuple[Strand, ...]] = ("record", "image")

SIMULATED: Final = 1
"""Flag bit 0: some input of this entry came from a simulator."""
CLOCK_NOT_SYNCED: Final = 2
"""Flag bit 1: the wall time of this entry was not synchronised when it was made (REQ-18)."""

KIND_GAP: Final = "journal_gap"
KIND_SEAL: Final = "journal_seal"
KIND_DROP: Final = "journal_drop"
KIND_SET_ASIDE: Final = "journal_set_aside"
KIND_SIGNED: Final = "signed_seal"
"""Both ends of the chain, signed (crumbmeter.journal.signed). Asked for by whoever writes the journal."""
OWN_KINDS: Final = (KIND_GAP, KIND_SEAL, KIND_DROP, KIND_SET_ASIDE)
"""Kinds that the journal writes about itself, in the strand that they concern."""


class Appendable(Protocol):
    """What the journal takes: a plain `Entry`, or one whose body is made later, in the writer thread."""

    @property
    def strand(self) -> Strand:
        """Return the chain it belongs to."""
        ...

    @property
    def kind(self) -> str:
        """Return the subject's name."""
        ...

    @property
    def body(self) -> bytes:
        """Return its canonical bytes. Read exactly once, in the writer thread."""
        ...

    @property
    def mono_us(self) -> int:
        """[us] Return the process time of the happening."""
        ...

    @property
    def wall_us(self) -> int:
        """[us] Return UTC since 1970: a label, never the order."""
        ...

    @property
    def flags(self) -> int:
        """Return the bits SIMULATED and CLOCK_NOT_SYNCED."""
        ...


@dataclass(frozen=True, slots=True)
class Entry:
    """One record whose canonical bytes are known."""

    strand: Strand
    kind: str
    body: bytes
    mono_us: int
    """[us] Process time."""
    wall_us: int
    """[us] UTC since 1970."""
    flags: int = 0


@dataclass(frozen=True, slots=True)
class DeferredEntry:
    """One record whose body is made in the writer thread, so that compression never holds up a scan."""

    strand: Strand
    kind: str
    make_body: Callable[[], bytes]
    mono_us: int
    """[us] Process time."""
    wall_us: int
    """[us] UTC since 1970."""
    flags: int = 0

    @property
    def body(self) -> bytes:
        """Make the canonical bytes."""
        return self.make_body()


@dataclass(frozen=True, slots=True)
class Stored:
    """One entry as it lies in the journal."""

    strand: Strand
    seq: int
    """Place in its strand, from 1, without holes, never reused. This is the order; time is a label."""
    boot_id: str
    """32 hexadecimal digits: the run of the daemon that wrote it."""
    kind: str
    mono_us: int
    wall_us: int
    flags: int
    body: bytes
    hash: bytes
    """SHA-256 over the previous hash, the header and the body."""

    @property
    def simulated(self) -> bool:
        """Tell whether any input of it came from a simulator."""
        return bool(self.flags & SIMULATED)

    @property
    def clock_synced(self) -> bool:
        """Tell whether its wall time may be trusted."""
        return not self.flags & CLOCK_NOT_SYNCED


@dataclass(frozen=True, slots=True)
class Stamp:
    """The two times of an entry that the journal writes about itself."""

    mono_us: int
    wall_us: int
