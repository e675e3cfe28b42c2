"""Two versions of a site held against each other: what differs, what that does to the process, how it may be taken."""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from crumbmeter.site.effects import ORDER, PROFILE, WHY_RESTART, Effect, When, effect_of
from crumbmeter.site.lines import path_text
from crumbmeter.site.problems import as_written
from crumbmeter.site.settings import SourceFile

SITE_FILE: Final = "site.toml"
UNITS: Final = (
    ("_kg_min_per_s", "kg/min per s"), ("_lb_min_per_s", "lb/min per s"), ("_kg_rev", "kg a turn"),
    ("_lb_rev", "lb a turn"), ("_kg_min", "kg/min"), ("_lb_min", "lb/min"), ("_m_s", "m/s"), ("_percent", "points"),
    ("_per_tonne", "kg a tonne"), ("_per_short_ton", "lb a short ton"), ("_short_ton", "short tons"),
    ("_tonne", "tonnes"), ("_rpm", "rpm"), ("_kpa", "kPa"), ("_psi", "psi"), ("_mm", "mm"), ("_kg", "kg"),
    ("_lb", "lb"), ("_ms", "ms"), ("_m", "m"), ("_s", "s"), ("_h", "h"), ("_c", "degC"), ("_days", "days"),
    ("_mb", "MB"),
)  # fmt: skip
"""By the end of a key."""
NUMBERS: Final = "the numbers by which the plant's controller knows the mixes"
ABSENT: Final = object()


@dataclass(frozen=True, slots=True)
class Change:
    """One setting that is different."""

    key: str
    was: str
    """As written; empty: it was not there."""
    now: str
    """As written; empty: it is not there any more."""
    when: When
    says: str
    """What that does to the process."""
    why: str
    """For a restart: why it cannot be had without one."""


def changes(before: Sequence[SourceFile], after: Sequence[SourceFile]) -> tuple[Change, ...]:
    """Compare two versions of a site.

    Args:
        before: Its files: the site file and the register maps it uses.
        after: Likewise.

    Returns:
        What is different in the order of the files; comments do not count, nor does order, but for that of the mixes.
    """
    old, new = _parsed(before), _parsed(after)
    found: list[Change] = []
    for name in dict.fromkeys((*old, *new)):
        was, now = old.get(name, {}), new.get(name, {})
        for path, one, other in _differences(was, now, ()):
            found.append(_of_site(path, one, other, was, now) if name == SITE_FILE else _of_map(name, path, one, other))
        if name == SITE_FILE:
            found += _of_numbers(was, now)
    return tuple(found)


def gravest(found: Sequence[Change]) -> When:
    """Return how a set of changes may be put in force: as its gravest one."""
    there = {change.when for change in found}
    return next((when for when in ORDER if when in there), When.RUNNING)


def text(found: Sequence[Change]) -> str:
    """Write changes for people, the gravest group first."""
    if not found:
        return "Nothing is different but comments and layout.\n"
    lines: list[str] = []
    for when in ORDER:
        group = [change for change in found if change.when is when]
        if group:
            lines += [f"Takes effect {when}:", *(_line(change) for change in group), ""]
    return "\n".join(lines)


def _line(change: Change) -> str:
    was, now = change.was or "not there", change.now or "not there"
    return f"  {change.key}: {was} -> {now}\n      {change.says}"


def _parsed(files: Sequence[SourceFile]) -> dict[str, dict[str, Any]]:
    return {file.name: tomllib.loads(file.content.decode()) for file in files}


def _differences(was: Any, now: Any, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    """Yield every key that differs; a table that is new or gone as a whole is one difference."""
    if not isinstance(was, dict) or not isinstance(now, dict):
        same = was == now and isinstance(was, bool) == isinstance(now, bool)  # 24 and 24.0 are one figure
        if not same:
            yield path, was, now
        return
    for key in dict.fromkeys((*was, *now)):
        one, other = was.get(key, ABSENT), now.get(key, ABSENT)
        if not path and ABSENT in (one, other) and _is_named(one if other is ABSENT else other):
            one, other = ({} if side is ABSENT else side for side in (one, other))
        yield from _differences(one, other, (*path, key))


def _is_named(table: Any) -> bool:
    """Tell whether a section is a table of tables, each of which is told by itself."""
    return isinstance(table, dict) and all(isinstance(value, dict) for value in table.values())


def _of_site(path: tuple[str, ...], was: Any, now: Any, old: Mapping[str, Any], new: Mapping[str, Any]) -> Change:
    effect = effect_of(path) or Effect("", When.RESTART, "a setting")
    what = effect.what.format(name=path[1] if len(path) > 1 else path[0])
    says = _seconds(what, effect, path, old, new) if effect.seconds else ""
    why = WHY_RESTART.get(path[0], "") if effect.when is When.RESTART else ""
    return Change(
        path_text(path), _written(was), _written(now), effect.when, says or _says(what, effect, path[-1], was, now), why
    )


def _of_numbers(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[Change]:
    """Tell where a mix has another number for the plant's controller, which counts them in the order of the file."""
    if not all("modbus" in side.get("publish", {}) for side in (old, new)):
        return
    was, now = ([f"{number} {mix}" for number, mix in enumerate(side.get("mixes", {}), 1)] for side in (old, new))
    staying = old.get("mixes", {}).keys() & new.get("mixes", {}).keys()
    if any(one not in now for one in was if one.partition(" ")[2] in staying):
        yield Change("mixes", ", ".join(was), ", ".join(now), When.AT_REST, f"concerns {NUMBERS}", "")


def _of_map(name: str, path: tuple[str, ...], was: Any, now: Any) -> Change:
    return Change(f"{name}: {path_text(path)}", _written(was), _written(now), PROFILE.when, PROFILE.what,
                  WHY_RESTART["devices/"])  # fmt: skip


def _written(value: Any) -> str:
    return "" if value is ABSENT else as_written(value)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _says(what: str, effect: Effect, key: str, was: Any, now: Any) -> str:
    if was is ABSENT:
        return f"{what} is new" if isinstance(now, dict) else f"{what} is given"
    if now is ABSENT:
        return f"{what} is gone" if isinstance(was, dict) else f"{what} is left out: what holds without it holds"
    if _is_number(was) and _is_number(now) and was != now:
        unit = next((f" {words}" for end, words in UNITS if key.endswith(end)), "")
        return _moved(what, effect, float(now) - float(was), unit)
    return f"concerns {what}"


def _moved(what: str, effect: Effect, by: float, unit: str) -> str:
    brings = effect.more if by > 0.0 else effect.less
    unit = unit.removesuffix("s") if abs(by) == 1.0 and len(unit) > 3 else unit
    return f"{what} {'grows' if by > 0.0 else 'shrinks'} by {abs(by):.6g}{unit}" + (f": {brings}" if brings else "")


def _seconds(what: str, effect: Effect, path: tuple[str, ...], old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    """Say a belt's travel in seconds; nothing where the two versions do not both give it."""
    took = [_belt_s(data, path[:-1]) for data in (old, new)]
    if took[0] is None or took[1] is None or took[0] == took[1]:
        return ""
    return _moved(what, effect, round(took[1] - took[0], 2), " s")


def _belt_s(data: Mapping[str, Any], path: tuple[str, ...]) -> float | None:
    here: Any = data
    for part in path:
        here = here.get(part, {}) if isinstance(here, dict) else {}
    try:
        return float(here["belt_length_m"]) / float(here["nominal_belt_speed_m_s"])
    except (KeyError, TypeError, ValueError, ZeroDivisionError):
        return None
