"""`crumbmeter identify`: which register, type, order, scale and offset the display of some looks stands for."""

import json
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.identify_text import comment_of, identify_text
from crumbmeter.cli.look_file import LookFile, LookFileError, read_look
from crumbmeter.cli.site_lines import NAME, profile_text, register_text, site_text
from crumbmeter.cli.survey import manual_offset
from crumbmeter.field.look import Reading
from crumbmeter.field.notation import NotationError
from crumbmeter.field.ranking import Candidate, Ranking, rank
from crumbmeter.field.spec import Table
from crumbmeter.field.telling import between_ties, more_readings, shifts

_LEAST_SHARE: Final = 0.5
"""A first group that is less likely than this is not written down."""


def identify(
    paths: Sequence[Path], *, profile: str, register: str, device: str, output: Path | None, manual: str, as_json: bool
) -> int:
    """Rank what the display could stand for, and write the lines of the first.

    Args:
        paths: Files of `crumbmeter survey`.
        profile: Name of the profile to write; that of its file.
        register: Name of register and signal.
        device: Name of the device in the site; empty: that of the profile.
        output: File of the profile; one that exists gets the register added.
        manual: Address of the value in the device's manual; empty: not known.
        as_json: Print JSON.

    Returns:
        Exit code: 0 one stands out (or ties that no reading taken tells apart), 1 none does, 2 a file or a name is not
        in order.
    """
    try:
        looks = [read_look(path) for path in paths]
        fault = _fault(looks, profile, register, device or profile, output)
        where = manual_offset(manual, Table.HOLDING) if manual else None
    except (LookFileError, NotationError) as error:
        return _say(str(error), REFUSED)
    if fault:
        return _say(fault, REFUSED)
    readings = [reading for kept in looks for reading in kept.look.readings]
    ranking = rank([kept.look for kept in looks])
    if as_json:
        sys.stdout.write(json.dumps(identify_json(ranking, readings, where), indent=2, allow_nan=False) + "\n")
    else:
        sys.stdout.write(identify_text(ranking, readings, where))
    stands_out = bool(ranking.groups) and ranking.groups[0].share >= _LEAST_SHARE and not ranking.one_load
    if not stands_out:
        return _say("Nothing is written: no candidate stands out.", FAILED) if profile else FAILED
    if profile:
        lines = _write(ranking, readings, looks[0], profile, register, device or profile, output)
        if not as_json:
            sys.stdout.write(lines)
    return OK


def _fault(looks: Sequence[LookFile], profile: str, register: str, device: str, output: Path | None) -> str:
    """Say what is not in order about what was asked; empty where all is."""
    return _look_fault(looks) or _name_fault(looks, profile, register, device) or _file_fault(profile, register, output)


def _look_fault(looks: Sequence[LookFile]) -> str:
    readings = [reading for kept in looks for reading in kept.look.readings]
    places = {(kept.address, kept.unit_id) for kept in looks}
    units = {reading.unit for reading in readings}
    if not readings:
        return "no look has a reading of the display: give `--display '212.4 short_ton/h'` to crumbmeter survey"
    if len(places) > 1:
        return (
            f"these looks are of different devices: {', '.join(f'{one} unit {unit}' for one, unit in sorted(places))}"
        )
    if len(units) > 1:
        return f"one unit is needed for all readings, found {', '.join(sorted(unit or 'none' for unit in units))}"
    return ""


def _name_fault(looks: Sequence[LookFile], profile: str, register: str, device: str) -> str:
    if bool(profile) != bool(register):
        return "--profile-name and --register go together"
    for name in (profile, register, device):
        if name and not NAME.fullmatch(name):
            return f"{name!r} is no name: small letters, digits and _, a letter first"
    if profile and not any(reading.unit for kept in looks for reading in kept.look.readings):
        return "a register needs a unit: give it with the reading, `--display '212.4 short_ton/h'`"
    return ""


def _file_fault(profile: str, register: str, output: Path | None) -> str:
    if output is None:
        return ""
    if not profile:
        return "-o needs --profile-name and --register: what to call it"
    if output.stem != profile:
        return f"{output}: a profile's file has its name, {profile}.toml"
    return _held_fault(profile, register, output) if output.exists() else ""


def _held_fault(profile: str, register: str, output: Path) -> str:
    """Say why nothing can be added to a profile that is there."""
    try:
        held = tomllib.loads(output.read_text("utf-8"))
    except (OSError, ValueError) as error:
        return f"{output}: {getattr(error, 'strerror', None) or error}; nothing is added"
    if register in held.get("registers", {}):
        return f"{output}: has a register {register} already; it is not overwritten"
    notation = held.get("notation")
    if notation != "offset" or held.get("profile") != profile:
        found = f"notation {notation!r}, profile {held.get('profile')!r}"
        return f"{output}: what is added is written in offsets, for profile {profile}; this file has {found}"
    return ""


def _write(
    ranking: Ranking, readings: Sequence[Reading], kept: LookFile, profile: str, register: str, device: str,
    output: Path | None,
) -> str:  # fmt: skip
    group, unit = ranking.groups[0], readings[0].unit
    first, comment = group.candidates[0], comment_of(group, readings)
    text = profile_text(profile, register, first, unit, comment)
    values = [reading.value for reading in readings]
    site = site_text(kept.address, kept.unit_id, device, profile, register, max(values), min(values))
    if output is None:
        return f"\nThe profile, {profile}.toml:\n\n{text}\nIn the site file:\n\n{site}"
    if output.exists():
        with output.open("a", encoding="utf-8") as profile_file:
            profile_file.write(register_text(register, first, unit, comment))
        return f"\nAdded [registers.{register}] to {output}. In the site file:\n\n{site}"
    output.write_text(text, encoding="utf-8")
    return f"\nWritten {output}. In the site file:\n\n{site}"


def identify_json(ranking: Ranking, readings: Sequence[Reading], where: tuple[Table, int] | None) -> dict[str, Any]:
    """Return everything that the words say, as plain values."""
    unit = readings[0].unit
    return {
        "readings": [
            {"value": one.value, "resolution": one.resolution, "unit": one.unit} for one in readings
        ],
        "looked_at": ranking.looked_at,
        "none_share": ranking.none_share,
        "one_load": ranking.one_load,
        "more_readings": more_readings(ranking, [one.value for one in readings]),
        "groups": [
            {
                "share": group.share,
                "candidates": [_candidate(one) for one in group.candidates],
                "to_tell_apart": [telling.do for telling in between_ties(group, unit)],
            }
            for group in ranking.groups
        ],
        "manual_address": None
        if where is None
        else {
            "table": where[0].value, "offset": where[1],
            "found": [
                {"step": shift.step, **_candidate(shift.candidate)} for shift in shifts(ranking, where[0], where[1])
            ],
        },
    }  # fmt: skip


def _candidate(one: Candidate) -> dict[str, Any]:
    return {
        "table": one.where.table.value, "address": one.where.address, "type": one.where.word_type.value,
        "order": one.where.order.value, "scale": one.scale, "offset": one.offset, "bits": round(one.bits, 3),
        "shown": one.shown, "most_away": one.most_away,
    }  # fmt: skip


def _say(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code
