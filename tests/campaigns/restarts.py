"""The restart campaign (REQ-24): daemon, feeder and gateway restart at random phases; nothing on the wire ever jumps.

The core runs in closed loop with the simulated plant on virtual time. Judged is every auger speed that is written,
against what the feeder's register held before: a change beyond the site's ramp is a jump. The ramp goes on for as long
as a lost connection is not yet known to be lost (the signals' highest age), and a feeder that was restarted begins from
rest. Stops pass the ramp by design. A scan that writes before its inputs have been Good for as long as the site asks is
early.
"""

import time
from collections import Counter
from dataclasses import dataclass, field, replace
from random import Random

from crumbmeter.control.state import first_state
from crumbmeter.control.step import StepResult
from crumbmeter.control.watching import is_armed
from crumbmeter.estimation.weighing import believable_factor
from crumbmeter.field.words import decode_si
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.image import NEVER_READ, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputRole
from tests.campaigns.common import Result, note, say, side_by_side, upper_bound
from tests.closed_loop import ClosedLoop, loop_for

SCENARIO = "demo_shift"
KINDS = ("daemon", "feeder", "gateway")
BETWEEN_S, AWAY_S = (0.2, 90.0), (0.2, 12.0)
"""[s] From one restart to the next, and how long what restarts is away."""
ASK_EVERY_S = 5.0
"""[s] The operator starts the feed again after so long."""
_MOST_SHOWN = 20


@dataclass
class Tally:
    """What a run has seen."""

    restarts: Counter[str] = field(default_factory=Counter)
    under_way: Counter[str] = field(default_factory=Counter)
    """Run state in which each struck."""
    writes: int = 0
    jumps: int = 0
    early: int = 0
    worst: float = 0.0
    """Largest change, as a share of what the ramp allows."""
    fed_after: int = 0
    """Restarts after which rubber was fed again before the next."""
    shown: list[str] = field(default_factory=list)


class Restarts:
    """One loop after another, restarted over and over."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.tally = Tally()
        self._seed = seed
        self._new_loop()

    def _new_loop(self) -> None:
        self._seed += 1
        self.loop: ClosedLoop = loop_for(SCENARIO, seed=self._seed)
        self.loop.jitter_s = 0.05
        params = self.loop.site.params
        self._speed = next(i for i, spec in enumerate(params.outputs) if spec.role == OutputRole.AUGER_SPEED.value)
        self._factor = self._reached_s = self._asked_s = 0.0
        self._known_after_s = max(params.signals[index].max_age_s for index in self.loop.core.of_feeder)
        """[s] So old no reading of the feeder may be: from then on the core knows that it is not heard."""
        self._enable()

    def _enable(self) -> None:
        self._scan(self._command(CommandKind.ENABLE_CONTROL, self.loop.site.settings_id))

    def _command(self, kind: CommandKind, subject: str = "") -> Command:
        return Command(kind, "operator", f"{kind.value}-{self.loop.scans}", self.loop.now_s + 10.0, subject)

    def run(self, restarts: int) -> None:
        """Restart so many times."""
        for _ in range(restarts):
            if self.loop.rig.now_s > self.loop.rig.duration_s - BETWEEN_S[1] - AWAY_S[1]:
                self._new_loop()
            kind = self.random.choice(KINDS)
            fed = self._work(self.random.uniform(*BETWEEN_S))
            self.tally.fed_after += fed
            assert self.loop.last is not None
            self.tally.restarts[kind] += 1
            self.tally.under_way[self.loop.last.state.sequence.state.value] += 1
            getattr(self, f"_restart_{kind}")(self.random.uniform(*AWAY_S))

    def _work(self, seconds: float) -> bool:
        """Scan for so long [s]; an operator starts the feed whenever it is out of service. Tell whether it fed."""
        until_s, fed = self.loop.now_s + seconds, False
        while self.loop.now_s < until_s:
            sequence = self.loop.state.sequence
            idle = not sequence.in_service or sequence.state.value == "stopped"
            if idle and self.loop.now_s > self._asked_s + ASK_EVERY_S:
                self._asked_s = self.loop.now_s
                self._scan(self._command(CommandKind.START_FEED))
            else:
                self._scan()
            fed |= self.loop.state.sequence.state.value == "feeding"
        return fed

    def _restart_daemon(self, away_s: float) -> None:
        """Start anew from what the journal keeps (app/standing.py); meanwhile nobody writes."""
        loop, before = self.loop, self.loop.state
        loop.rig.advance(away_s)
        fresh = first_state(loop.core.params)
        loop.state = replace(
            fresh,
            control_enabled=before.control_enabled,
            mix_id=before.mix_id,
            outlet=replace(fresh.outlet, next_number=before.outlet.next_number, older_mix=before.mix_id),
            plant=replace(fresh.plant, moisture=before.plant.moisture),
            totals=before.totals,
            weighing=replace(fresh.weighing, factor_kg_rev=before.weighing.factor_kg_rev),
        )
        loop.blocks = [NEVER_READ] * len(loop.blocks)
        loop.due_s = [0.0] * len(loop.due_s)
        loop.writes = [WriteStatus(WriteStage.NONE, read_back_words=self._held(i)) for i in range(len(loop.writes))]

    def _restart_feeder(self, away_s: float) -> None:
        self.loop.rig.do("power_dip", plant=False, tared=False)
        self._work(away_s)
        self.loop.rig.do("power_back")
        self._reached_s = 0.0

    def _restart_gateway(self, away_s: float) -> None:
        self.loop.rig.do("link_dead", server="feeder")
        self._work(away_s)
        self.loop.rig.do("link_back", server="feeder")

    def _held(self, output: int) -> tuple[int, ...]:
        spec = self.loop.site.params.outputs[output]
        name = self.loop.names[spec.device]
        register = spec.register
        return self.loop.rig.banks[name].read(register.table.value, register.address, register.count)

    def _held_speed(self) -> float:
        register = self.loop.site.params.outputs[self._speed].register
        return decode_si(register, self._held(self._speed))[0] or 0.0

    def _scan(self, *commands: Command) -> None:
        loop = self.loop
        reachable = loop.rig.link_up("feeder")
        before = self._held_speed() if reachable else 0.0
        result = loop.scan(*commands)
        self._reached_s += result.dt_s
        if reachable and loop.rig.link_up("feeder") and result.outputs.write_enabled:
            self._judge(result, before, self._held_speed())
            self._reached_s = 0.0
        self._factor = believable_factor(result.state.weighing, loop.core.params.weighing)

    def _judge(self, result: StepResult, before: float, after: float) -> None:
        """Judge a change of the auger's speed [rev/s] on the wire."""
        params, tally = self.loop.core.params, self.tally
        tally.writes += 1
        if not is_armed(result.state, params):
            tally.early += 1
        if after in (before, 0.0):
            return  # a stop passes the ramp
        spec = params.outputs[self._speed]
        count = spec.register.scale / 60.0
        factor = believable_factor(result.state.weighing, params.weighing)
        allowed = (
            params.feed.slew_kg_s2 * self._reached_s / factor + before * abs(factor - self._factor) / factor + count
        )
        least = params.feed.min_speed_rev_s
        # From rest the auger begins at its lowest speed: below it there is none.
        change = abs(after - before) if before > 0.0 else max(0.0, after - least)
        tally.worst = max(tally.worst, change / allowed)
        if change > allowed:
            tally.jumps += 1
            if len(tally.shown) < _MOST_SHOWN:
                tally.shown.append(
                    f"at {self.loop.rig.now_s:.1f} s: {before:.4f} to {after:.4f} rev/s, {allowed:.4f} allowed"
                )


def run_here(restarts: int, seed: int) -> Result:
    """Run in this process."""
    one = Restarts(seed)
    one.run(restarts)
    tally = one.tally
    return {
        "restarts": dict(tally.restarts), "under_way": dict(tally.under_way), "writes": tally.writes,
        "jumps": tally.jumps, "early": tally.early, "worst": tally.worst, "fed_after": tally.fed_after,
        "shown": tally.shown,
    }  # fmt: skip


def campaign(restarts: int, seed: int, processes: int) -> Result:
    """Run it whole and note the result. Returns it."""
    began_s = time.perf_counter()
    parts = side_by_side(run_here, [(-(-restarts // processes), seed + 1000 * n) for n in range(processes)])
    counted: Counter[str] = Counter()
    under_way: Counter[str] = Counter()
    for part in parts:
        counted.update(part["restarts"])
        under_way.update(part["under_way"])
    jumps = sum(part["jumps"] for part in parts)
    writes = sum(part["writes"] for part in parts)
    result: Result = {
        "campaign": "restarts", "restarts": dict(counted), "under_way": dict(sorted(under_way.items())),
        "writes": writes, "jumps": jumps, "early": sum(part["early"] for part in parts),
        "bound_95": upper_bound(jumps, sum(counted.values())), "worst": round(max(part["worst"] for part in parts), 3),
        "fed_after": sum(part["fed_after"] for part in parts),
        "shown": [shown for part in parts for shown in part["shown"]],
        "seeds": [seed + 1000 * n for n in range(processes)], "duration_s": round(time.perf_counter() - began_s, 1),
    }  # fmt: skip
    path = note("restarts", result)
    say(f"{path.name}: {jumps} jumps in {writes} writes over {sum(counted.values())} restarts")
    return result
