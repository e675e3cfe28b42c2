"""A replay goes through other settings put in force on the way, and notices where the record of that does not fit."""

from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.control.adopting import adopted
from crumbmeter.control.params import Params
from crumbmeter.control.state import State
from crumbmeter.control.step import make_core
from crumbmeter.journal.entry import Appendable
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.boots import boot
from crumbmeter.ledger.in_force import Applied, InForce, agreed, newest
from crumbmeter.model.commands import CommandKind
from crumbmeter.model.frozen import replace as other
from crumbmeter.runtime.recorder import SNAPSHOT_S, Recorder
from crumbmeter.runtime.replay import Replay, ReplayReport
from tests.cores import Bench, command, make_params
from tests.unit.journal.making import BOOT, NEVER_LOW, NOW, write
from tests.unit.outward.samples import scan

NOW_PARAMS = make_params()
OTHER = other(NOW_PARAMS, settings_id="e" * 64, feed=other(NOW_PARAMS.feed, trim_share=0.1, slew_kg_s2=0.01))


ROOMY = replace(Limits(), disk=NEVER_LOW)


class Run:
    """The small plant, recorded, with other settings from some scan on."""

    def __init__(self) -> None:
        self.bench = Bench(NOW_PARAMS)
        self.entries: list[Appendable] = []
        self.recorder = Recorder(NOW_PARAMS, self.entries.extend, clock_synced=True)
        began = boot(BOOT, "test", NOW_PARAMS.settings_id, clock_synced=True, simulated=False)
        self.recorder.begin(began, None, self.bench.state, self.bench.now_s, NOW.wall_us)

    def scan(self, *kinds: CommandKind) -> None:
        subject = self.bench.core.params.settings_id
        asked = tuple(command(kind, subject) for kind in kinds)
        result = self.bench.scan(*asked)
        self.recorder.take(
            replace(
                scan(), began_s=self.bench.now_s, dt_s=result.dt_s, image=result.shown.image, commands=asked,
                events=result.events, parcels=result.parcels, view=result.view,
            ),
            result,
        )  # fmt: skip
        self.bench.obey()

    def play(self, seconds: float) -> None:
        for _ in range(round(seconds / self.bench.dt_s)):
            self.scan()

    def exchange(self, params: Params, state: State) -> None:
        kept = state.control_enabled
        was = self.bench.core.params.settings_id
        self.bench.core, self.bench.state = make_core(params), state
        at = self.recorder.stamped(self.bench.now_s, NOW.wall_us)
        self.recorder.exchange(params, None, Applied(params.settings_id, was, 0, kept, "ana", "a test"), state, at)

    def replayed(self, path: Path) -> ReplayReport:
        self.recorder.end(self.bench.now_s, NOW.wall_us)
        write(path, [self.entries], ROOMY)
        with Reader(path) as reader:
            known = {params.settings_id: params for params in (NOW_PARAMS, OTHER)}
            run = Replay(reader, BOOT, known.__getitem__)
            for _ in run.scans():
                pass
            return run.report


def fed(seconds: float) -> Run:
    run = Run()
    run.scan(CommandKind.ENABLE_CONTROL)
    run.scan(CommandKind.START_FEED)
    run.play(seconds)
    return run


@pytest.mark.parametrize("seconds", [30.0, SNAPSHOT_S - 0.4, SNAPSHOT_S + 0.2])
def test_a_replay_goes_through_it_also_where_a_snapshot_is_due_just_then(tmp_path: Path, seconds: float) -> None:
    run = fed(seconds)
    run.exchange(OTHER, adopted(run.bench.state, control_kept=False))
    run.scan(CommandKind.ENABLE_CONTROL)
    run.scan(CommandKind.START_FEED)
    run.play(70.0)
    run.exchange(NOW_PARAMS, adopted(run.bench.state, control_kept=True))
    run.play(20.0)
    report = run.replayed(tmp_path / "journal.db")
    assert (report.differing, report.gaps, report.skipped, report.exchanges) == (0, 0, 0, 2)
    assert report.scans == round((seconds + 90.0) / 0.2) + 4
    with Reader(tmp_path / "journal.db") as reader:
        assert newest(reader) == NOW_PARAMS.settings_id
        assert agreed(reader, NOW_PARAMS.settings_id) == {NOW_PARAMS.settings_id, OTHER.settings_id}
        assert agreed(reader, OTHER.settings_id) == {OTHER.settings_id}
        assert InForce().learn(reader).at("of another run", 5) == ""


def test_a_state_that_does_not_follow_is_a_difference(tmp_path: Path) -> None:
    run = fed(30.0)
    forged = other(run.bench.state, caught_kg=7.0)
    run.exchange(OTHER, forged)
    run.play(5.0)
    report = run.replayed(tmp_path / "journal.db")
    assert (report.differing, report.exchanges, report.first_difference) == (1, 1, 152)


def test_without_the_exchange_the_same_scans_would_differ(tmp_path: Path) -> None:
    run = fed(30.0)
    run.exchange(OTHER, adopted(run.bench.state, control_kept=True))
    run.bench.values["aggregate"] *= 0.6
    run.play(20.0)
    run.recorder.end(run.bench.now_s, NOW.wall_us)
    write(tmp_path / "journal.db", [run.entries], ROOMY)
    with Reader(tmp_path / "journal.db") as reader:
        blind = Replay(reader, BOOT, lambda _wanted: NOW_PARAMS)
        for _ in blind.scans():
            pass
    assert blind.report.differing > 0
