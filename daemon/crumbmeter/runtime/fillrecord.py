"""What the weighing filter was given in a run, gathered scan by scan from a replay, to run it again otherwise."""

from crumbmeter.control.params import Params
from crumbmeter.control.state import State
from crumbmeter.control.step import StepResult
from crumbmeter.estimation.air_decay import Weighed
from crumbmeter.signals.settle import PASSED_BY, for_control


class FillRecord:
    """Gathers; asked at the end, it gives the scans."""

    def __init__(self, params: Params) -> None:
        """Prepare."""
        self._params = params
        self._before: State | None = None
        self._interrupted = False
        self.scans: list[Weighed] = []
        """In their order; the first scan of a stretch is left out."""

    def interrupt(self) -> None:
        """Say that scans are missing before the next one: its weight begins anew."""
        self._before, self._interrupted = None, True

    def take(self, result: StepResult) -> None:
        """Take one scan. The first one only tells where the second begins."""
        before, state, params = self._before, result.state, self._params
        self._before = state
        if before is None:
            return
        place = params.weighing.hopper_mass
        weight, was = state.signals[place], before.signals[place]
        reading = result.shown.readings[place]
        fresh = weight.received_s > was.received_s and reading.reason not in PASSED_BY
        readings = for_control(result.shown.readings, params.signals)
        gate = None if params.weighing.refilling is None else readings[params.weighing.refilling].value
        way_rev = state.weighing.turned_rev - before.weighing.turned_rev
        self.scans.append(
            Weighed(
                dt_s=result.dt_s,
                weight_kg=readings[place].value if fresh else None,
                speed_rev_s=way_rev / result.dt_s if result.dt_s > 0.0 else 0.0,
                gate=None if gate is None else gate > 0.5,
                rebased=self._interrupted or weight.rebased or (was.remarked and not weight.remarked),
                leak=before.fills.correction,
            )
        )
        self._interrupted = self._interrupted and not fresh
