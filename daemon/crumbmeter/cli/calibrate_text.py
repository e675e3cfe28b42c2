"""`crumbmeter calibrate`: its results in words and as JSON, and the list of tests and of a test's steps."""

import textwrap
from collections.abc import Sequence
from typing import Any

from crumbmeter.cli.calibrate_guide import step_text
from crumbmeter.cli.check_text import table
from crumbmeter.cli.screen import columns
from crumbmeter.commission.calibrating.quantities import unit_of
from crumbmeter.commission.calibrating.steps import Entries, Place, Procedure, Step, Worked
from crumbmeter.commission.site_values import Change
from crumbmeter.qc.calibration_entries import what
from crumbmeter.qc.calibrations import Calibration, Judged, Limit
from crumbmeter.site import Site

NO_LIMIT = (
    "NOTHING: there is no limit for this test, so the verdict proves nothing. Put calibration-limits.toml beside the "
    "site file, or beside its folder (config/calibration-limits.toml is the one to begin with)."
)


def result_text(judged: Judged, worked: Worked, limits: Sequence[Limit]) -> str:
    """Write what a test came to, and what it was judged by."""
    done = judged.calibration
    lines = ["", f"{done.instrument}: {done.kind.value}", ""]
    for one in worked.tables:
        lines += [one.title, table(one.rows, "r" * len(one.rows[0])), ""]
    for note in worked.notes:
        lines += textwrap.wrap(note, columns(), initial_indent="- ", subsequent_indent="  ")
    lines += ["", f"Verdict: {judged.outcome.value}"]
    for why in judged.why:
        lines += textwrap.wrap(why, columns(), initial_indent="  ", subsequent_indent="    ")
    lines += ["Held against:"]
    for limit in limits:
        lines += textwrap.wrap(limit_text(limit), columns(), initial_indent="  ", subsequent_indent="    ")
    if not limits:
        lines += textwrap.wrap(NO_LIMIT, columns(), initial_indent="  ", subsequent_indent="    ")
    return "\n".join(lines) + "\n"


def limit_text(limit: Limit) -> str:
    """Write a limit with its source, its status and what it does not say."""
    value = "no figure, nothing is judged by it" if limit.value is None else f"{limit.value:g}"
    doubt = " CHECK IT AGAINST THE CURRENT EDITION." if limit.status == "from memory" else ""
    note = f" {limit.note}" if limit.note else ""
    return f"{limit.what.replace('_', ' ')}: {value} ({limit.section}; {limit.status}).{doubt}{note}"


def changes_text(changes: Sequence[Change]) -> str:
    """Write what would change in the site file."""
    return "\n".join(["For the site file:", *(f"  {one.text}" for one in changes)]) + "\n"


def result_json(judged: Judged, worked: Worked, limits: Sequence[Limit], changes: Sequence[Change]) -> dict[str, Any]:
    """Return the same as plain values."""
    done: Calibration = judged.calibration
    return {
        "done": True, "instrument": done.instrument, "performed_us": done.done_us, "who": done.who,
        "outcome": judged.outcome.value, "why": list(judged.why), "due_us": judged.due_us,
        "worst_error_percent": judged.worst_error_percent, "spread_percent": judged.spread_percent,
        "notes": list(worked.notes),
        "limits": [
            {"what": one.what, "value": one.value, "section": one.section, "status": one.status, "note": one.note}
            for one in limits
        ],
        "changes": [{"key": list(one.path), "old": one.old, "new": one.new, "why": one.why} for one in changes],
    } | what(done)  # fmt: skip


def missing_json(step: Step, missing: Sequence[str], why: str, *, metric: bool) -> dict[str, Any]:
    """Return what a script has to give next."""
    fields = [
        {
            "name": one.name, "label": one.label, "unit": unit_of(one.quantity, metric=metric),
            "choices": list(one.choices),
        }
        for one in step.fields if one.name in missing
    ]  # fmt: skip
    return {"done": False, "step": step.title, "do": list(step.do), "cautions": list(step.cautions),
            "missing": fields, "why": why}  # fmt: skip


def list_text(site: Site, procedures: Sequence[Procedure]) -> str:
    """List the tests, each with what it can be made on."""
    rows = [["test", "on", "what it is"]]
    rows += [[one.word, ", ".join(one.instruments(site)) or "nothing here", one.says] for one in procedures]
    return table(rows) + "\n"


def steps_text(procedure: Procedure, place: Place, entries: Entries) -> str:
    """Write the steps that are known, with their cautions and the names of their fields."""
    parts = []
    for step in procedure.steps(place, entries):
        rows = [["name", "unit", "what"]]
        for one in step.fields:
            words = one.label + (f": {', '.join(one.choices)}" if one.choices else "")
            words += f" ({one.default})" if one.default else "" if one.required else " (may be left out)"
            words += "; read from the daemon" if one.source is not None else ""
            rows.append([one.name, unit_of(one.quantity, metric=place.metric), words])
        parts.append(f"{step_text(step)}\n{table(rows)}")
    return "\n".join(parts).lstrip("\n") + "\n"
