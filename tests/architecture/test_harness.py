"""The harness itself: what tests/conftest.py and deploy/skips.py promise to catch, they catch."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.architecture.sources import ROOT

FAULTY = {
    "a task left running": """
        import asyncio
        async def test_it():
            global kept
            kept = asyncio.get_running_loop().create_task(asyncio.Event().wait(), name="forgotten")
        """,
    "a socket left open": """
        import asyncio
        async def test_it():
            await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", 0)
        """,
    "a log call that cannot be formatted": """
        import logging
        def test_it():
            logging.getLogger("crumbmeter.scan").debug("took %d ms", "three")
        """,
    "a warning": """
        import warnings
        def test_it():
            warnings.warn("something is off")
        """,
    "an unknown marker": """
        import pytest
        @pytest.mark.slwo
        def test_it(): pass
        """,
}
SOUND = """
    import asyncio
    import pytest
    @pytest.fixture
    async def service():
        task = asyncio.get_running_loop().create_task(asyncio.Event().wait())
        yield task
        task.cancel()
    async def test_it(service, free_port):
        assert free_port() != free_port()
    """


def run_pytest(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    lines = text.strip("\n").splitlines()
    indent = len(lines[0]) - len(lines[0].lstrip())
    (folder / "tests").mkdir()
    (folder / "tests" / "test_it.py").write_text("\n".join(line[indent:] for line in lines), "utf-8")
    for name in ("conftest.py", "ports.py"):
        shutil.copy(ROOT / "tests" / name, folder / "tests")
    shutil.copy(ROOT / "pyproject.toml", folder)
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--junitxml=report.xml"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("fault", FAULTY)
def test_silent_fault_fails(fault: str, tmp_path: Path) -> None:
    ended = run_pytest(tmp_path, FAULTY[fault])
    assert ended.returncode != 0, ended.stdout


def test_sound_test_passes(tmp_path: Path) -> None:
    ended = run_pytest(tmp_path, SOUND)
    assert ended.returncode == 0, ended.stdout


def skips(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, ROOT / "deploy" / "skips.py", *arguments, "report.xml"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(("reason", "code"), [("no Mosquitto here", 1), ("not in CI: needs two machines", 0)])
def test_ci_refuses_a_skip_without_an_allowed_reason(reason: str, code: int, tmp_path: Path) -> None:
    run_pytest(tmp_path, f"import pytest\ndef test_it():\n    pytest.skip({reason!r})\n")
    assert skips(tmp_path).returncode == 0
    ended = skips(tmp_path, "--strict")
    assert ended.returncode == code
    assert reason in ended.stdout


def test_an_expected_failure_is_no_skip(tmp_path: Path) -> None:
    run_pytest(tmp_path, "import pytest\n@pytest.mark.xfail(reason='known')\ndef test_it():\n    assert False\n")
    ended = skips(tmp_path, "--strict")
    assert (ended.returncode, ended.stdout) == (0, "")


@pytest.mark.parametrize("word", ["https://py" + "pi.org/simple", "/wo" + "rk/main/deploy", "registry.np" + "mjs.org"])
def test_guard_refuses_hosts_and_machine_paths(word: str, tmp_path: Path) -> None:
    (tmp_path / "deploy").mkdir()
    shutil.copy(ROOT / "deploy" / "guard", tmp_path / "deploy")
    (tmp_path / "notes.md").write_text("nothing to see\n", "utf-8")
    subprocess.run(["git", "init", "-q"], cwd=tmp_path, check=True)
    subprocess.run(["git", "add", "."], cwd=tmp_path, check=True)
    assert subprocess.run(["deploy/guard"], cwd=tmp_path, check=False, capture_output=True).returncode == 0
    (tmp_path / "notes.md").write_text(f"see {word}\n", "utf-8")
    ended = subprocess.run(["deploy/guard"], cwd=tmp_path, check=False, capture_output=True, text=True)
    assert ended.returncode == 1
    assert "notes.md:1:" in ended.stdout


def lane(name: str) -> list[str]:
    """Let the shell say what a lane of the test command is given."""
    told = (ROOT / "deploy" / "test").read_text("utf-8")
    said = "\n".join(re.findall(r"^readonly [A-Z]+=\(.*\)$", told, re.MULTILINE))
    script = f"{said}\nprintf '%s\\n' \"${{{name}[@]}}\""
    return subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True).stdout.split()


def runs(words: list[str], path: str) -> bool:
    """Tell whether a run of pytest with these words takes the tests of a file."""
    left_out = [word.removeprefix("--ignore=") for word in words if word.startswith("--ignore=")]
    taken = [word for word in words if not word.startswith("--")]
    assert all((ROOT / word).exists() for word in (*left_out, *taken))
    return any(Path(path).is_relative_to(word) for word in taken) and not any(
        Path(path).is_relative_to(word) for word in left_out
    )


def test_every_test_is_in_one_of_the_lanes_and_in_no_other() -> None:
    lanes = {name: lane(name) for name in ("PIECES", "DESK", "PROOFS", "WHOLE")}
    for path in (ROOT / "tests").rglob("test_*.py"):
        name = path.relative_to(ROOT).as_posix()
        if "cases" not in path.parts:
            assert sum(runs(words, name) for words in lanes.values()) == 1, name
