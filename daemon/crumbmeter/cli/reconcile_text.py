"""The words of `crumbmeter reconcile`: a period measured, tested, and reconciled or withheld. Pure."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any, Literal

from crumbmeter.cli.check_text import fill, table
from crumbmeter.cli.entries_file import ReadEntries
from crumbmeter.estimation.balances import (
    Estimate,
    GlobalTest,
    NodalTest,
    NotRedundant,
    Outcome,
    Reconciled,
    Suspect,
    Withheld,
)
from crumbmeter.estimation.gum import digits_for
from crumbmeter.estimation.plant_balance import FEEDER, WEIGH_HOPPER, Part, PlantBalance
from crumbmeter.ledger.period import Period
from crumbmeter.model.units import UNITS

COVERAGE = 2.0
DOUBLED = 4.0
"""What twice the uncertainty everywhere divides chi-square by: the tolerances are a choice, so its weight is shown."""
UNITS_OF = {"us": ("short_ton", "lb"), "metric": ("tonne", "kg")}
"""Unit of mix and unit of rubber, by the site's system."""


@dataclass(frozen=True, slots=True)
class Account:
    """Everything there is to say of a period."""

    site_id: str
    units: Literal["us", "metric"]
    period: Period
    read: ReadEntries
    balance: PlantBalance
    against: tuple[str, ...]
    """Why it cannot be tested at all; empty where it can."""
    outcome: Outcome | None
    agrees: bool
    """Whether at least one balance could be tested, and every test passed."""

    def unit_of(self, name: str) -> str:
        """Return the unit in which a stream or a balance is shown."""
        mix, rubber = UNITS_OF[self.units]
        part = next((part for part in self.balance.parts if part.name == name), None)
        if part is None:
            return rubber if name == "rubber" else mix
        return rubber if part.rubber else mix

    def hopper_span(self, suspect: Suspect) -> float | None:
        """Return by how much the hopper's span is too large, if that is what is off; None where it cannot be that.

        It weighs both what was fed and what the hopper holds, so an error of its span is in both at once.
        """
        parts = {part.name: part for part in self.balance.parts}
        both = (parts[FEEDER].mass_kg or 0.0) + (parts[WEIGH_HOPPER].mass_kg or 0.0)
        if FEEDER not in suspect.names or both <= 0.0:
            return None
        share = suspect.biases[suspect.names.index(FEEDER)] / both
        return share / (1.0 - share) if share < 1.0 else None


def account_text(account: Account) -> str:
    """Write it all."""
    return "\n".join(
        line
        for lines in (_head(account), _measured(account), _tests(account), _verdict(account), _unchecked(account))
        for line in (*lines, "")
    ).rstrip()


def _head(account: Account) -> Iterator[str]:
    period = account.period
    mix = UNITS_OF[account.units][0]
    mark = " SIMULATED." if period.simulated else ""
    yield (
        f"{account.site_id}, {_time(period.first_wall_us)} to {_time(period.last_wall_us)}: {period.parcels} parcels, "
        f"{UNITS[mix].from_si(period.mix_kg):.1f} {mix} of mix with rubber.{mark}"
    )
    yield f"  Line and drum at the beginning: {period.opened.value}; at the end: {period.closed.value}."
    left = f", {account.read.outside} lie outside the period and were left out" if account.read.outside else ""
    yield f"  {account.read.used} entries used{left}."
    for note in account.balance.notes:
        yield f"  {note}"


def _time(wall_us: int) -> str:
    return dt.datetime.fromtimestamp(wall_us / 1e6, dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _measured(account: Account) -> Iterator[str]:
    yield "Measured (+- is k = 2)"
    rows = [["stream", "mass", "+-", "unit", "how exact"]]
    for part in account.balance.parts:
        if part.mass_kg is None:
            rows.append([part.name, "---", "---", account.unit_of(part.name), f"{part.source}. {part.remedy}"])
            continue
        unit = account.unit_of(part.name)
        value, spread = _shown(part.mass_kg, COVERAGE * part.variance_kg2**0.5, unit)
        rows.append([part.name, value, spread, unit, part.source])
    yield table(rows, "lrrll")


def _shown(value_kg: float, spread_kg: float, unit: str) -> tuple[str, str]:
    """Write a mass with its uncertainty, both to the place of the uncertainty's second digit."""
    spread = UNITS[unit].from_si(spread_kg)
    digits = min(3, digits_for(spread))
    value = f"{UNITS[unit].from_si(value_kg):.{digits}f}"
    return value if float(value) else value.removeprefix("-"), f"{spread:.{digits}f}"


def _tests(account: Account) -> Iterator[str]:
    outcome = account.outcome
    if outcome is None:
        yield "Not tested, and nothing is reconciled: this is no closed period"
        for reason in account.against:
            yield fill(f"{reason}.")
        yield fill("Choose --from and --to so that the drum was emptied, or the rate steady, at both.")
        return
    if isinstance(outcome, NotRedundant):
        yield "Not tested: no balance has all its streams measured"
        return
    yield "Tests"
    for node in outcome.tests.nodal:
        yield _nodal(account, node)
    yield f"  All together: {_global(outcome.tests.overall)}"
    failing = [one.name for one in outcome.tests.measurements if one.fails]
    largest = max((one.statistic for one in outcome.tests.measurements), default=0.0)
    critical = outcome.tests.measurements[0].critical if outcome.tests.measurements else 0.0
    verdict = f"stand out: {', '.join(failing)}" if failing else "none stands out"
    size = f"the largest adjustment is {largest:.2f} of its deviation, limit {critical:.2f}"
    yield fill(f"Single values: {size}; {verdict}.")


def _nodal(account: Account, node: NodalTest) -> str:
    unit = account.unit_of(node.name)
    value, spread = _shown(node.residual, COVERAGE * node.uncertainty, unit)
    word = "closes" if node.statistic <= node.critical else "DOES NOT CLOSE"
    return f"  Balance of {node.name}: {value} {unit} left over, +- {spread} (k = 2): {word}"


def _global(test: GlobalTest) -> str:
    word = "FAILS" if test.fails else "passes"
    degrees = "1 degree" if test.degrees == 1 else f"{test.degrees} degrees"
    limit = f"limit {test.critical:.2f} (one sound period in twenty exceeds it)"
    return f"chi-square {test.statistic:.2f}, {degrees} of freedom, {limit}: {word}"


def _verdict(account: Account) -> Iterator[str]:
    match account.outcome:
        case Reconciled() as outcome:
            yield "Reconciled: no gross error was found (+- is k = 2)"
            rows = [["stream", "measured", "reconciled", "+-", "unit"]]
            rows += [_estimate(account, one) for one in outcome.estimates if one.name not in outcome.unchecked]
            yield table(rows, "lrrrl")
        case Withheld() as outcome:
            yield "GROSS ERROR: no value is reconciled while a test fails"
            for suspect in outcome.suspects:
                yield from _suspect(account, suspect)
            overall = outcome.tests.overall
            doubled = "still fail" if overall.statistic > DOUBLED * overall.critical else "pass"
            yield fill(f"Were every tolerance twice as wide, the global test would {doubled}.")
            if outcome.left is None:
                yield fill("Without these no balance is left to be tested.")
            else:
                yield fill(f"Without these the rest: {_global(outcome.left)}.")


def _estimate(account: Account, one: Estimate) -> list[str]:
    unit = account.unit_of(one.name)
    value, spread = _shown(one.reconciled, COVERAGE * one.reconciled_uncertainty, unit)
    digits = len(spread.partition(".")[2])
    measured = "---" if one.measured is None else f"{UNITS[unit].from_si(one.measured):.{digits}f}"
    return [one.name, measured, value, spread, unit]


def _suspect(account: Account, suspect: Suspect) -> Iterator[str]:
    masses = {part.name: part for part in account.balance.parts}
    unit = account.unit_of(suspect.names[0])
    low, high = (UNITS[unit].from_si(limit) for limit in suspect.interval)
    if len(suspect.names) == 1:
        size = _bias(masses[suspect.names[0]], suspect.bias, unit)
        yield fill(f"Probably off: {suspect.names[0]}, {size}; {low:.4g} to {high:.4g} {unit} (k = 2).")
        return
    yield fill(
        f"One of these is off, and the balances cannot tell which; {low:.4g} to {high:.4g} {unit} (k = 2). If it is the"
    )
    for name, bias in zip(suspect.names, suspect.biases, strict=True):
        yield fill(f"{name}: {_bias(masses[name], bias, account.unit_of(name))}", 4)
    span = account.hopper_span(suspect)
    if span is not None:
        yield fill(f"hopper scale, behind feeder and weigh hopper alike: its span is {100.0 * span:+.2g} % off", 4)


def _bias(part: Part, bias_kg: float, unit: str) -> str:
    share = f" ({100.0 * abs(bias_kg / part.mass_kg):.2g} % of it)" if part.mass_kg else ""
    way = "high" if bias_kg > 0.0 else "low"
    return f"it reads {UNITS[unit].from_si(abs(bias_kg)):.4g} {unit}{share} too {way}"


def _unchecked(account: Account) -> Iterator[str]:
    outcome = account.outcome
    if outcome is None or not (isinstance(outcome, NotRedundant) or outcome.unchecked):
        return
    yield "Cannot be checked"
    yield fill(f"{', '.join(outcome.unchecked)}: in no balance whose streams are all measured.")
    for part in account.balance.parts:
        if part.mass_kg is None:
            yield fill(f"{part.name} is missing: {part.source}. {part.remedy}")


def account_json(account: Account) -> dict[str, Any]:
    """Return the same as plain values, in SI."""
    period, outcome = account.period, account.outcome
    body: dict[str, Any] = {
        "ok": True,
        "agrees": account.agrees,
        "site_id": account.site_id,
        "simulated": period.simulated,
        "first_wall_us": period.first_wall_us,
        "last_wall_us": period.last_wall_us,
        "parcels_count": period.parcels,
        "mix_kg": period.mix_kg,
        "opened": period.opened.value,
        "closed": period.closed.value,
        "not_closed": list(account.against),
        "entries_count": account.read.used,
        "entries_outside_count": account.read.outside,
        "notes": list(account.balance.notes),
        "measured": [
            {
                "name": part.name,
                "mass_kg": part.mass_kg,
                "uncertainty_kg": None if part.mass_kg is None else part.variance_kg2**0.5,
                "how_exact": part.source,
                "remedy": part.remedy,
            }
            for part in account.balance.parts
        ],
        "tests": None,
        "reconciled": None,
        "suspects": [],
        "unchecked": list(outcome.unchecked) if outcome is not None else [],
    }
    if isinstance(outcome, (Reconciled, Withheld)):
        body["tests"] = asdict(outcome.tests)
    if isinstance(outcome, Reconciled):
        body["reconciled"] = [asdict(one) for one in outcome.estimates if one.name not in outcome.unchecked]
    if isinstance(outcome, Withheld):
        body["suspects"] = [
            asdict(one) | {"interval_kg": list(one.interval), "hopper_span_fraction": account.hopper_span(one)}
            for one in outcome.suspects
        ]
    return body
