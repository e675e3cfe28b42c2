"""Guides people through an acceptance run at a running daemon: monitor only, then control, one line of progress."""

import contextlib
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from crumbmeter.cli.display import METRIC, US, Display, amount
from crumbmeter.cli.do import DONE, do
from crumbmeter.cli.following import Ended, Progress, ask, follow
from crumbmeter.report.sources import NoAnswerError, Span
from crumbmeter.site import Site

FEED_WAIT_S: Final = 1800.0
"""[s] So long after control has been enabled the feed may take to run: warning, blower, purge, and the mix's way."""
CAUTIONS: Final = """\
In the second half MACHINERY STARTS BY ITSELF when the mix comes. Nobody works at feeder, line or drum then; lock out
and tag out before anybody does. Dust, hot mix, a line under pressure, moving augers: local rules come first. crumbmeter
is no safety function, and a software stop is not lock-out. The plant's own stop stays within reach."""


@dataclass(frozen=True, slots=True)
class Guided:
    """Which time it took, and whether it came to its end."""

    span: Span
    finished: bool
    why_not: str


@dataclass(frozen=True, slots=True)
class RunEnd:
    """How the guided run ended."""

    finished: bool
    why_not: str
    last_s: float
    """[s] Process time of the last view."""


@dataclass(slots=True)
class _Part:
    """One half of the run."""

    name: str
    lasts_s: float
    control: bool
    out: Progress
    display: Display
    began_s: float | None = None
    since_s: float | None = None
    """Counted from here: from the first view, or from when the feed runs."""
    last_s: float = 0.0
    why: str = ""
    alarms: set[str] = field(default_factory=set)

    def take(self, view: dict[str, Any]) -> Ended | None:
        """Take a view; say what is new, and when the half is over."""
        self.last_s = float(view["process_time_s"])
        self.began_s = self.last_s if self.began_s is None else self.began_s
        if bool(view["control_enabled"]) is not self.control:
            self.why = "control was enabled too early" if not self.control else "control was given back"
            return Ended.REFUSED
        if self.since_s is None and (not self.control or view["run_state"] == "feeding"):
            self.since_s = self.last_s
            self.out.say(f"{self.name}: begins now, {self.lasts_s / 60.0:g} min")
        if self.since_s is None and self.last_s - self.began_s > FEED_WAIT_S:
            self.why = f"the feed did not run within {FEED_WAIT_S / 60.0:g} min: {view['run_reason']}"
            return Ended.REFUSED
        for one in view["alarms"]:
            if one["alarm_id"] not in self.alarms:
                self.alarms.add(one["alarm_id"])
                self.out.say(f"{self.name}: alarm {one['alarm_id']}: {one['text']}")
        self.out.show(self._line(view))
        if self.since_s is not None and self.last_s - self.since_s >= self.lasts_s:
            return Ended.DONE
        return None

    def _line(self, view: dict[str, Any]) -> str:
        passed = 0.0 if self.since_s is None else (self.last_s - self.since_s) / 60.0
        fed = (view["fed_kg_s"] or {}).get("value")
        asked = (view["setpoint_kg_s"] if self.control else view["wanted_kg_s"]) or 0.0
        feed, state = self.display.feed, f", {view['run_state']}" if self.control else ""
        verb = "asks" if self.control else "would ask"
        off = view.get("window_error_fraction")
        window = "" if off is None else f", last tons {100.0 * off:+.1f} %"
        poor = sum(1 for one in view["signals"] if one["value"] is None)
        return (
            f"[{passed:4.1f} of {self.lasts_s / 60.0:g} min] {self.name}{state}: mix "
            f"{amount(view['mix_rate_kg_s'] or 0.0, self.display.mix, 0)}, {verb} {amount(asked, feed)}, "
            f"feeder {amount(fed, feed)}{window}, {poor} signals without value, {len(view['alarms'])} alarms"
        )


class Guide:
    """One guided run."""

    def __init__(self, site: Site, lasts_s: float, answer: Callable[[str], str]) -> None:
        """Prepare.

        Args:
            site: As its file says; the daemon must run on the same.
            lasts_s: [s] Process time of both halves together.
            answer: Asks the person at the terminal.
        """
        self._site, self._half_s, self._answer = site, lasts_s / 2.0, answer
        self._out = Progress()
        self._display = METRIC if site.units == "metric" else US
        self._last_s = 0.0

    def run(self) -> RunEnd:
        """Go through it.

        Raises:
            NoDaemonError: no daemon answers.
            NoAnswerError: the daemon or the site is not as a run needs it; the text says what to do.
        """
        self._look()
        self._out.say(CAUTIONS)
        self._out.say(
            f"First {self._half_s / 60.0:g} min in monitor only, then {self._half_s / 60.0:g} min in control with the "
            "feed running. Make mix with rubber at the job's rate all "
            "the time; change the rate once in each half.\nCtrl-C ends it; it is then on record as not finished."
        )
        if not self._means("Begin? Type yes: "):
            raise NoAnswerError("not begun")
        for step in (self._watch, self._enable, self._control):
            why = step()
            if why:
                self._out.say(f"Ended before its end: {why}.")
                return RunEnd(False, why, self._last_s)
        self._out.say("Done. Control stays enabled; `crumbmeter do monitor-only` gives it back.")
        return RunEnd(True, "", self._last_s)

    def _look(self) -> None:
        settings, ours = ask(self._site.socket, {"ask": "settings"}), self._site.params.settings_id
        if settings.get("settings_id") != ours:
            raise NoAnswerError(
                f"the daemon runs with settings {str(settings.get('settings_id'))[:12]}, the file is {ours[:12]}: "
                "start the daemon on this file first"
            )
        if not self._site.params.control_allowed:
            raise NoAnswerError("[control] allowed is false: such a site can only watch; allow control for this run")
        view = ask(self._site.socket, {"ask": "view"})
        if view.get("control_enabled"):
            raise NoAnswerError("control is enabled: the run begins in monitor only; `crumbmeter do monitor-only`")

    def _means(self, words: str) -> bool:
        try:
            return self._answer(words).strip().lower() in {"y", "yes"}
        except (EOFError, KeyboardInterrupt):
            return False

    def _follow(self, part: _Part) -> str:
        ended = follow(self._site.socket, part.take)
        self._last_s = max(self._last_s, part.last_s)
        return "" if ended is Ended.DONE else f"{part.name}: {part.why or ended.value}"

    def _watch(self) -> str:
        return self._follow(_Part("monitor only", self._half_s, control=False, out=self._out, display=self._display))

    def _control(self) -> str:
        return self._follow(_Part("in control", self._half_s, control=True, out=self._out, display=self._display))

    def _enable(self) -> str:
        """Have control enabled and the feed put in service, by the command or in another terminal."""
        for words, key, name in (
            ("enable-control", "control_enabled", "control was not enabled"),
            ("start-feed", "in_service", "the feed was not put in service"),
        ):
            if ask(self._site.socket, {"ask": "view"}).get(key):
                continue
            self._out.say(f"Now: crumbmeter do {words} --socket {self._site.socket}")
            meant = self._means("Type yes and this command asks for it; or do it in another terminal, then Enter: ")
            if meant and self._do(words) != DONE:
                return name
            if not ask(self._site.socket, {"ask": "view"}).get(key):
                return name
        return ""

    def _do(self, words: str) -> int:
        with contextlib.redirect_stdout(sys.stderr):  # what goes to the output is the report alone
            return do(self._site.socket, words, yes=True)
