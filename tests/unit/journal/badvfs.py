"""An SQLite file system that refuses writes, syncs or both from a chosen call on, until it is told to behave again."""

import threading
from collections.abc import Callable
from typing import Any

import apsw


class BadDisk(apsw.VFS):
    """Everything goes to the system's VFS, except what a test forbids."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.writes = 0
        self.refuse_from: int | None = None
        """Count of the write from which on all are refused; None: none."""
        self.refuse_sync = False
        self.result = apsw.SQLITE_FULL
        self.refused = 0
        self._news = threading.Condition()
        super().__init__(name=name, base="")

    def xOpen(self, name: Any, flags: list[int]) -> "BadFile":  # noqa: N802 -- SQLite's name
        return BadFile(self, name, flags)

    def wait_refused(self, count: int, timeout_s: float) -> bool:
        """Wait until so many calls were refused."""
        with self._news:
            return self._news.wait_for(lambda: self.refused >= count, timeout_s)

    def refuse(self) -> None:
        with self._news:
            self.refused += 1
            self._news.notify_all()
        kind: Callable[[str], Exception] = apsw.exception_for(self.result).__class__
        problem = kind("as the test asked")
        problem.extendedresult = self.result  # type: ignore[attr-defined]
        raise problem


class BadFile(apsw.VFSFile):
    def __init__(self, disk: BadDisk, name: Any, flags: list[int]) -> None:
        self._disk = disk
        super().__init__("", name, flags)

    def xWrite(self, data: Any, offset: int) -> None:  # noqa: N802 -- SQLite's name
        disk = self._disk
        disk.writes += 1
        if disk.refuse_from is not None and disk.writes >= disk.refuse_from:
            disk.refuse()
        super().xWrite(data, offset)

    def xSync(self, flags: int) -> None:  # noqa: N802 -- SQLite's name
        if self._disk.refuse_sync:
            self._disk.refuse()
        super().xSync(flags)
