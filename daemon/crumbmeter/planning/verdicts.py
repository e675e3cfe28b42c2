"""What a plan's checks can say: it passes, it fails, or it cannot be judged. Pure.

A figure without its limit is not judged, nor a limit without its figure: what is missing is said and never guessed.
"""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class Verdict(StrEnum):
    """Outcome of one check, the worst first."""

    FAILS = "fails"
    NOT_JUDGED = "cannot be judged"
    PASSES = "passes"


class Subject(StrEnum):
    """What is checked."""

    LOWEST_SPEED = "lowest auger speed"
    HIGHEST_SPEED = "highest auger speed"
    HIGHEST_RATE = "highest feed rate"
    TURNDOWN = "turndown"
    REFILL_RATE = "refill rate"
    REFILL_TIME = "refill time"
    REFILL_SHARE = "time in refill"
    BAG_INTERVAL = "bag-change interval"
    BAG_FITS = "room for a bag"
    SUPPLY_RESERVE = "supply reserve"
    STOCK = "first day's bags"
    SALTATION = "air over saltation"
    LOADING = "solids loading"
    PRESSURE = "pressure drop"
    BLOWER_POWER = "blower's power"
    ELECTRIC_SUPPLY = "electric supply"
    COST = "dry route's cost"


@dataclass(frozen=True, slots=True)
class Check:
    """One check. Figures are SI; None: not known."""

    subject: Subject
    verdict: Verdict
    found: float | None = None
    limit: float | None = None
    at_least: bool = False
    """Whether the limit is the least that will do; else it is the most."""
    where: str = ""
    """Where it is worst, such as a mix and a rate."""
    missing: tuple[str, ...] = ()
    """What would have to be known to judge it: keys of the job file."""
    doubt: float = 0.0
    """Half-width of the figure as a share of it, where it is a correlation's."""


def judged(
    subject: Subject,
    found: float | None,
    limit: float | None,
    *,
    at_least: bool = False,
    where: str = "",
    missing: tuple[str, ...] = (),
) -> Check:
    """Hold a figure against its limit; to be just at the limit passes."""
    if found is None or limit is None:
        return Check(subject, Verdict.NOT_JUDGED, found, limit, at_least, where, missing)
    tiny = 1e-9 * max(abs(found), abs(limit))
    fits = found >= limit - tiny if at_least else found <= limit + tiny
    return Check(subject, Verdict.PASSES if fits else Verdict.FAILS, found, limit, at_least, where)


def worst_first(checks: tuple[Check, ...]) -> tuple[Check, ...]:
    """Sort those that fail to the top, and those that cannot be judged below them."""
    order = list(Verdict)
    return tuple(sorted(checks, key=lambda check: order.index(check.verdict)))
