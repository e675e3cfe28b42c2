"""The file of people: replaced as a whole, for its owner alone, refused in words where it is not what it should be."""

import json
import os
import stat
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher

from crumbmeter.web.door import open_people
from crumbmeter.web.faults import DeskRefusedError
from crumbmeter.web.hashing import Hasher, one_time_password
from crumbmeter.web.people import MAY_ACT_AS, Person, Role, read_people, write_people
from tests.unit.web.making import QUICK, quick_hasher

ANA = Person("ana", Role.INTEGRATOR, "$argon2id$made-up", one_time=False)


def test_what_is_written_is_read_back_and_nobody_else_may_read_it(tmp_path: Path) -> None:
    path = tmp_path / "desk" / "people.json"
    assert read_people(path) is None
    write_people(path, {"ana": ANA})
    assert read_people(path) == {"ana": ANA}
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    write_people(path, {"ana": ANA, "ben": Person("ben", Role.VIEWER, "x", one_time=True)})
    assert set(read_people(path) or ()) == {"ana", "ben"}
    assert [one.name for one in path.parent.iterdir()] == ["people.json"]


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "people.json"
    write_people(path, {"ana": ANA})

    def full(_line: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_people(path, {"ben": ANA})
    assert set(read_people(path) or ()) == {"ana"}
    assert [one.name for one in tmp_path.iterdir()] == ["people.json"]


def test_a_link_in_the_place_of_the_new_file_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("theirs")
    (tmp_path / "people.json.new").symlink_to(victim)
    write_people(tmp_path / "people.json", {"ana": ANA})
    assert victim.read_text() == "theirs"


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o602])
def test_a_file_that_others_have_access_to_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "people.json"
    write_people(path, {"ana": ANA})
    path.chmod(mode)
    with pytest.raises(DeskRefusedError, match="chmod 600"):
        read_people(path)


GOOD: dict[str, Any] = {"layout": 1, "people": {"ana": {"role": "integrator", "hash": "h", "one_time": False}}}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"layout": 2}, "layout 2"),
        ({"people": {}}, "no integrator is left"),
        ({"people": {"Ana!": GOOD["people"]["ana"]}}, "is no name"),
        ({"people": {"ana": {"role": "king", "hash": "h", "one_time": False}}}, "king"),
        ({"people": {"ana": {"role": "integrator", "hash": 1, "one_time": False}}}, "hash must be a text"),
        ({"people": {"ana": {"role": "integrator", "hash": "h"}}}, "one_time"),
        ({"people": []}, "AttributeError"),
    ],
)
def test_a_file_that_is_not_of_the_desk_is_refused_with_what_to_do(
    tmp_path: Path, change: dict[str, Any], says: str
) -> None:
    path = tmp_path / "people.json"
    path.write_text(json.dumps(GOOD | change))
    path.chmod(0o600)
    with pytest.raises(DeskRefusedError, match="put back a copy") as refused:
        read_people(path)
    assert says in str(refused.value)


def test_no_json_is_refused_too(tmp_path: Path) -> None:
    path = tmp_path / "people.json"
    path.write_bytes(b"\xff\x00{")
    path.chmod(0o600)
    with pytest.raises(DeskRefusedError):
        read_people(path)


def test_only_the_first_start_makes_an_integrator_with_a_one_time_password(tmp_path: Path) -> None:
    path = tmp_path / "people.json"
    people, password = open_people(path, quick_hasher())
    (first,) = people.values()
    assert (first.name, first.role, first.one_time) == ("integrator", Role.INTEGRATOR, True)
    assert PasswordHasher(**QUICK).verify(first.password_hash, password)
    assert password not in path.read_text()
    again, nothing = open_people(path, quick_hasher())
    assert (again, nothing) == (people, "")


def test_the_librarys_own_parameters_make_argon2id() -> None:
    """Parameters as argon2-cffi 25.1 sets them by default: RFC 9106, low-memory profile (section 4, second option)."""
    made = Hasher().hash_now("x")
    assert made.startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_one_time_passwords_are_long_and_never_the_same() -> None:
    made = {one_time_password() for _ in range(500)}
    assert len(made) == 500
    assert {len(one.replace("-", "")) for one in made} == {16}
    assert not set("".join(made)) & set("lo01")


def test_each_role_may_do_its_own_and_what_lies_below() -> None:
    assert {
        Role.VIEWER: {Role.VIEWER},
        Role.OPERATOR: {Role.VIEWER, Role.OPERATOR},
        Role.QC: {Role.VIEWER, Role.QC},
        Role.INTEGRATOR: set(Role),
    } == MAY_ACT_AS
