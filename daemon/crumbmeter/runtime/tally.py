"""Counts of what happened on the links, for metrics. They only grow."""

from collections import Counter
from dataclasses import dataclass, field

from crumbmeter.model.image import ReadOutcome


@dataclass(slots=True)
class LinkTally:
    """What happened on one endpoint."""

    attempts: int = 0
    connects: int = 0
    losses: int = 0


@dataclass(slots=True)
class DeviceTally:
    """What happened with one device."""

    reads: Counter[ReadOutcome] = field(default_factory=Counter)
    """By outcome; NO_CONNECTION counts polls that found no connection to ask on."""
    exceptions: Counter[int] = field(default_factory=Counter)
    """Reads and writes together, by Modbus exception code."""
    skipped: int = 0
    """Polls whose time passed while an earlier one was still under way: skipped, not queued (REQ-39)."""
    last_pass_s: float = 0.0
    """[s] Process time that the newest round of reads took."""
    longest_pass_s: float = 0.0
    writes_acknowledged: int = 0
    writes_unanswered: int = 0
    """Sent, and not known whether taken."""
    writes_not_sent: int = 0
    """There was no connection; the value was dropped, not kept (REQ-25)."""
    writes_refused: int = 0
    """By the device, with an exception."""
    writes_expired: int = 0
    """Not sent, since the value had grown too old while it waited (REQ-25)."""
    writes_withheld: int = 0
    """Not sent, since the register's writes for the hour or day were spent (REQ-26)."""
    values_clamped: int = 0
    values_unencodable: int = 0
    overwritten: int = 0
    """A confirmed register was found to hold something else."""
