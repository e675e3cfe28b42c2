"""`crumbmeter timing SITE`: guided start-up and step tests, and the times that they show."""

import getpass
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.adapters.control_line import NoDaemonError
from crumbmeter.cli.exits import FAILED, NO_DAEMON, OK, REFUSED
from crumbmeter.cli.following import Ended, Progress, ask, follow
from crumbmeter.cli.quality_work import Places
from crumbmeter.cli.recorded import Stretch, UnreadableRunError, gather, gather_travels, run_second, wait_for_record
from crumbmeter.cli.screen import columns
from crumbmeter.cli.timing_lines import offer
from crumbmeter.commission.step_watch import StepWatch, Wanted, wanted_steps
from crumbmeter.commission.timing import Outcome, TimedRun, rate_words, timings_of
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger.quality import NotRecordedError, append
from crumbmeter.qc.timing import said_of
from crumbmeter.report.document import content
from crumbmeter.report.sources import NoAnswerError, Span, opened
from crumbmeter.report.taking import file_bytes
from crumbmeter.report.terminal import text
from crumbmeter.report.timing import document
from crumbmeter.site import Site, SiteRefusedError, report

LEAST_S: Final = 120.0
"""[s] A stretch that is shorter holds no travel."""
CAUTIONS: Final = """\
Steps move machinery, hot mix and a line under pressure. Nobody works at feeder, line or drum while they are made; lock
out and tag out before anybody does. Local rules come first. This command watches and writes nothing to the plant."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked for."""

    boot: str | None = None
    stretch: Stretch | None = None
    """None: watch the running daemon."""
    minutes: float = 90.0
    """[min] Longest watch, in process time."""
    coverage: float = 0.95
    who: str = ""
    put: bool = True
    """Whether the result goes on record."""
    apply: bool = False
    """Whether to offer the lines for the site file."""
    output: Path | None = None
    as_json: bool = False


def timing(places: Places, asked: Asked, answer: Callable[[str], str] = input) -> int:
    """Run the test, or look at one on record.

    Returns:
        Exit code: 0 something was identified, 1 nothing was, 2 refused, 3 no daemon.
    """
    site = places.load()
    if site is None:
        return REFUSED
    stretch = asked.stretch
    if stretch is None:
        try:
            watched = _watch(site, asked.minutes)
        except NoDaemonError as fault:
            sys.stderr.write(f"{fault}\nA test on record is looked at with --from and --to.\n")
            return NO_DAEMON
        if watched is None:
            return REFUSED
        stretch = watched
    try:
        return _judge(places, site, asked, stretch, answer)
    except (UnreadableRunError, NoAnswerError, JournalUnreadableError, NotRecordedError, OSError) as problem:
        sys.stderr.write(f"no timing: {problem}\n")
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
    return REFUSED


def _judge(places: Places, site: Site, asked: Asked, stretch: Stretch, answer: Callable[[str], str]) -> int:
    gathered = gather(site.journal.folder, asked.boot, stretch, gather_travels)
    if gathered.held is None or gathered.held[1].duration_s < LEAST_S:
        length_s = 0.0 if gathered.held is None else gathered.held[1].duration_s
        sys.stderr.write(
            f"no timing: {length_s:.0f} s of run {gathered.boot_id[:8]} lie in that stretch, at least {LEAST_S:g} s "
            "are needed; a drum alone takes minutes.\n"
        )
        return REFUSED
    params, record = gathered.held
    who = f"{asked.who or getpass.getuser()} (command line)"
    tested = TimedRun(gathered.boot_id, params, stretch.from_s, record)
    outcome = timings_of(tested, asked.coverage, who, machine_wall_us())
    found_by = f"timing of run {gathered.boot_id[:8]}"
    if asked.put:
        flags = SIMULATED if params.simulated else 0
        saids = [said_of(one) for one in outcome.timings]
        put = append(site.desk.quality_folder, saids, machine_wall_us, machine_pause, flags=flags)
        sys.stderr.write(f"on record as entries {put[0].seq} to {put[-1].seq}\n")
        found_by = f"timing {put[0].seq} to {put[-1].seq}"
    _show(site, outcome, asked)
    if outcome.lines and asked.apply:
        offer(places.site, site.desk.quality_folder, outcome.lines, found_by, who, answer)
    return OK if outcome.lines else FAILED


def _show(site: Site, outcome: Outcome, asked: Asked) -> None:
    with opened(site) as sources:
        best = outcome.found.travels[0] if outcome.found.travels else None
        said_us = machine_wall_us()
        made = document(
            sources.frame(Span(0, 1 << 62)),
            outcome.timings,
            [(f"{one.table}.{one.key}", one.in_force, one.text) for one in outcome.lines],
            rate_words(best),
        )
        if asked.output is not None:
            kind = asked.output.suffix.removeprefix(".")
            asked.output.write_bytes(file_bytes(made, kind, sources.plan.place.logo, said_us))
            sys.stdout.write(f"{asked.output}\n")
        elif asked.as_json:
            sys.stdout.write(json.dumps(content(made), indent=1, allow_nan=False) + "\n")
        else:
            sys.stdout.write(text(made, columns()))


def _watch(site: Site, minutes: float) -> Stretch | None:
    """Guide through the steps at a running daemon; return the stretch of its run that was watched."""
    steps = wanted_steps(site.params)
    if not steps:
        sys.stderr.write("no timing: this site reads nothing behind the drum, no line pressure and no auger speed\n")
        return None
    settings = ask(site.socket, {"ask": "settings"})
    if settings.get("settings_id") != site.params.settings_id:
        sys.stderr.write(
            f"no timing: the daemon runs with settings {str(settings.get('settings_id'))[:12]}, the file is "
            f"{site.params.settings_id[:12]}: start the daemon on this file first\n"
        )
        return None
    out = Progress()
    out.say(CAUTIONS)
    out.say("")
    for one in steps:
        out.say(f"  {one.name:<10} {one.do}; then {one.after_s / 60.0:.1f} min without another. Shows {one.shows}.")
    out.say("Begin with an empty drum. Ctrl-C ends the watch; what was seen by then is judged.")
    watcher = _Watcher(StepWatch(site.params), steps, minutes * 60.0, out)
    ended = follow(site.socket, watcher.take)
    out.say(f"The watch ended: {ended.value}.")
    if watcher.began_s is None:
        return None
    wait_for_record(site, watcher.watch.now_s)
    first_s = run_second(site.journal.folder, watcher.began_s)
    return Stretch(first_s, first_s + watcher.watch.now_s - watcher.began_s)


class _Watcher:
    def __init__(self, watch: StepWatch, steps: tuple[Wanted, ...], longest_s: float, out: Progress) -> None:
        self.watch, self._steps, self._longest_s, self._out = watch, steps, longest_s, out
        self.began_s: float | None = None

    def take(self, view: dict[str, object]) -> Ended | None:
        """Take a view."""
        for name in self.watch.take(view):
            self._out.say(f"{self._at()} seen: {name}")
        if self.began_s is None:
            self.began_s = self.watch.now_s
        self._out.show(f"{self._at()} {'; '.join(self._standing(one) for one in self._steps)}")
        if self.watch.done(self._steps) or self.watch.now_s - self.began_s > self._longest_s:
            return Ended.DONE
        return None

    def _at(self) -> str:
        passed_s = 0.0 if self.began_s is None else self.watch.now_s - self.began_s
        return f"[{passed_s / 60.0:5.1f} min]"

    def _standing(self, one: Wanted) -> str:
        left_s = self.watch.left_s(one)
        if left_s is None:
            return f"{one.name}: wanted"
        return f"{one.name}: done" if left_s == 0.0 else f"{one.name}: {left_s:.0f} s more"
