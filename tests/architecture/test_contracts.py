"""Every import contract of pyproject.toml bites: a copy of the sources with one wrong import for each is refused."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.architecture.sources import ROOT

SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
CONTRACTS = {contract["name"]: contract for contract in SETTINGS["tool"]["importlinter"]["contracts"]}

# One breach each: file below the checkout's top, and the line put at its end.
BREACHES = {
    "Rooms of the daemon import downwards only": (
        "daemon/crumbmeter/model/units.py", "import crumbmeter.process.params",
    ),
    "Daemon and simulator share data and never code": (
        "simulators/crumbmeter_sim/__init__.py", "import crumbmeter.model.units",
    ),
    "Pure rooms have no clock, no I/O, no chance, no log and no library": (
        "daemon/crumbmeter/process/params.py", "import time",
    ),
    "The site room reads files and checks them and does nothing else": (
        "daemon/crumbmeter/site/__init__.py", "import socket",
    ),
    "The runtime schedules without a socket and without a library": (
        "daemon/crumbmeter/runtime/__init__.py", "import socket",
    ),
    "Broker, metrics and log libraries live in the adapters": (
        "daemon/crumbmeter/ledger/__init__.py", "import structlog",
    ),
    "The Modbus library lives in the adapters": ("daemon/crumbmeter/cli/__init__.py", "import pymodbus.client"),
    "The OPC UA library lives in the adapters, and in the simulator's own room for it": (
        "simulators/crumbmeter_sim/rack.py", "import asyncua.ua",
    ),
    "The database library lives in the journal": ("daemon/crumbmeter/ledger/__init__.py", "import apsw"),
    "The schema library lives in the site room and at the desk": (
        "daemon/crumbmeter/adapters/__init__.py", "import pydantic",
    ),
    "The library that changes site files lives in the site room": (
        "daemon/crumbmeter/cli/__init__.py", "import tomlkit",
    ),
    "Web and password libraries live at the desk": ("daemon/crumbmeter/cli/__init__.py", "import fastapi"),
    "The desk knows control through the local socket alone": (
        "daemon/crumbmeter/web/__init__.py", "import crumbmeter.runtime.intake",
    ),
    "The library of frozen values has one door": ("daemon/crumbmeter/process/params.py", "import msgspec"),
    "Libraries of documents, charts and tables live in the report room": (
        "daemon/crumbmeter/cli/__init__.py", "import typst",
    ),
    "The library of signatures and keys lives in the journal and in one adapter": (
        "daemon/crumbmeter/cli/__init__.py", "import cryptography.exceptions",
    ),
    "The data of time zones are read in the site room": ("daemon/crumbmeter/cli/__init__.py", "import tzdata"),
    "The terminal libraries live in the command line": ("daemon/crumbmeter/adapters/__init__.py", "import rich.table"),
}  # fmt: skip


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Return KEPT or BROKEN by contract, for a copy of the sources with all the breaches in it."""
    copy = tmp_path_factory.mktemp("copy")
    shutil.copy(ROOT / "pyproject.toml", copy)
    for folder in ("daemon", "simulators"):
        shutil.copytree(ROOT / folder, copy / folder, ignore=shutil.ignore_patterns("__pycache__"))
    for name, line in BREACHES.values():
        with (copy / name).open("a", encoding="utf-8") as file:
            file.write(f"\n{line}\n")
    linter = Path(sys.executable).with_name("lint-imports")
    environment = os.environ | {"PYTHONPATH": f"{copy / 'daemon'}{os.pathsep}{copy / 'simulators'}", "COLUMNS": "300"}
    ended = subprocess.run(
        [linter, "--no-cache"], cwd=copy, env=environment, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 1, ended.stdout + ended.stderr
    found = dict(re.findall(r"^(\S.*?) (KEPT|BROKEN)(?: |$)", ended.stdout, re.MULTILINE))
    assert set(found) == set(CONTRACTS), ended.stdout + ended.stderr
    return found


def test_every_contract_has_a_breach_here() -> None:
    assert set(BREACHES) == set(CONTRACTS)


@pytest.mark.parametrize("contract", BREACHES)
def test_contract_refuses_its_breach(contract: str, verdicts: dict[str, str]) -> None:
    assert verdicts[contract] == "BROKEN"


def test_every_library_has_a_room() -> None:
    """A new dependency must be given a room before anything can import it everywhere."""
    protected = {
        canonicalize_name(library)
        for contract in CONTRACTS.values()
        for library in contract.get("protected_modules", [])
    }
    wanted = {canonicalize_name(Requirement(line).name) for line in SETTINGS["project"]["dependencies"]}
    import_names = {"argon2-cffi": "argon2", "paho-mqtt": "paho", "pyserial": "serial"}
    assert {import_names.get(name, name) for name in wanted} == protected
