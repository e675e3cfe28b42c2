"""Why a journal cannot be used. Only raised at start and by readers; never into control."""

from pathlib import Path

from crumbmeter.model.faults import CrumbmeterError


class JournalRefusedError(CrumbmeterError):
    """The journal must not be written by this program: do not start, and tell the person why."""

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(f"{path}: {why}")
        self.path = path
        self.why = why


class JournalUnreadableError(CrumbmeterError):
    """The file cannot be read as a journal at all."""

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(f"{path}: {why}")
        self.path = path
        self.why = why
