"""The checks of a job's plan in words: found, limit, and what to do where one fails or cannot be judged."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from crumbmeter.planning.rubber import Rates
from crumbmeter.planning.verdicts import Check, Subject, Verdict
from crumbmeter.report.document import Column, Table
from crumbmeter.report.figures import unit_words
from crumbmeter.report.plan_figures import Figures

COLUMNS: Final = (Column("check"), Column("found"), Column("limit"), Column("where"), Column("remedy", below=True))
TITLES: Final = {
    Verdict.FAILS: "Checks that fail",
    Verdict.NOT_JUDGED: "Checks that cannot be judged",
    Verdict.PASSES: "Checks that pass",
}


@dataclass(frozen=True, slots=True)
class Words:
    """How one subject is told."""

    dimension: str
    decimals: int
    remedy: str
    after: str = ""
    """Behind the figure: what it is of."""


WORDS: Final = {
    Subject.LOWEST_SPEED: Words(
        "speed", 1, "Take catch tests down to this speed, make this mix at {rate} or more, or fit an auger that "
        "carries less in a turn."
    ),
    Subject.HIGHEST_SPEED: Words(
        "speed", 1, "Take catch tests up to this speed, make this mix at {rate} or less, or fit an auger that carries "
        "more in a turn."
    ),
    Subject.TURNDOWN: Words(
        "ratio", 1, "Calibrate a wider range of speeds, or make the mix with the least rubber at higher rates.", ": 1"
    ),
    Subject.HIGHEST_RATE: Words(
        "small_min", 1, "Make this mix at {rate} or less, or take a feeder with a higher limit."
    ),
    Subject.REFILL_RATE: Words(
        "small_min", 1, "Open the refill wider, or run the plant at less: here the weigh hopper never fills."
    ),
    Subject.REFILL_TIME: Words(
        "seconds", 0, "Refill faster, or refill_to nearer to refill_at: less in each refill, and more of them."
    ),
    Subject.REFILL_SHARE: Words(
        "share", 1, "Refill faster: while the hopper refills, the weight tells nothing and the learned feed factor "
        "carries the flow."
    ),
    Subject.BAG_INTERVAL: Words(
        "minutes", 1, "Take larger bags, a second hoist or a second supply hopper: bags are not changed so fast."
    ),
    Subject.SUPPLY_RESERVE: Words(
        "minutes", 1, "Let the supply hopper call earlier (a higher low level), or change bags faster."
    ),
    Subject.BAG_FITS: Words(
        "small", 0, "Let the supply hopper call later, or take smaller bags: a bag does not fit when it calls."
    ),
    Subject.STOCK: Words(
        "count", 0, "Have them at the plant before the first day: a day at the typical rate of the mix with the most "
        "rubber.", "bags"
    ),
    Subject.SALTATION: Words(
        "ratio", 2, "More air or a narrower pipe. Prove it in a trial: start at the lowest rate and watch the line's "
        "pressure.", ""
    ),
    Subject.LOADING: Words("ratio", 1, "More air, or less rubber an hour.", "kg/kg"),
    Subject.PRESSURE: Words(
        "pressure", 2, "Measure it in a trial with air alone, then with rubber; a wider pipe, fewer bends, or a blower "
        "for more pressure."
    ),
    Subject.BLOWER_POWER: Words(
        "power", 1, "Hold it against the blower's own curve at this pressure; a larger motor, or less pressure drop."
    ),
    Subject.ELECTRIC_SUPPLY: Words(
        "current", 1, "A larger supply, or fewer loads at once. A licensed electrician decides, by local code."
    ),
    Subject.COST: Words(
        "money", 2, "At the prices given, modified binder costs less. It breaks even where that binder costs what is "
        "shown under Cost."
    ),
}  # fmt: skip
NEVER: Final = "never ends"
TINY: Final = 1e-9
BY_HALF: Final = "Within the correlation's error (± 50 %). "


def check_tables(checks: tuple[Check, ...], figures: Figures, rates: Rates) -> Iterator[Table]:
    """Make a table of the checks of each verdict that there is, those that fail first."""
    for verdict, title in TITLES.items():
        rows = [
            (check.subject.value, _found(check, figures), _limit(check, figures), spaced(check.where),
             _remedy(check, figures, rates))
            for check in checks
            if check.verdict is verdict
        ]  # fmt: skip
        if rows:
            done = verdict is Verdict.PASSES  # nothing is to be done
            yield Table(title, COLUMNS[:-1] if done else COLUMNS, [row[:-1] for row in rows] if done else rows)


def spaced(name: str) -> str:
    """Return a name with spaces, where a line may break."""
    return name.replace("_", " ")


def _text(check: Check, value: float | None, figures: Figures) -> str:
    words = WORDS[check.subject]
    text = figures.text(words.dimension, value, words.decimals)
    return f"{text} {words.after}".rstrip() if text else ""


def _found(check: Check, figures: Figures) -> str:
    text = _text(check, check.found, figures)
    if not text and check.verdict is Verdict.FAILS:
        text = NEVER
    return f"{text} ± {100.0 * check.doubt:.0f} %" if text and check.doubt else text


def _limit(check: Check, figures: Figures) -> str:
    text = _text(check, check.limit, figures)
    return f"{'≥' if check.at_least else '≤'} {text}" if text else ""


def _remedy(check: Check, figures: Figures, rates: Rates) -> str:
    if check.verdict is Verdict.PASSES:
        return ""
    if check.missing:
        return f"Not known: {', '.join(check.missing)}."
    remedy = WORDS[check.subject].remedy
    if "{rate}" in remedy:
        remedy = remedy.format(rate=_rate(check, figures, rates))
    return (BY_HALF if check.verdict is Verdict.NOT_JUDGED else "") + remedy


def _rate(check: Check, figures: Figures, rates: Rates) -> str:
    """Return the rate of the plant at which the check would just pass."""
    if not check.found or check.limit is None:
        return ""
    reached_kg_s = rates.lowest_kg_s if check.at_least else rates.highest_kg_s
    rate = figures.value("ton_rate", reached_kg_s * check.limit / check.found) or 0.0
    whole = math.ceil(rate - TINY) if check.at_least else math.floor(rate + TINY)
    return f"{whole} {unit_words(figures.unit('ton_rate'))}"
