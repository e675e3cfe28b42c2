"""Cold starts with a wrong feed factor, and refill gates that leak: many short runs in closed loop."""

from dataclasses import dataclass
from typing import Any

from crumbmeter.control.sequence import RunState
from tests.closed_loop import ClosedLoop, loop_for

ENTERED_KG_REV = 0.90
"""What the demonstration's site file says."""
AVERAGED_S = 20
"""[s] Rubber and wish at the injection point are compared over so long: less is the cold feed's own ripple."""
WITHIN = 0.05
ARRIVES_S = 6.0
"""[s] From the first turn until the line has filled."""


@dataclass(frozen=True, slots=True)
class ColdStart:
    """A start with a factor that is wrong in the site file by `wrong_percent`."""

    wrong_percent: float
    rate_short_ton_h: float
    content_kg: float
    """[kg] At the start; little of it brings the first fill within two minutes."""
    seed: int
    lasts_s: float = 460.0


def cold_starts(quick: bool) -> list[ColdStart]:
    """List them: 15 % both ways, right, low and high rate, first fill early and late."""
    seeds = (1,) if quick else (1, 2, 3)
    rates = (250.0,) if quick else (125.0, 250.0, 325.0)
    wrongs = (15.0, -15.0) if quick else (15.0, -15.0, 0.0)
    return [ColdStart(w, r, c, s) for w in wrongs for r in rates for c in (240.0, 100.0) for s in seeds]


def start_cold(trial: ColdStart) -> dict[str, Any]:
    """Play one; return when the dose was last beyond ±5 % at the injection point, from the first turn on."""
    true = ENTERED_KG_REV / (1.0 + trial.wrong_percent / 100.0)
    overrides = {"auger.feed_factor_kg_rev": true, "hopper.start_kg": trial.content_kg}
    loop = loop_for("refill", seed=trial.seed, overrides=overrides)
    fed_from_s = learned_s = None
    set_rate, said = False, 0
    while loop.rig.now_s < trial.lasts_s:
        if not set_rate and loop.rig.now_s > 6.0:
            loop.rig.do("plant_rate", mix_short_ton_h=trial.rate_short_ton_h)
            set_rate = True
        loop.scan()
        if fed_from_s is None and loop.state.sequence.state is RunState.FEEDING:
            fed_from_s = loop.rig.now_s
        if fed_from_s is not None and learned_s is None:
            assert loop.view is not None
            said += loop.view.learning
            learned_s = None if loop.view.learning else loop.rig.now_s
    assert fed_from_s is not None
    fills_s = [at_s - fed_from_s for at_s, happened in loop.events if happened.name == "refill_began"]
    return {
        "wrong_percent": trial.wrong_percent, "rate_short_ton_h": trial.rate_short_ton_h,
        "content_kg": trial.content_kg, "seed": trial.seed, "said_learning_scans": said,
        "learned_after_s": None if learned_s is None else round(learned_s - fed_from_s, 1),
        "first_fill_after_s": round(fills_s[0], 1) if fills_s else None,
        "last_beyond_after_s": _last_beyond_s(loop, fed_from_s),
    }  # fmt: skip


def _last_beyond_s(loop: ClosedLoop, fed_from_s: float) -> float:
    """[s] Return when an average last lay beyond ±5 %; 0 where none did."""
    rows = [row for row in loop.drum.truth.rows if row.t_s >= fed_from_s + ARRIVES_S]
    last_s = 0.0
    for end in range(AVERAGED_S, len(rows)):
        part = rows[end - AVERAGED_S : end]
        wanted = sum(row.wanted_in_kg_s for row in part)
        if wanted > 0.0 and abs(sum(row.rubber_in_kg_s for row in part) / wanted - 1.0) > WITHIN:
            last_s = rows[end].t_s - fed_from_s
    return round(last_s, 1)


@dataclass(frozen=True, slots=True)
class Leak:
    """A gate that leaks from `at_s` on; 0 kg/s: one that does not."""

    share_percent: float
    """Of the feed at the plant's usual rate."""
    supply: str
    """weighed, or topped up: the bag runs in unweighed."""
    seed: int
    at_s: float = 500.0
    lasts_s: float = 1800.0


USUAL_FEED_KG_S = 0.315
"""[kg/s] 10 lb per short ton of 250 short ton/h."""


def leaks(quick: bool) -> list[Leak]:
    """List them: several sizes, with the supply weighed and not, and gates that are tight."""
    if quick:
        return [Leak(5.0, "weighed", 1), Leak(0.0, "weighed", 1)]
    seeds = range(1, 5)
    weighed = [Leak(share, "weighed", seed) for share in (0.0, 1.5, 2.5, 5.0, 10.0) for seed in seeds]
    return weighed + [Leak(share, "topped up", seed) for share in (0.0, 10.0) for seed in seeds]


def spring_leak(trial: Leak) -> dict[str, Any]:
    """Play one: two cycles of steady feeding after the leak begins, with one stop of 200 s at their end."""
    overrides: dict[str, Any] = {"hopper.start_kg": 130.0, "supply.start_bag_kg": 800.0}
    overrides["supply.bag_is_weighed"] = trial.supply == "weighed"
    loop = loop_for("refill", seed=trial.seed, overrides=overrides)
    assert loop.rig.scenario is not None
    begun = stopped = False
    while loop.rig.now_s < trial.lasts_s:
        if not begun and loop.rig.now_s >= trial.at_s:
            loop.rig.do("leak_gate", kg_s=trial.share_percent / 100.0 * USUAL_FEED_KG_S)
            begun = True
        if not stopped and loop.rig.now_s >= trial.lasts_s - 250.0:
            loop.rig.do("gates_stop")
            stopped = True
        loop.scan()
    fills_s = [at_s for at_s, happened in loop.events if happened.name == "refill_began" and at_s > trial.at_s]
    found = [(at_s, happened) for at_s, happened in loop.events if happened.name == "refill_gate_leaks"]
    fallen = [at_s for at_s, happened in loop.events if happened.name == "feed_factor_fell"]
    late = [row for row in loop.drum.truth.rows if trial.lasts_s - 600.0 < row.t_s < trial.lasts_s - 300.0]
    over = sum(row.rubber_in_kg_s for row in late) / sum(row.wanted_in_kg_s for row in late) - 1.0
    return {
        "share_percent": trial.share_percent, "supply": trial.supply, "seed": trial.seed,
        "found_after_s": round(found[0][0] - trial.at_s, 1) if found else None,
        "found_by": str(found[0][1].get("found_by")) if found else None,
        "fills_before_found": sum(at_s < found[0][0] for at_s in fills_s) if found else None,
        "fall_told": bool(fallen), "corrected": bool(found) and loop.state.fills.correction[0] > 0.0,
        "dose_over_percent": 100.0 * over,
    }  # fmt: skip
