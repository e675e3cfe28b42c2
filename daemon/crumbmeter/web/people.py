"""Who may log in: one JSON file of mode 0600, replaced as a whole. No password is in it, only argon2 hashes."""

import contextlib
import json
import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from crumbmeter.web.faults import DeskRefusedError

LAYOUT: Final = 1
NAME_PATTERN: Final = r"^[a-z][a-z0-9_.-]{0,31}$"
MOST_PEOPLE: Final = 200
FIRST_NAME: Final = "integrator"
"""Name of the one who is there after the first start."""


class Role(StrEnum):
    """What somebody may do."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    QC = "qc"
    INTEGRATOR = "integrator"


MAY_ACT_AS: Final[dict[Role, frozenset[Role]]] = {
    Role.VIEWER: frozenset({Role.VIEWER}),
    Role.OPERATOR: frozenset({Role.VIEWER, Role.OPERATOR}),
    Role.QC: frozenset({Role.VIEWER, Role.QC}),
    Role.INTEGRATOR: frozenset(Role),
}
"""Each role with those whose work it may do. QC does not run the feed, nor does an operator judge the mix."""


@dataclass(frozen=True, slots=True)
class Person:
    """One who may log in."""

    name: str
    role: Role
    password_hash: str
    one_time: bool
    """The password was made here, and must be changed before anything else."""

    def may(self, role: Role) -> bool:
        """Tell whether this person may do the work of a role."""
        return role in MAY_ACT_AS[self.role]


People = Mapping[str, Person]


def read_people(path: Path) -> People | None:
    """Read the file; None where there is none.

    Raises:
        DeskRefusedError: it cannot be read, others may read or write it, or it is not what the desk wrote.
    """
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            raw = file.read()
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise DeskRefusedError(f"{path}: {fault.strerror or fault}: it is the file of people, [desk] people") from fault
    if mode & 0o077:
        raise DeskRefusedError(f"{path} has mode {mode:04o}, so others have access to it: chmod 600 it")
    try:
        return _people(json.loads(raw))
    except (ValueError, TypeError, KeyError, AttributeError) as fault:
        raise DeskRefusedError(
            f"{path} is not a file of people as the desk writes it ({type(fault).__name__}: {fault}): put back a copy, "
            "or move it away, and the next start makes a new one with one integrator"
        ) from fault


def _people(body: Any) -> People:
    if body["layout"] != LAYOUT:
        raise ValueError(f"layout {body['layout']!r}, expected {LAYOUT}")
    found = {}
    for name, one in body["people"].items():
        if not re.fullmatch(NAME_PATTERN, name):
            raise ValueError(f"{name!r} is no name")
        if not isinstance(one["hash"], str) or not isinstance(one["one_time"], bool):
            raise TypeError(f"{name}: hash must be a text and one_time true or false")
        found[name] = Person(name, Role(one["role"]), one["hash"], one["one_time"])
    if not any(person.role is Role.INTEGRATOR for person in found.values()):
        raise ValueError("no integrator is left, so nobody could add people")
    return found


def write_people(path: Path, people: People) -> None:
    """Replace the file as a whole, so that a power cut leaves the old one or the new one.

    Raises:
        OSError: it could not be written.
    """
    body = {
        "layout": LAYOUT,
        "people": {
            one.name: {"role": one.role.value, "hash": one.password_hash, "one_time": one.one_time}
            for one in people.values()
        },
    }
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.new")
    beside.unlink(missing_ok=True)
    line = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    try:
        with open(line, "w", encoding="utf-8") as file:  # noqa: PTH123 - it is open already, with its mode
            json.dump(body, file, indent=1, sort_keys=True)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
