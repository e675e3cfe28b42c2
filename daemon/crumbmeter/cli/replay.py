"""`crumbmeter replay JOURNAL`: every recorded scan through the same core, compared bit for bit."""

import json
import sys
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.kept_site import SettingsGoneError, kept_site
from crumbmeter.cli.recorded import SHOWN_EVERY, choose_run, journal_file
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.runtime.replay import NothingToReplayError, Replay, ReplayReport
from crumbmeter.site import SiteRefusedError, report


def replay(journal: Path, boot: str | None = None, *, as_json: bool = False, events: bool = False) -> int:
    """Replay one run from its journal.

    Args:
        journal: The journal's file, or its folder.
        boot: First characters of the run's boot id; None: the newest run.
        as_json: Print JSON instead of words.
        events: Also print every event of the replay, with its time in the run.

    Returns:
        Exit code: 0 the same bit for bit, 1 it differs, 2 it cannot be replayed.
    """
    try:
        with Reader(journal_file(journal)) as reader:
            boot_id = choose_run(reader, boot)
            outcome = _play(Replay(reader, boot_id, lambda wanted: kept_site(reader, wanted).params), events=events)
    except (JournalUnreadableError, NothingToReplayError, SettingsGoneError) as problem:
        sys.stderr.write(f"cannot replay: {problem}\n")
        return REFUSED
    except SiteRefusedError as refused:
        sys.stderr.write("cannot replay: this version refuses the settings of that run\n" + report(refused.problems))
        return REFUSED
    sys.stdout.write((_as_json(outcome) if as_json else _as_words(outcome)) + "\n")
    return FAILED if outcome.differing else OK


def _play(run: Replay, *, events: bool) -> ReplayReport:
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as shown:
        task = shown.add_task("replaying", total=None)
        first_s: float | None = None
        for scan in run.scans():
            now_s = scan.record.image.now_s
            first_s = now_s if first_s is None else first_s
            if events:
                for happened in scan.result.events:
                    detail = " ".join(f"{key}={value}" for key, value in happened.detail)
                    sys.stdout.write(f"{now_s - first_s:10.1f} s  {happened.name}  {detail}\n")
            if scan.number % SHOWN_EVERY == 0:
                shown.update(task, completed=scan.number)
    return run.report


def _as_json(outcome: ReplayReport) -> str:
    return json.dumps(
        {
            "boot_id": outcome.boot_id,
            "scans": outcome.scans,
            "process_s": round(outcome.process_s, 3),
            "differing": outcome.differing,
            "first_difference": outcome.first_difference,
            "gaps": outcome.gaps,
            "skipped": outcome.skipped,
            "exchanges": outcome.exchanges,
        },
        indent=2,
    )


def _as_words(outcome: ReplayReport) -> str:
    minutes = outcome.process_s / 60.0
    words = [f"Run {outcome.boot_id[:8]}: {outcome.scans} scans replayed, {minutes:.1f} min of process time."]
    if outcome.exchanges:
        words.append(f"Other settings came into force {outcome.exchanges} times on the way; the replay took each.")
    if outcome.gaps or outcome.skipped:
        words.append(f"{outcome.gaps} gaps in the record; {outcome.skipped} scans behind them could not be replayed.")
    if outcome.differing:
        words.append(
            f"{outcome.differing} scans gave other outputs than then; the first is scan {outcome.first_difference}."
        )
    else:
        words.append("Every output is the same as then, bit for bit.")
    return "\n".join(words)
