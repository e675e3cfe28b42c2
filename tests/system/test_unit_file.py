"""The systemd units: systemd's own tool says nothing against them, and what the processes rely on stands in them."""

import configparser
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from crumbmeter.app.backup_watch import OVERDUE_S

ANALYZE = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")
PROGRAM = "/opt/crumbmeter/venv/bin/crumbmeter"


def copied(name: str, repo_root: Path, folder: Path) -> Path:
    """A unit with a program that exists on this machine: `verify` looks whether it can be executed."""
    text = (repo_root / "deploy" / name).read_text("utf-8")
    assert PROGRAM in text
    copy = folder / name
    copy.write_text(text.replace(PROGRAM, sys.executable), "utf-8")
    return copy


@pytest.fixture
def unit(repo_root: Path, tmp_path: Path) -> Path:
    """Control's unit."""
    return copied("crumbmeter.service", repo_root, tmp_path)


@pytest.fixture
def desk_unit(repo_root: Path, tmp_path: Path) -> Path:
    """The desk's unit."""
    return copied("crumbmeter-desk.service", repo_root, tmp_path)


@pytest.fixture
def backup_unit(repo_root: Path, tmp_path: Path) -> Path:
    """The backup's unit, with its timer beside it."""
    shutil.copy(repo_root / "deploy" / "crumbmeter-backup.timer", tmp_path)
    return copied("crumbmeter-backup.service", repo_root, tmp_path)


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    assert ANALYZE is not None
    return subprocess.run([ANALYZE, *words], text=True, capture_output=True, check=False)


def complaints(unit: Path) -> str:
    """Return what `verify` prints: it ends with 0 even on an unknown key."""
    judged = analyze("verify", "--man=no", str(unit))
    return judged.stdout + judged.stderr


@pytest.mark.systemd
@needs_systemd
def test_verify_prints_nothing(unit: Path, desk_unit: Path, backup_unit: Path) -> None:
    assert complaints(unit) == ""
    assert complaints(desk_unit) == ""
    assert complaints(backup_unit) == ""
    assert complaints(backup_unit.with_suffix(".timer")) == ""


@pytest.mark.systemd
@needs_systemd
@pytest.mark.parametrize(
    ("line", "instead"), [("RestartSec=5s", "RestartSecs=5s"), ("Type=notify", "Type=notfy"), ("UMask=0077", "UMask=x")]
)
def test_verify_would_see_a_mistake(unit: Path, line: str, instead: str) -> None:
    text = unit.read_text("utf-8")
    assert line in text
    unit.write_text(text.replace(line, instead), "utf-8")
    assert instead.partition("=")[0] in complaints(unit) or instead.partition("=")[2] in complaints(unit)


@pytest.mark.systemd
@needs_systemd
@pytest.mark.parametrize("which", ["unit", "desk_unit", "backup_unit"])
def test_exposure_is_low(which: str, request: pytest.FixtureRequest) -> None:
    judged = analyze("security", "--offline=true", "--no-pager", str(request.getfixturevalue(which)))
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+) (\w+)", judged.stdout)
    assert found, judged.stdout + judged.stderr
    print(f"systemd-analyze security: {found[1]} {found[2]}")  # noqa: T201 - the figure is wanted in the test's output
    assert float(found[1]) <= 2.0


def settings(unit: Path) -> dict[str, str]:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(unit)
    return {key: value for section in parser.sections() for key, value in parser[section].items()}


def test_the_daemon_is_always_started_again_and_never_given_up(unit: Path) -> None:
    found = settings(unit)
    assert (found["Restart"], found["RestartSec"], found["StartLimitIntervalSec"]) == ("always", "5s", "0")
    assert (found["Type"], found["WatchdogSec"]) == ("notify", "15s")


def test_stop_time_leaves_room_for_the_stop_of_the_feed(unit: Path) -> None:
    stop_s = float(settings(unit)["TimeoutStopSec"].removesuffix("s"))
    assert stop_s >= 2.0 + 5.0


def test_the_desk_and_control_do_not_need_each_other(unit: Path, desk_unit: Path) -> None:
    """A desk that fails must not take control with it, nor the other way round."""
    for one in (unit, desk_unit):
        assert {"Requires", "Requisite", "BindsTo", "PartOf", "Wants", "OnFailure"} & set(settings(one)) == set()
    assert settings(desk_unit)["Restart"] == "always"
    assert int(settings(desk_unit)["OOMScoreAdjust"]) > int(settings(unit)["OOMScoreAdjust"])
    assert int(settings(desk_unit)["Nice"]) > int(settings(unit)["Nice"])


def test_the_backup_comes_well_within_its_watch_and_gives_way_to_control(unit: Path, backup_unit: Path) -> None:
    backup, timer = settings(backup_unit), settings(backup_unit.with_suffix(".timer"))
    assert re.fullmatch(r"\*-\*-\* \d\d:\d\d:00", timer["OnCalendar"]), "every night"
    assert timer["Persistent"] == "true"
    assert float(timer["RandomizedDelaySec"].removesuffix("min")) * 60.0 < OVERDUE_S - 86_400.0
    assert int(backup["Nice"]) > int(settings(unit)["Nice"])
    assert int(backup["OOMScoreAdjust"]) > int(settings(unit)["OOMScoreAdjust"])
    folder = backup["ExecStart"].split()[-1]
    assert folder in backup["ReadWritePaths"].split()
    assert f'backup_folder = "{folder}"' in backup_unit.read_text("utf-8")


def test_the_program_runs_without_writable_executable_memory() -> None:
    """MemoryDenyWriteExecute= is PR_SET_MDWE or a seccomp filter; here the kernel's own switch, where it has one."""
    program = """
import ctypes, sys
refused = ctypes.CDLL(None, use_errno=True).prctl(65, 1, 0, 0, 0)
import aiomqtt, amqtt.broker, apsw, prometheus_client, pydantic, pymodbus.client, rich.live, structlog, typer
import argon2, fastapi, uvicorn
argon2.PasswordHasher().hash("any")
sys.exit(7 if refused else 0)
"""
    ended = subprocess.run([sys.executable, "-c", program], text=True, capture_output=True, check=False)
    if ended.returncode == 7:
        pytest.skip("this kernel has no PR_SET_MDWE (Linux 6.3)")
    assert ended.returncode == 0, ended.stderr
