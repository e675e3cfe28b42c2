"""The three answers to a limit: a value that is not known is never taken for a pass."""

from enum import StrEnum


class Verdict(StrEnum):
    """What a comparison with a limit says."""

    PASSES = "passes"
    FAILS = "fails"
    CANNOT_TELL = "cannot tell"
