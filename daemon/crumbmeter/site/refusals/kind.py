"""The shape of one entry in the table of refusals."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Refusal:
    """One kind of problem."""

    title: str
    meaning: str
    remedy: str
    """What to do in general; a problem on the screen may say it more exactly."""
    example: str
    """Lines of a file that bring it about."""
    warning: bool = False
    """Shown, but the site may be used."""
