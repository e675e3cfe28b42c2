"""What every command over a recorded run does first: find the file, choose the run, replay the part asked for."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from rich.console import Console
from rich.progress import Progress

from crumbmeter.adapters.clock import machine_pause
from crumbmeter.cli.kept_site import SettingsGoneError, kept_site
from crumbmeter.control.params import Params
from crumbmeter.control.step import StepResult
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, scans
from crumbmeter.ledger.stamped import BOOT, ROW, SCANS
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.runtime.replay import NothingToReplayError, Replay
from crumbmeter.runtime.travelrecord import TravelRecord
from crumbmeter.site import Site, SiteRefusedError, report

G = TypeVar("G")
PAUSE_S = 0.2
SLACK_S = 5.0
"""[s] Real time that the disk may take beyond a block's own."""
ROW_S = 1.5
SHOWN_EVERY = 100
"""Scans between two moves of the progress bar."""


class UnreadableRunError(CrumbmeterError):
    """The run cannot be read; the text says why, in the words of the command's user."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Which part of the run; times in s since its first recorded scan."""

    from_s: float = 0.0
    to_s: float | None = None

    def holds(self, at_s: float) -> bool:
        """Tell whether a time lies in it."""
        return at_s >= self.from_s and not self.is_over(at_s)

    def is_over(self, at_s: float) -> bool:
        """Tell whether a time lies behind it, so that nothing later belongs to it."""
        return self.to_s is not None and at_s > self.to_s


@dataclass(frozen=True, slots=True)
class Scan:
    """One scan of the stretch."""

    result: StepResult
    after_gap: bool
    """Scans are missing before it."""


@dataclass(frozen=True, slots=True)
class Gathered(Generic[G]):
    """What was gathered from a run."""

    boot_id: str
    gaps: int
    """Places where scans are missing, up to the end of the stretch."""
    held: G


def journal_file(journal: Path) -> Path:
    """Return the journal's file, also where its folder is named."""
    return journal / "journal.db" if journal.is_dir() else journal


def choose_run(reader: Reader, wanted: str | None) -> str:
    """Find the run that is meant; the newest by default."""
    known = [boots.read(stored).boot_id for stored in reader.entries("record", (BOOT,), newest_first=True)]
    for boot_id in known:
        if wanted is None or boot_id.startswith(wanted):
            return boot_id
    there = ", ".join(boot_id[:8] for boot_id in known[:10]) or "none"
    raise NothingToReplayError(f"no run {wanted or ''} in the journal; newest runs: {there}")


def wait_for_record(site: Site, last_s: float) -> None:
    """Wait until the record holds a process time [s]: rows come each second, scans in blocks of some thirty seconds.

    What has not come after a block's time and some seconds is not waited for.
    """
    longest_s = SLACK_S + scans.BLOCK_SCANS * site.params.scan_period_s / site.clock_rate
    for _ in range(round(longest_s / PAUSE_S)):
        with Reader(journal_file(site.journal.folder)) as reader:
            newest = (reader.last(ROW), reader.last(SCANS, "image"))
        if all(one is not None and one.mono_us / 1e6 >= last_s - ROW_S for one in newest):
            return
        machine_pause(PAUSE_S)


def run_second(journal: Path, now_s: float, boot: str | None = None) -> float:
    """[s] Return a process time as seconds since the first recorded scan of a run.

    Raises:
        UnreadableRunError: no such journal or run, or it holds no scan.
    """
    try:
        with Reader(journal_file(journal)) as reader:
            first = next(scans.iterate(reader, choose_run(reader, boot)), None)
    except (JournalUnreadableError, NothingToReplayError) as problem:
        raise UnreadableRunError(str(problem)) from problem
    if first is None:
        raise UnreadableRunError("that run holds no scan")
    return max(0.0, now_s - first[2].image.now_s)


def gather(
    journal: Path, boot: str | None, stretch: Stretch | None, gatherer: Callable[[Iterator[Scan]], G]
) -> Gathered[G]:
    """Replay a stretch of a recorded run, with a progress bar, and give its scans to somebody who gathers.

    Args:
        journal: The journal's file, or its folder.
        boot: First characters of the run's boot id; None: the newest run.
        stretch: Part of the run; None: all of it.
        gatherer: Takes the scans in their order; there may be none.

    Raises:
        UnreadableRunError: no such journal, run or settings, or a stretch that ends before it begins.
    """
    part = stretch or Stretch()
    if part.to_s is not None and part.to_s <= part.from_s:
        raise UnreadableRunError(f"--from {part.from_s:g} is not before --to {part.to_s:g}")
    try:
        with Reader(journal_file(journal)) as reader:
            boot_id = choose_run(reader, boot)
            run = Replay(reader, boot_id, lambda wanted: kept_site(reader, wanted).params)
            held = gatherer(_scans(run, part))
            return Gathered(boot_id, run.report.gaps, held)
    except (JournalUnreadableError, NothingToReplayError, SettingsGoneError) as problem:
        raise UnreadableRunError(str(problem)) from problem
    except SiteRefusedError as refused:
        words = "this version refuses the settings of that run\n" + report(refused.problems)
        raise UnreadableRunError(words.rstrip()) from refused


def _scans(run: Replay, stretch: Stretch) -> Iterator[Scan]:
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as shown:
        task = shown.add_task("replaying", total=None)
        first_s: float | None = None
        gaps = 0
        for scan in run.scans():
            now_s = scan.record.image.now_s
            first_s = now_s if first_s is None else first_s
            if stretch.is_over(now_s - first_s):
                return
            if stretch.holds(now_s - first_s):
                yield Scan(scan.result, after_gap=run.report.gaps > gaps)
                gaps = run.report.gaps
            if scan.number % SHOWN_EVERY == 0:
                shown.update(task, completed=scan.number)


def gather_travels(scans: Iterator[Scan]) -> tuple[Params, TravelRecord] | None:
    """Gather what the estimator of travel wants of a run, with the settings of its first scan; None: no scan."""
    held: tuple[Params, TravelRecord] | None = None
    for scan in scans:
        params = scan.result.params
        held = held or (params, TravelRecord(params))
        held[1].take(scan.result)
    return held
