"""`crumbmeter travel JOURNAL`: what drum, line and auger took in a recorded run, and what follows for the site."""

import json
import sys
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.kept_site import SettingsGoneError, kept_site
from crumbmeter.cli.replay import choose_run
from crumbmeter.cli.travel_text import Told, as_json, as_words
from crumbmeter.control.params import Params
from crumbmeter.estimation.travel.discharge import Doubts
from crumbmeter.estimation.travel.findings import find, site_lines
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.runtime.replay import NothingToReplayError, Replay
from crumbmeter.runtime.travelrecord import TravelRecord
from crumbmeter.site import SiteRefusedError, report

LEAST_S = 120.0
"""[s] A stretch that is shorter holds no travel."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Which part of the run; times in s since its first recorded scan."""

    from_s: float = 0.0
    to_s: float | None = None

    def holds(self, at_s: float) -> bool:
        """Tell whether a time lies in it."""
        return at_s >= self.from_s and (self.to_s is None or at_s <= self.to_s)


def travel(
    journal: Path,
    boot: str | None = None,
    stretch: Stretch | None = None,
    *,
    coverage: float = 0.95,
    in_json: bool = False,
) -> int:
    """Find travel in a recorded run, and print what was measured, what was assumed, and what to write. Changes nothing.

    Args:
        journal: The journal's file, or its folder.
        boot: First characters of the run's boot id; None: the newest run.
        stretch: Part of the run; None: all of it.
        coverage: Of every interval.
        in_json: Print JSON instead of words.

    Returns:
        Exit code: 0 something was found, 1 nothing could be, 2 it cannot be read.
    """
    file = journal / "journal.db" if journal.is_dir() else journal
    part = stretch or Stretch()
    if part.to_s is not None and part.to_s <= part.from_s:
        sys.stderr.write(f"cannot find travel: --from {part.from_s:g} is not before --to {part.to_s:g}\n")
        return REFUSED
    try:
        with Reader(file) as reader:
            boot_id = choose_run(reader, boot)
            run = Replay(reader, boot_id, lambda wanted: kept_site(reader, wanted).params)
            gathered = _gather(run, part)
    except (JournalUnreadableError, NothingToReplayError, SettingsGoneError) as problem:
        sys.stderr.write(f"cannot find travel: {problem}\n")
        return REFUSED
    except SiteRefusedError as refused:
        sys.stderr.write("cannot find travel: this version refuses the settings of that run\n")
        sys.stderr.write(report(refused.problems))
        return REFUSED
    if gathered is None or gathered[1].duration_s < LEAST_S:
        length_s = 0.0 if gathered is None else gathered[1].duration_s
        sys.stderr.write(
            f"cannot find travel: {length_s:.0f} s of run {boot_id[:8]} lie in that stretch, at least {LEAST_S:g} s "
            "are needed; a drum alone takes minutes. Leave --from and --to out, or choose them wider.\n"
        )
        return REFUSED
    told = _told(boot_id, *gathered, coverage, gaps=run.report.gaps)
    sys.stdout.write((json.dumps(as_json(told), indent=2) if in_json else as_words(told)) + "\n")
    return OK if told.lines else FAILED


def _gather(run: Replay, stretch: Stretch) -> tuple[Params, TravelRecord] | None:
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as shown:
        task = shown.add_task("replaying", total=None)
        record: TravelRecord | None = None
        params: Params | None = None
        first_s: float | None = None
        for scan in run.scans():
            now_s = scan.record.image.now_s
            first_s = now_s if first_s is None else first_s
            if stretch.holds(now_s - first_s):
                if record is None:
                    params = scan.result.params
                    record = TravelRecord(params)
                record.take(scan.result)
            shown.update(task, completed=scan.number)
    return None if record is None or params is None else (params, record)


def _told(boot_id: str, params: Params, record: TravelRecord, coverage: float, *, gaps: int) -> Told:
    drum, line, auger, doubts = record.drum(), record.line(), record.auger(), Doubts()
    found = find(drum, record.instruments(), line, auger, doubts, coverage)
    return Told(
        boot_id=boot_id,
        settings_id=params.settings_id,
        simulated=params.simulated,
        duration_s=record.duration_s,
        scans=record.scans,
        bad_scans=record.bad_scans,
        gaps=gaps,
        doubts=doubts,
        found=found,
        lines=tuple(site_lines(found, drum, line, auger)),
        trim_time_s=params.feed.trim_time_s,
        scan_s=params.scan_period_s,
        auger_lag_s=params.feed.auger_lag_s if found.auger is None else found.auger.time.value,
        line_s=params.line.travel_s if found.line is None else found.line.time.value,
    )
