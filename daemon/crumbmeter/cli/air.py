"""`crumbmeter air JOURNAL`: how fast fresh rubber gave off its air in a recorded run, as a line for the site."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.recorded import Scan, Stretch, UnreadableRunError, gather
from crumbmeter.control.params import Params
from crumbmeter.estimation.air_decay import DECAYS_S, LOST, DecayFit, fit_decay
from crumbmeter.runtime.fillrecord import FillRecord


def air(journal: Path, boot: str | None = None, stretch: Stretch | None = None, *, in_json: bool = False) -> int:
    """Find the decay of the air in the fills of a recorded run, and print it. Changes nothing.

    Args:
        journal: The journal's file, or its folder.
        boot: First characters of the run's boot id; None: the newest run.
        stretch: Part of the run; None: all of it.
        in_json: Print JSON instead of words.

    Returns:
        Exit code: 0 a line is proposed, 1 the fills cannot tell, 2 the run cannot be read.
    """
    try:
        gathered = gather(journal, boot, stretch, _fills)
    except UnreadableRunError as problem:
        sys.stderr.write(f"cannot find the air's decay: {problem}\n")
        return REFUSED
    if gathered.held is None:
        sys.stderr.write("cannot find the air's decay: no scan lies in that stretch; choose --from and --to wider\n")
        return REFUSED
    params, record = gathered.held
    found = fit_decay(record.scans, params.weighing)
    write = _json if in_json else _words
    sys.stdout.write(write(found, params, gathered.boot_id) + "\n")
    return OK if isinstance(found, DecayFit) and found.tells else FAILED


def _fills(scans: Iterator[Scan]) -> tuple[Params, FillRecord] | None:
    held: tuple[Params, FillRecord] | None = None
    for scan in scans:
        params = scan.result.params
        held = held or (params, FillRecord(params))
        if scan.after_gap:
            held[1].interrupt()
        held[1].take(scan.result)
    return held


def interval_words(found: DecayFit) -> str:
    """Write the interval; an end of what was tried is no bound."""
    low = f"{found.low_s:.0f} or less" if found.open_below else f"{found.low_s:.0f}"
    high = f"{found.high_s:.0f} or more" if found.open_above else f"{found.high_s:.0f}"
    return f"{low} to {high} s"


def _words(found: DecayFit | str, params: Params, boot_id: str) -> str:
    mark = ", SIMULATED" if params.simulated else ""
    in_force_s = params.weighing.fresh_air_decay_s
    head = f"Run {boot_id[:8]}{mark}, made with site {params.settings_id[:12]}."
    if isinstance(found, str):
        return f"{head}\nNot found: {found}. The site's {in_force_s:g} s stay assumed."
    lines = [
        head,
        f"{found.fills} fills, {found.weights} weights within three minutes of them ({found.share:.0%} of them count).",
        "Log-likelihood lost by each decay that was tried (1.92 ends the interval of 95 %):",
        f"  no air  {found.lost_without:6.2f}",
        *(f"  {decay_s:4.0f} s  {lost:6.2f}" for decay_s, lost in found.lost),
        "",
    ]
    if not found.tells:
        lines.append(
            f"These fills cannot tell: {_why_not(found)}. The site's {in_force_s:g} s stay assumed. A longer run, or a "
            "higher rate, tells more."
        )
        return "\n".join(lines)
    inside = "inside" if found.low_s <= in_force_s <= found.high_s else "OUTSIDE"
    why = f"{interval_words(found)}, was {in_force_s:g} ({inside}); measured; run {boot_id[:8]}"
    lines += [
        "The interval is of the likelihood alone: that rubber gives off its air as the filter has it is assumed. On",
        "made runs it was too narrow, and the decay came out up to 2.3 times too short (docs/decisions/0006).",
        "",
    ]
    lines += ["Proposed for the site file (nothing has been changed)", "-" * 53, "[feeder]"]
    return "\n".join([*lines, f"{f'fresh_air_decay_s = {found.decay_s:.0f}':<28}# {why}"])


def _why_not(found: DecayFit) -> str:
    if found.lost_without <= LOST:
        return "rubber without air is as likely"
    return f"from {DECAYS_S[0]:g} to {DECAYS_S[-1]:g} s everything is as likely"


def _json(found: DecayFit | str, params: Params, boot_id: str) -> str:
    body: dict[str, Any] = {
        "boot_id": boot_id,
        "settings_id": params.settings_id,
        "simulated": params.simulated,
        "in_force_s": params.weighing.fresh_air_decay_s,
    }
    if isinstance(found, str):
        return json.dumps(body | {"basis": "assumed", "why": found}, indent=2)
    fit = {
        "fills_count": found.fills,
        "weights_count": found.weights,
        "counting_fraction": found.share,
        "lost_without_air": found.lost_without,
        "lost_log_likelihood": [{"decay_s": decay_s, "lost": lost} for decay_s, lost in found.lost],
        "basis": "measured" if found.tells else "assumed",
    }
    if found.tells:
        fit |= {
            "decay_s": found.decay_s, "low_s": None if found.open_below else found.low_s,
            "high_s": None if found.open_above else found.high_s,
        }  # fmt: skip
    return json.dumps(body | fit, indent=2, allow_nan=False)
