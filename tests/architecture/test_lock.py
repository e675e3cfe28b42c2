"""The lock installs what pyproject.toml asks for, from any index: hashes and no address."""

import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.architecture.sources import ROOT

LOCK = (ROOT / "deploy" / "requirements.lock").read_text("utf-8")
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
LOCKED = {
    canonicalize_name(name): version
    for name, version in re.findall(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", LOCK, re.MULTILINE)
}
WANTED = [
    Requirement(line)
    for line in [
        *SETTINGS["project"]["dependencies"],
        *SETTINGS["dependency-groups"]["dev"],
        *SETTINGS["build-system"]["requires"],
    ]
]


def test_lock_names_no_address() -> None:
    assert [
        line for line in LOCK.splitlines() if "://" in line or (line.lstrip().startswith("--") and "--hash" not in line)
    ] == []


def test_every_locked_package_has_a_hash() -> None:
    entries = re.split(r"\n(?=[A-Za-z0-9])", LOCK.strip())
    # Some packages are there twice, for older and newer Pythons.
    assert {canonicalize_name(entry.split("==")[0]) for entry in entries} == LOCKED.keys()
    assert [entry.split("\n")[0] for entry in entries if "--hash=sha256:" not in entry] == []


@pytest.mark.parametrize("requirement", WANTED, ids=lambda requirement: requirement.name)
def test_requirement_is_locked_within_its_range(requirement: Requirement) -> None:
    version = LOCKED.get(canonicalize_name(requirement.name))
    assert version is not None, "run deploy/lock"
    assert requirement.specifier.contains(version, prereleases=True), (
        f"{requirement} but locked is {version}: run deploy/lock"
    )
