"""The checks of a job: each figure against its limit, where it is worst. Pure."""

from collections.abc import Iterator, Sequence

from crumbmeter.planning.conveying import CLEAR_MARGIN, CORRELATION_SHARE, DILUTE_LOADING
from crumbmeter.planning.cost import JobCost
from crumbmeter.planning.electric import Supply, Total, current
from crumbmeter.planning.feeding import FeederPlan, refilling
from crumbmeter.planning.line_job import LineJob, LineResult
from crumbmeter.planning.rubber import Bags, Hour, Needs
from crumbmeter.planning.verdicts import Check, Subject, Verdict, judged

FACTOR = "feeder.feed_factor"
CHARGE = ("feeder.refill_at", "feeder.refill_to", "feeder.refill_rate")


def feeder_checks(feeder: FeederPlan, hours: Sequence[Hour]) -> Iterator[Check]:
    """Check auger and weigh hopper over every mix at every rate that takes rubber."""
    if not hours:
        return
    least, most = _extremes(hours)
    low, high = feeder.speed_rev_s(least.rubber_kg_s), feeder.speed_rev_s(most.rubber_kg_s)
    yield judged(
        Subject.LOWEST_SPEED, low, feeder.low_rev_s, at_least=True, where=_where(least),
        missing=_none(((FACTOR, low), ("feeder.calibrated_low_rpm", feeder.low_rev_s))),
    )  # fmt: skip
    yield judged(
        Subject.HIGHEST_SPEED, high, feeder.high_rev_s, where=_where(most),
        missing=_none(((FACTOR, high), ("feeder.calibrated_high_rpm", feeder.high_rev_s))),
    )  # fmt: skip
    missing = _none(
        (("feeder.calibrated_low_rpm", feeder.low_rev_s), ("feeder.calibrated_high_rpm", feeder.high_rev_s))
    )
    asked = most.rubber_kg_s / least.rubber_kg_s
    yield judged(Subject.TURNDOWN, asked, feeder.turndown, missing=missing)
    if feeder.most_kg_s is not None:
        yield judged(Subject.HIGHEST_RATE, most.rubber_kg_s, feeder.most_kg_s, where=_where(most))
    yield from _refill_checks(feeder, most)


def _refill_checks(feeder: FeederPlan, most: Hour) -> Iterator[Check]:
    """Check the refill at the highest rate of rubber: it is worst there in every respect."""
    yield _above(most.rubber_kg_s, feeder.refill_kg_s, _where(most))
    turn = refilling(feeder, most.rubber_kg_s)
    given = (feeder.refill_at_kg, feeder.refill_to_kg, feeder.refill_kg_s)
    missing = _none(tuple(zip(CHARGE, given, strict=True)))
    if turn is not None and turn.refill_s is None:
        for subject, limit in (
            (Subject.REFILL_TIME, feeder.most_refill_s),
            (Subject.REFILL_SHARE, feeder.most_refill_share),
        ):
            yield Check(subject, Verdict.FAILS, None, limit, where=_where(most))
        return
    yield judged(
        Subject.REFILL_TIME, None if turn is None else turn.refill_s, feeder.most_refill_s, where=_where(most),
        missing=(*missing, *_none((("feeder.max_refill_s", feeder.most_refill_s),))),
    )  # fmt: skip
    yield judged(
        Subject.REFILL_SHARE, None if turn is None else turn.share, feeder.most_refill_share, where=_where(most),
        missing=(*missing, *_none((("feeder.most_refill_percent", feeder.most_refill_share),))),
    )  # fmt: skip


def _above(consumed_kg_s: float, refill_kg_s: float | None, where: str) -> Check:
    """A refill that brings no more than is fed never ends: here to be just at the limit does not pass."""
    check = judged(
        Subject.REFILL_RATE, refill_kg_s, consumed_kg_s, at_least=True, where=where, missing=("feeder.refill_rate",)
    )
    if refill_kg_s is not None and refill_kg_s <= consumed_kg_s:
        return Check(Subject.REFILL_RATE, Verdict.FAILS, refill_kg_s, consumed_kg_s, at_least=True, where=where)
    return check


def bag_checks(bags: Bags, feeder: FeederPlan, needed: Needs, hours: Sequence[Hour]) -> Iterator[Check]:
    """Check bags, their change and the supply hopper."""
    if not hours:
        return
    _, most = _extremes(hours)
    rate_kg_s, where = most.rubber_kg_s, _where(most)
    change = _none((("bags.change_min", bags.change_s),))
    yield judged(
        Subject.BAG_INTERVAL, bags.bag_kg / rate_kg_s, bags.change_s, at_least=True, where=where, missing=change
    )
    reserve_s = None if feeder.supply_low_kg is None else feeder.supply_low_kg / rate_kg_s
    yield judged(
        Subject.SUPPLY_RESERVE, reserve_s, bags.change_s, at_least=True, where=where,
        missing=(*_none((("feeder.supply_low", reserve_s),)), *change),
    )  # fmt: skip
    room = None
    if feeder.supply_kg is not None and feeder.supply_low_kg is not None:
        room = feeder.supply_kg - feeder.supply_low_kg
    missing = _none((("feeder.supply", feeder.supply_kg), ("feeder.supply_low", feeder.supply_low_kg)))
    yield judged(Subject.BAG_FITS, room, bags.bag_kg, at_least=True, missing=missing)
    yield judged(Subject.STOCK, float(bags.on_hand_bags), float(needed.day_bags), at_least=True)


def line_checks(line: LineJob, results: Sequence[LineResult]) -> Iterator[Check]:
    """Check line and blower at the highest rate of rubber: air is slowest and pressure highest there."""
    worst = results[-1]
    yield _saltation(line, worst)
    loading = None if line.pipe is None else worst.rubber_kg_s / line.pipe.air_kg_s
    yield judged(Subject.LOADING, loading, DILUTE_LOADING, missing=line.missing)
    yield _estimate(
        Subject.PRESSURE, worst.rise_pa, line.most_pa, (*line.missing, *_none((("line.most", line.most_pa),)))
    )
    power = (("line.efficiency_percent", line.efficiency), ("line.motor_kw", line.motor_w))
    yield _estimate(Subject.BLOWER_POWER, worst.power_w, line.motor_w, (*line.missing, *_none(power)))


def _saltation(line: LineJob, worst: LineResult) -> Check:
    check = worst.check
    if check is None:
        if line.pipe is not None:  # all is known, and the air lifts nothing
            return Check(Subject.SALTATION, Verdict.FAILS, 0.0, CLEAR_MARGIN, at_least=True)
        return judged(Subject.SALTATION, None, CLEAR_MARGIN, at_least=True, missing=line.missing)
    verdict = Verdict.PASSES if check.margin >= CLEAR_MARGIN else Verdict.NOT_JUDGED
    verdict = Verdict.FAILS if check.margin < 1.0 else verdict
    return Check(Subject.SALTATION, verdict, check.margin, CLEAR_MARGIN, at_least=True, doubt=CORRELATION_SHARE)


def _estimate(subject: Subject, found: float | None, limit: float | None, missing: tuple[str, ...]) -> Check:
    """Judge a figure that may be wrong by half: it passes if it would with half more, and fails as it stands."""
    if found is None or limit is None:
        return Check(subject, Verdict.NOT_JUDGED, found, limit, missing=missing)
    verdict = Verdict.PASSES if found * (1.0 + CORRELATION_SHARE) <= limit else Verdict.NOT_JUDGED
    verdict = Verdict.FAILS if found > limit else verdict
    return Check(subject, verdict, found, limit, doubt=CORRELATION_SHARE)


def supply_check(supply: Supply | None, total: Total | None) -> Check:
    """Check the electric supply, its phases evenly loaded."""
    found = None if supply is None or total is None else current(total.demand_va, supply.voltage_v, supply.phases)
    limit = None if supply is None else supply.most_a
    missing = _none((("loads", total), ("supply", supply), ("supply.most_a", limit)))
    return judged(Subject.ELECTRIC_SUPPLY, found, limit, missing=missing)


def cost_check(cost: JobCost | None) -> Check:
    """Check the whole job's cost for a kilogram of mix against the buyer's route."""
    if cost is None:
        return Check(Subject.COST, Verdict.NOT_JUDGED, missing=("prices",))
    missing = ("prices.modified_binder",) if cost.modified_per_kg is None else ()
    return judged(Subject.COST, cost.dry_per_kg, cost.modified_per_kg, missing=missing)


def _extremes(hours: Sequence[Hour]) -> tuple[Hour, Hour]:
    return min(hours, key=lambda hour: hour.rubber_kg_s), max(hours, key=lambda hour: hour.rubber_kg_s)


def _where(hour: Hour) -> str:
    return f"{hour.mix_id}, {hour.rate_name}"


def _none(given: tuple[tuple[str, object], ...]) -> tuple[str, ...]:
    """Return the names of what is not known."""
    return tuple(dict.fromkeys(name for name, value in given if value is None))
