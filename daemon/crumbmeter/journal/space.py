"""How much room the disk has, and what has to give way (REQ-33)."""

import os
from collections.abc import Callable
from enum import IntEnum
from pathlib import Path

from crumbmeter.journal.limits import DiskLimits

Space = Callable[[], tuple[int, int]]
"""[byte] Returns free space and size of the disk."""


class Level(IntEnum):
    """The order is meant: each level gives up all that the ones before it do."""

    AMPLE = 0
    LOW = 1
    """A warning, nothing else."""
    SHED_IMAGE = 2
    SHED_RECORD = 3


def disk_space(folder: Path) -> Space:
    """Return the reader of a folder's free space and size [byte]. A folder that cannot be asked counts as ample."""

    def read() -> tuple[int, int]:
        try:
            told = os.statvfs(folder)
        except OSError:
            return 1 << 62, 1 << 62
        return told.f_bavail * told.f_frsize, told.f_blocks * told.f_frsize

    return read


def level(free_bytes: int, total_bytes: int, limits: DiskLimits) -> Level:
    """Judge the free space [byte]: below the smaller of a share and a number of bytes, something gives way."""
    if free_bytes < min(limits.record_share * total_bytes, limits.record_bytes):
        return Level.SHED_RECORD
    if free_bytes < min(limits.image_share * total_bytes, limits.image_bytes):
        return Level.SHED_IMAGE
    if free_bytes < min(limits.low_share * total_bytes, limits.low_bytes):
        return Level.LOW
    return Level.AMPLE
