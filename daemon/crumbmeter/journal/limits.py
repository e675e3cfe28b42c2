"""How much the journal keeps, how long, and when it starts to shed. Plain numbers from the site file."""

from dataclasses import dataclass, field, replace

_HOUR_US = 3_600_000_000
_DAY_US = 24 * _HOUR_US
_MIB = 1 << 20
WAL_PAGE_BYTES = 4096 + 24
"""[byte] A page of SQLite's usual size in the write-ahead log, with its header."""


@dataclass(frozen=True, slots=True)
class StrandLimits:
    """Of one strand."""

    queue_entries: int
    """Entries that may wait for the writer thread; more are dropped and counted."""
    segment_entries: int
    """A segment is sealed when it holds so many entries ..."""
    segment_bytes: int
    """[byte] ... or bodies of so much ..."""
    segment_age_us: int
    """[us] ... or its first entry is so old, by wall time."""
    keep_us: int | None
    """[us] Sealed segments older than this are dropped. None: only the size bound drops them."""


@dataclass(frozen=True, slots=True)
class DiskLimits:
    """Free space below which something gives way: the smaller of a share of the disk and a number of bytes counts."""

    low_share: float = 0.20
    low_bytes: int = 4096 * _MIB
    """[byte] Below: a warning in the status."""
    image_share: float = 0.10
    image_bytes: int = 1024 * _MIB
    """[byte] Below: the image strand is shed."""
    record_share: float = 0.05
    record_bytes: int = 64 * _MIB
    """[byte] Below: room is taken from dropped image segments; the record strand is shed when that is used up."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Of one journal."""

    record: StrandLimits = StrandLimits(20_000, 10_000, 16 * _MIB, 24 * _HOUR_US, 400 * _DAY_US)
    image: StrandLimits = StrandLimits(32, 1_000, 16 * _MIB, _HOUR_US, 7 * _DAY_US)
    max_bytes: int = 8192 * _MIB
    """[byte] Pages in use above which the oldest segments are dropped, image before record."""
    disk: DiskLimits = field(default_factory=DiskLimits)
    retry_s: float = 1.0
    """[s] Between two attempts of the writer while the disk refuses."""
    check_s: float = 5.0
    """[s] Longest time of the quick check at start."""
    checkpoint_pages: int = 1000
    """WAL pages after which the writer runs a checkpoint."""
    wal_keep_bytes: int = 16 * _MIB
    """[byte] A WAL grown larger is cut back to this once it could be checkpointed."""
    wal_most_bytes: int = 256 * _MIB
    """[byte] Above: images are given up until it is short again. Only a reader that lets nothing go makes it so long:
    none of ours, since they read a page a transaction."""

    def strand(self, name: str) -> StrandLimits:
        """Return the limits of a strand."""
        return self.record if name == "record" else self.image

    def wal_long(self, pages: int) -> bool:
        """Tell whether a write-ahead log of so many pages is longer than it may be."""
        return pages * WAL_PAGE_BYTES > self.wal_most_bytes


def limits_of(record_days: float, image_days: float, max_bytes: int) -> Limits:
    """Make limits from the keys of the site file.

    Args:
        record_days: [d] How long the record strand is kept.
        image_days: [d] How long the full-rate images are kept.
        max_bytes: [byte] Bound of the file's pages in use.
    """
    base = Limits()
    return replace(
        base,
        record=replace(base.record, keep_us=round(record_days * _DAY_US)),
        image=replace(base.image, keep_us=round(image_days * _DAY_US)),
        max_bytes=max_bytes,
    )
