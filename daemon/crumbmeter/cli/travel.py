"""`crumbmeter travel JOURNAL`: what drum, line and auger took in a recorded run, and what follows for the site."""

import json
import sys
from pathlib import Path

from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.recorded import Stretch, UnreadableRunError, gather, gather_travels
from crumbmeter.cli.travel_text import Told, as_json, as_words
from crumbmeter.control.params import Params
from crumbmeter.estimation.travel.discharge import Doubts
from crumbmeter.estimation.travel.findings import find, site_lines
from crumbmeter.runtime.travelrecord import TravelRecord

LEAST_S = 120.0
"""[s] A stretch that is shorter holds no travel."""


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
    try:
        gathered = gather(journal, boot, stretch, gather_travels)
    except UnreadableRunError as problem:
        sys.stderr.write(f"cannot find travel: {problem}\n")
        return REFUSED
    held = gathered.held
    if held is None or held[1].duration_s < LEAST_S:
        length_s = 0.0 if held is None else held[1].duration_s
        sys.stderr.write(
            f"cannot find travel: {length_s:.0f} s of run {gathered.boot_id[:8]} lie in that stretch, at least "
            f"{LEAST_S:g} s are needed; a drum alone takes minutes. Leave --from and --to out, or choose them wider.\n"
        )
        return REFUSED
    told = _told(gathered.boot_id, *held, coverage, gaps=gathered.gaps)
    sys.stdout.write((json.dumps(as_json(told), indent=2) if in_json else as_words(told)) + "\n")
    return OK if told.lines else FAILED


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
