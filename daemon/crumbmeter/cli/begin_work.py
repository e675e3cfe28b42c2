"""`crumbmeter new-site`, `add-device`, `add` and `set`: the work behind the commands."""

import sys
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.cli.saving import read_text, save_bytes, save_text
from crumbmeter.site.editing import EditRefusedError, Value, with_table, with_values
from crumbmeter.site.loading import draft_of
from crumbmeter.site.placeholders import MARK
from crumbmeter.site.problems import Problem, SiteRefusedError, as_written, report
from crumbmeter.site.starting import Beginning, first_files
from crumbmeter.site.wiring import by_name, wire, with_device

POLL_S, QUICK_POLL_S = 0.2, 0.1
"""[s] Between two reads of a device, and of one with contacts: machine doubt must be seen soon."""
TIMEOUT_S = 0.3


@dataclass(frozen=True, slots=True)
class Address:
    """Where a device is."""

    host: str
    port: int
    unit_id: int
    more: tuple[str, ...] = ()
    """KEY=VALUE of other keys of the device."""

    def table(self, profile: str, poll_period_s: float, *, speaks_modbus: bool) -> dict[str, Value]:
        """Return the device's table.

        Raises:
            EditRefusedError: one of the other keys is not KEY=VALUE.
        """
        more = {key[0]: value for key, value in _pairs(self.more).items()}
        place: dict[str, Value] = {} if "serial_port" in more else {"host": self.host, "port": self.port}
        unit: dict[str, Value] = {"unit_id": self.unit_id} if speaks_modbus else {}
        return {
            "profile": profile, **place, **unit, "poll_period_s": poll_period_s, "timeout_s": TIMEOUT_S, **more
        }  # fmt: skip


def new_site(folder: Path, beginning: Beginning) -> int:
    """Begin a site in a folder that is empty or not there."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        return _refused(f"{folder}: is there already and not empty. Name a new folder.")
    files = first_files(folder.resolve().name, beginning)
    try:
        for name, text in files.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            save_text(path, text)
    except OSError as fault:
        return _refused(f"{fault.filename or folder}: {fault.strerror}")
    left = len(_problems(folder / "site.toml"))
    sys.stdout.write(
        f"{folder}: {', '.join(files)}\n{left} things are to be filled in or added: `crumbmeter check "
        f"{folder / 'site.toml'}` lists them, README.md says in which order.\n"
    )
    return OK


def add_device(
    site: Path, name: str, profile: Path, address: Address, signals: Sequence[str], writes: Sequence[str], storage: str
) -> int:
    """Put a device into a site file, and its profile beside it."""
    try:
        content = profile.read_bytes()
        values: dict[str, Any] = tomllib.loads(content.decode())
    except (OSError, ValueError) as fault:
        return _refused(f"{profile}: {getattr(fault, 'strerror', None) or fault}")
    place = site.parent / "devices" / profile.name
    if place.exists() and place.read_bytes() != content:
        return _refused(
            f"{place}: is another register map of that name. Rename one of the two, with its key `profile`."
        )

    def edit(text: str) -> str:
        read = [wire(typed) for typed in signals]
        registers = values.get("registers", {})
        read += by_name(registers, tomllib.loads(text), read)
        quick = any(one.get("unit") == "contact" for one in registers.values())
        modbus = values.get("protocol", "modbus") == "modbus"
        table = address.table(profile.stem, QUICK_POLL_S if quick else POLL_S, speaks_modbus=modbus)
        return with_device(text, name, table, values, read, [wire(typed) for typed in writes], storage)

    if not place.exists():
        place.parent.mkdir(parents=True, exist_ok=True)
        save_bytes(place, content)
    return _edit(site, edit)


def add_table(site: Path, table: str, pairs: Sequence[str]) -> int:
    """Put a new table into a site file."""
    path = tuple(table.split("."))
    return _edit(site, lambda text: with_table(text, path, {key[0]: value for key, value in _pairs(pairs).items()}))


def set_values(site: Path, pairs: Sequence[str]) -> int:
    """Set keys of a site file."""
    return _edit(site, lambda text: with_values(text, _pairs(pairs)))


def _pairs(pairs: Sequence[str]) -> dict[tuple[str, ...], Value]:
    """Understand KEY=VALUE; what is no TOML value is taken as text.

    Raises:
        EditRefusedError: there is no key or no value.
    """
    found: dict[tuple[str, ...], Value] = {}
    for pair in pairs:
        key, equals, typed = pair.partition("=")
        if not key or not equals:
            raise EditRefusedError(f"{pair}: is not KEY=VALUE, such as line.travel_s=3.9")
        try:
            found[tuple(key.split("."))] = tomllib.loads(f"value = {typed}")["value"]
        except tomllib.TOMLDecodeError:
            found[tuple(key.split("."))] = typed
    return found


def _edit(site: Path, edit: Callable[[str], str]) -> int:
    """Change a site file if what comes of it is no worse, and say what is different and what is left."""
    try:
        before = read_text(site)
        known = _problems(site)
        after = edit(before)
    except (OSError, UnicodeDecodeError, EditRefusedError) as fault:
        why = fault.strerror if isinstance(fault, OSError) else fault
        words = str(fault) if isinstance(fault, EditRefusedError) else f"{site}: {why}"
        return _refused(f"{words}\nNothing was changed.")
    changed = _differences(_flat(tomllib.loads(before)), _flat(tomllib.loads(after)))
    left = _problems(site, after.encode())
    worse = [one for one in left if not known or _is_of(one, changed)]
    if worse:
        return _refused(f"{report(worse)}\nNothing was changed.")
    save_text(site, after)
    sys.stdout.write(_changes_text(changed, tomllib.loads(before)) + _left_text(site, left))
    return OK


def _changes_text(changed: Mapping[str, tuple[str, str]], before: Mapping[str, Any]) -> str:
    """Say what is different: one line for each key, and one for each new table."""
    lines: list[str] = []
    tables: dict[str, list[str]] = {}
    for key, (was, now) in changed.items():
        table, _, last = key.rpartition(".")
        if was:
            filled = was.startswith(f'"{MARK}')
            lines.append(f"  {key} = {now}" if filled else f"  {key}: {was} -> {now}")
        elif _holds(before, table.split(".")):
            lines.append(f"  {key} = {now}")
        else:
            tables.setdefault(table, []).append(f"{last} = {now}")
    lines += [f"  [{table}] {', '.join(keys)}" for table, keys in tables.items()]
    return "".join(f"{line}\n" for line in lines)


def _holds(data: Mapping[str, Any], path: Sequence[str]) -> bool:
    """Tell whether a table is there."""
    here: Any = data
    for part in path:
        if not isinstance(here, dict) or part not in here:
            return False
        here = here[part]
    return isinstance(here, dict)


def _is_of(problem: Problem, changed: Mapping[str, Any]) -> bool:
    """Tell whether a problem is of a key that was just written, and not of something that is still to come."""
    waits = problem.code == "placeholder" or problem.code.startswith("no-such-")
    return problem.key in changed and not waits


def _left_text(site: Path, left: Sequence[Problem]) -> str:
    if not left:
        return f"{site}: this site is good. `crumbmeter check {site}` explains it back.\n"
    count = "1 thing is" if len(left) == 1 else f"{len(left)} things are"
    return f"{site}: {count} still to be filled in or put right: `crumbmeter check {site}` lists them.\n"


def _problems(site: Path, raw: bytes | None = None) -> list[Problem]:
    try:
        draft = draft_of(site, raw)
    except SiteRefusedError as refused:
        return list(refused.problems)
    return [problem for problem in draft.problems if not problem.is_warning]


def _flat(data: Mapping[str, Any], head: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in data.items():
        if isinstance(value, dict):
            flat |= _flat(value, f"{head}{key}.")
        else:
            flat[f"{head}{key}"] = as_written(value)
    return flat


def _differences(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Return old and new value of every key that differs; the old one empty where the key is new."""
    return {key: (before.get(key, ""), value) for key, value in after.items() if before.get(key) != value}


def _refused(words: str) -> int:
    sys.stderr.write(f"{words}\n")
    return REFUSED
