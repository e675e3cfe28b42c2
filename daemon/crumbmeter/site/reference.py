"""The two reference pages that are made from the models: docs/site-file.md and docs/refusals.md. Pure: builds text."""

import re
from collections.abc import Iterator
from typing import Any

from pydantic.fields import FieldInfo

from crumbmeter.model.units import UNITS
from crumbmeter.site.draft import NAMED
from crumbmeter.site.keys.base import Keys, Ref
from crumbmeter.site.keys.job import JobFile
from crumbmeter.site.keys.nodes import NodeProfileKeys
from crumbmeter.site.keys.profile import ProfileKeys
from crumbmeter.site.keys.quality import QualityPlanFile
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.refusals import REFUSALS, Refusal
from crumbmeter.site.validate import FORMS, known_keys, literals_of, metadata_of, models_in

MADE = "<!-- Made by `crumbmeter reference {what}`. Do not edit: change the models and make it anew. -->"

SUFFIXES = (
    ("_percent_per_sqrt_min", "% per √min"),
    ("_lb_per_short_ton", "lb/short_ton"),
    ("_per_short_ton", "money/short_ton"),
    ("_kg_per_tonne", "kg/tonne"),
    ("_per_tonne", "money/tonne"),
    ("_per_truck", "money"),
    ("feeder_per_day", "money"),
    ("_per_kwh", "money/kWh"),
    ("_short_ton_h", "short_ton/h"),
    ("_tonne_h", "tonne/h"),
    ("_kg_m3", "kg/m³"),
    ("_kg_min_per_s", "kg/min per s"),
    ("_lb_min_per_s", "lb/min per s"),
    ("max_rise_per_s", "register's unit per s"),
    ("_kg_min", "kg/min"),
    ("_lb_min", "lb/min"),
    ("_kg_rev", "kg/rev"),
    ("_lb_rev", "lb/rev"),
    ("_short_ton", "short_ton"),
    ("_tonne", "tonne"),
    ("_percent", "%"),
    ("_m3_h", "m³/h"),
    ("_m_s", "m/s"),
    ("_rpm", "rpm"),
    ("hours_a_day", "h"),
    ("_kw", "kW"),
    ("_ft", "ft"),
    ("_min", "min"),
    ("power_factor", "1"),
    ("_v", "V"),
    ("_a", "A"),
    ("_kpa", "kPa"),
    ("_psi", "psi"),
    ("_days", "days"),
    ("_ms", "ms"),
    ("_mb", "MB"),
    ("_mm", "mm"),
    ("_c", "°C"),
    ("_kg", "kg"),
    ("_lb", "lb"),
    ("_m", "m"),
    ("_s", "s"),
    ("_per_h", "register's unit in an hour"),
    ("session_h", "h"),
    ("_per_unit", "pulses"),
    ("_flow", "register's unit"),
    ("count", "register's unit"),
    ("_rate", "1"),
    ("_counts", "raw counts"),
    ("raw_low", "raw counts"),
    ("raw_high", "raw counts"),
    ("figure_low", "that of the figure"),
    ("figure_high", "that of the figure"),
    ("low", "register's unit"),
    ("high", "register's unit"),
    ("scale", "units per count"),
    ("offset", "unit"),
)
"""How a key says its unit, the longest ending first."""
_LIMITS = (("gt", "> {:g}"), ("ge", "≥ {:g}"), ("lt", "< {:g}"), ("le", "≤ {:g}"))


def unit_of(key: str) -> str:
    """Return the unit that a key says by its ending, or nothing."""
    return next((unit for ending, unit in SUFFIXES if key.endswith(ending)), "")


def site_file_page() -> str:
    """Write docs/site-file.md."""
    parts = [
        "# Site file and device profiles",
        MADE.format(what="site-file"),
        _INTRODUCTION,
    ]
    for section, info in known_keys(SiteFile).items():
        model = next(models_in(info.annotation))
        header = f"[{section}.NAME]" if section in NAMED else f"[{section}]"
        need = "" if info.is_required() else " May be left out."
        parts += _table(header, model, f"{info.description}{need}", 2)
    parts += ["# Device profile", "One file for each kind of device, in `devices/`; `profile` bears the file's name."]
    parts += _table("Top of the file", ProfileKeys, "", 2)
    parts += ["# Device profile of an OPC UA server", "The same, where `protocol` is `opcua`."]
    parts += _table("Top of the OPC UA file", NodeProfileKeys, "", 2)
    parts += ["# Units", "A unit is written exactly so. Inside, and in every record, values are SI.", _units()]
    return "\n\n".join(part for part in parts if part) + "\n"


def job_file_page() -> str:
    """Write docs/job-file.md."""
    parts = ["# Job file", MADE.format(what="job-file"), _JOB]
    for section, info in known_keys(JobFile).items():
        header = {"mixes": "[mixes.NAME]", "loads": "[[loads]]"}.get(section, f"[{section}]")
        need = "" if info.is_required() else " May be left out."
        parts += _table(header, next(models_in(info.annotation)), f"{info.description}{need}", 2)
    return "\n\n".join(part for part in parts if part) + "\n"


def quality_plan_page() -> str:
    """Write docs/quality-plan.md."""
    parts = ["# Quality plan", MADE.format(what="quality-plan"), _PLAN]
    for section, info in known_keys(QualityPlanFile).items():
        model = next(models_in(info.annotation), None)
        if model is not None:
            header = f"[{section}.NAME]" if section in ("silos", "properties") else f"[{section}]"
            parts += _table(header, model, info.description or "", 2)
    top = {key: info for key, info in known_keys(QualityPlanFile).items() if not list(models_in(info.annotation))}
    rows = ["| key | type | unit | default | limits | meaning |", "|---|---|---|---|---|---|"]
    rows += [_row(QualityPlanFile, key, info) for key, info in top.items()]
    parts += ["## Top of the file", "\n".join(rows)]
    return "\n\n".join(part for part in parts if part) + "\n"


_PLAN = """\
One TOML file that says how a plant's mix is cut into lots, judged, stored in silos and reported. The site file names it
(`[desk] quality_plan`); without one, everything is as by default. It steers nothing: QC may change it while the plant
runs, and control need not be enabled anew. Each report carries the SHA-256 of the plan that it was made with."""

_JOB = """\
One TOML file that says what is to be made, with which feeder and at which prices. `crumbmeter plan JOB` turns it into
[a plan](planning.md), or says everything that is wrong with it at once ([refusals.md](refusals.md)). It steers nothing.

What you do not know, leave out: the checks that need it then say that they cannot be judged, and by which key they
could be. With `--site SITE`, the site file fills in what it knows of mixes (`site_mix`), feeder and line; the plan says
what came from there. Where a quantity has several keys ("one of"), give exactly one of them. At most four mixes and
eight loads fit the two pages. `config/jobs/imaginary_flats.toml` is an example; all in it is invented."""

_INTRODUCTION = """\
A site is one TOML file and the device profiles that it names. `crumbmeter check SITE` says everything
that is wrong with it at once, each with file, key, line and remedy ([refusals.md](refusals.md)), or explains the site
back. Unknown keys are refused. Nothing is read from the file after the start.

- *Required* keys have no default, on purpose: a guess would be worse than a question.
- A key bears its unit at its end. Only limits and flows that belong to one register (`low`, `high`, `max_rise_per_s`,
  `low_flow`, `normal_flow`) are in the unit of that register, as its profile says.
- Where a quantity has several keys ("one of"), give exactly one of them.
- Times are process time; at a simulated site that may run faster than the clock on the wall. Time-outs and waits of
  sockets are real time.
- A secret never stands in a site file: the file is stored in the journal and shown to people.
- `crumbmeter reference schema > config/schema.json` makes the JSON schema for editors."""


def _table(header: str, model: type[Keys], text: str, level: int) -> list[str]:
    """Write one table of keys, and those inside it."""
    words = (model.__doc__ or "") + (" May be left out." if "May be left out" in text else "")
    title = f"`{header}`" if header.startswith("[") else header
    parts = [f"{'#' * level} {title}", words]
    rows = ["| key | type | unit | default | limits | meaning |", "|---|---|---|---|---|---|"]
    inner: list[str] = []
    for key, info in known_keys(model).items():
        models = list(models_in(info.annotation))
        if models:
            name = header.strip("[]") if header.startswith("[") else ""
            is_named = "registers" in key
            label = f"[{name}.{key}]" if name else f"[{key}.NAME]" if is_named else f"[{key}]"
            need = "required" if info.is_required() else "may be left out"
            rows.append(f"| `{key}` | table |  | {need} |  | {info.description} See below. |")
            inner += _table(label, models[0], info.description or "", level + 1)
        else:
            rows.append(_row(model, key, info))
    return [*parts, "\n".join(rows), *inner]


def _row(model: type[Keys], key: str, info: FieldInfo) -> str:
    unit = unit_of(key) if _is_number(info) else ""
    cells = (f"`{key}`", _type(info), unit, _default(model, key, info), _limits(info), info.description or "")
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |"


def _is_number(info: FieldInfo) -> bool:
    return any(kind in _kinds(info.annotation) for kind in (int, float))


def _kinds(annotation: Any) -> list[Any]:
    args = getattr(annotation, "__args__", ())
    own = [annotation] if isinstance(annotation, type) else []
    origin = getattr(annotation, "__origin__", None)
    return own + ([origin] if isinstance(origin, type) else []) + [kind for arg in args for kind in _kinds(arg)]


def _type(info: FieldInfo) -> str:
    words = literals_of(info)
    if words:
        return "one of " + ", ".join(f"`{word}`" for word in words)
    ref = next((note for note in metadata_of(info) if isinstance(note, Ref)), None)
    if ref is not None:
        of = f" ({' or '.join(ref.dimensions).replace('_', ' ')})" if ref.dimension else ""
        return {"register": "`device.register`"}.get(ref.kind, f"name of a {ref.kind}{of}")
    kinds = _kinds(info.annotation)
    lists = {(1, True): "list of names", (1, False): "list of whole numbers", (2, True): "list of pairs"}
    of_list = lists.get((kinds.count(tuple), str in kinds), "")
    for kind, words_of in ((bool, "true or false"), (tuple, of_list), (float, "number")):
        if kind in kinds:
            return words_of
    if int in kinds:
        return "whole number or text" if str in kinds else "whole number"
    return "text"


def _default(model: type[Keys], key: str, info: FieldInfo) -> str:
    option = next((option for option in model.choices.values() if key in option.names), None)
    if option is not None:
        others = ", ".join(f"`{name}`" for name in option.names if name != key)
        return f"{'one of' if option.required else 'at most one of'} this, {others}"
    if info.is_required():
        return "required"
    default = info.get_default()
    if default is None or default == ():
        return "none"
    if isinstance(default, bool):
        return f"`{str(default).lower()}`"
    return f"`{default}`"


def _limits(info: FieldInfo) -> str:
    if any(isinstance(note, Ref) for note in metadata_of(info)):
        return ""  # a name is good where there is something of that name
    found = []
    for note in _notes(info):
        found += [text.format(float(getattr(note, name))) for name, text in _LIMITS if hasattr(note, name)]
        pattern = getattr(note, "pattern", None)
        if isinstance(pattern, str):
            found.append(FORMS[pattern].removeprefix("must be ").removeprefix("must have "))
        longest = getattr(note, "max_length", None)
        if isinstance(longest, int):
            found.append(f"at most {longest} characters")
    return ", ".join(dict.fromkeys(found))


def _notes(info: FieldInfo) -> Iterator[Any]:
    for note in metadata_of(info):
        yield note
        if isinstance(note, FieldInfo):
            yield from note.metadata


def _units() -> str:
    rows = ["| dimension | units |", "|---|---|"]
    dimensions = dict.fromkeys(unit.dimension for unit in UNITS.values())
    for dimension in dimensions:
        codes = ", ".join(f"`{unit.code}`" for unit in UNITS.values() if unit.dimension == dimension)
        rows.append(f"| {dimension.replace('_', ' ')} | {codes} |")
    return "\n".join(rows)


_REFUSED = """Everything for which a site file or a device profile is refused, and what to do about it. A refused site
starts nothing; `crumbmeter check` and `crumbmeter run` show all problems at once and end with exit code 2. The code in
[brackets] at the end of a message leads here."""


def refusals_page() -> str:
    """Write docs/refusals.md."""
    refused = {code: entry for code, entry in REFUSALS.items() if not entry.warning}
    doubted = {code: entry for code, entry in REFUSALS.items() if entry.warning}
    parts = [
        "# Refusals and warnings",
        MADE.format(what="refusals"),
        _REFUSED,
        _index(refused),
        *(_entry(code, entry) for code, entry in refused.items()),
        "# Warnings",
        "These are shown, and the site may be used.",
        _index(doubted),
        *(_entry(code, entry) for code, entry in doubted.items()),
    ]
    return "\n\n".join(parts) + "\n"


def _index(entries: dict[str, Refusal]) -> str:
    rows = ["| code | title |", "|---|---|"]
    rows += [f"| [{code}](#{re.sub(r'[^a-z0-9-]', '', code)}) | {entry.title} |" for code, entry in entries.items()]
    return "\n".join(rows)


def _entry(code: str, entry: Refusal) -> str:
    kind = "console" if entry.example.startswith("crumbmeter ") else "toml"
    example = f"```{kind}\n{entry.example}\n```"
    return f"## {code}\n\n**{entry.title}.** {entry.meaning}\n\n*Remedy:* {entry.remedy}\n\n{example}"
