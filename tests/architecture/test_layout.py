"""The tree is the one that DEVELOPERS.md describes, and its pieces stay small enough to read."""

import ast

import pytest

from tests.architecture.sources import DAEMON, ROOT, SIMULATORS, Source, in_repository, modules

TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"} | {
    "daemon", "simulators", "config", "tests", "deploy", "docs",
}  # fmt: skip
TEST_ROOMS = {
    "architecture", "benchmarks", "browser", "campaigns", "cases", "contract", "faults", "property", "spec", "system",
    "unit",
}  # fmt: skip
MODULE_LINES = 350
FUNCTION_LINES = 50
PRODUCT = [*modules(DAEMON), *modules(SIMULATORS)]


def test_top_level_is_exactly_the_agreed_one() -> None:
    found = {name.split("/")[0] for name in in_repository()}
    assert {name for name in found if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize("root", ["daemon", "simulators"])
def test_roots_are_folders_and_not_packages(root: str) -> None:
    """`daemon` is the import name of another distribution."""
    assert not (ROOT / root / "__init__.py").exists()
    assert {path.name for path in (ROOT / root).iterdir() if path.is_dir() and path.name != "__pycache__"} == {
        {"daemon": "crumbmeter", "simulators": "crumbmeter_sim"}[root]
    }


def test_every_room_is_a_package() -> None:
    """The import contracts see packages only: a folder without __init__.py would escape them."""
    folders = {source.path.parent for source in PRODUCT}
    assert [str(folder) for folder in sorted(folders) if not (folder / "__init__.py").exists()] == []


@pytest.mark.parametrize("source", PRODUCT, ids=lambda source: source.name)
def test_module_is_short(source: Source) -> None:
    assert len(source.text.splitlines()) <= MODULE_LINES


@pytest.mark.parametrize("source", PRODUCT, ids=lambda source: source.name)
def test_functions_are_short(source: Source) -> None:
    """Decorators are not counted; the docstring is."""
    functions = [node for node in ast.walk(source.tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    lengths = {f"{node.name}, line {node.lineno}": (node.end_lineno or 0) - node.lineno + 1 for node in functions}
    assert {name: lines for name, lines in lengths.items() if lines > FUNCTION_LINES} == {}


@pytest.mark.parametrize("source", PRODUCT, ids=lambda source: source.name)
def test_module_says_what_it_is(source: Source) -> None:
    assert ast.get_docstring(source.tree) or not source.tree.body, "the module has no docstring"


def test_rooms_of_tests_are_the_agreed_ones() -> None:
    rooms = {name.split("/")[1] for name in in_repository() if name.startswith("tests/") and name.count("/") > 1}
    assert rooms - TEST_ROOMS == set()


def test_unit_tests_mirror_the_packages() -> None:
    """tests/unit/control/... tests crumbmeter.control; tests/unit/sim/... tests crumbmeter_sim."""
    folders = {name.split("/")[2] for name in in_repository() if name.startswith("tests/unit/") and name.count("/") > 2}
    rooms = {path.name for path in DAEMON.iterdir() if (path / "__init__.py").exists()}
    assert folders - rooms - {"sim"} == set()


def test_only_tests_import_both_packages() -> None:
    """The import contracts say so, too; this also sees imports inside functions of scripts that are no packages."""
    for source in PRODUCT:
        own, other = "crumbmeter", "crumbmeter_sim"
        if source.path.is_relative_to(SIMULATORS):
            own, other = other, own
        imported = {
            name.split(".")[0]
            for node in ast.walk(source.tree)
            for name in (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
        }
        assert other not in imported, f"{source.name} of {own} imports {other}"


@pytest.mark.parametrize(
    "source", [source for source in modules(DAEMON) if "cli" not in source.path.parts], ids=lambda source: source.name
)
def test_only_the_command_line_prints(source: Source) -> None:
    prints = [
        node.lineno
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert prints == []


@pytest.mark.parametrize("source", PRODUCT, ids=lambda source: source.name)
def test_nothing_is_raised_inside_except_star(source: Source) -> None:
    """Python before 3.11.4 (Debian 12: 3.11.2) wraps what is raised there in a group that no plain `except` catches."""
    raised = [
        inner.lineno
        for node in ast.walk(source.tree)
        if isinstance(node, ast.TryStar)
        for handler in node.handlers
        for inner in ast.walk(handler)
        if isinstance(inner, ast.Raise) and inner.exc is not None
    ]
    assert raised == []


@pytest.mark.parametrize("source", PRODUCT, ids=lambda source: source.name)
def test_no_wait_forgets_a_cancellation(source: Source) -> None:
    """In Python 3.11 `asyncio.wait_for` returns its result and forgets a cancellation that comes in the same turn."""
    leaving_a_client = {"daemon/crumbmeter/adapters/mqtt.py": 1}  # while it is cancelled already; its comment says why
    waits = [
        node.lineno
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Attribute)
        and node.attr == "wait_for"
        and isinstance(node.value, ast.Name)
        and node.value.id == "asyncio"
    ]
    assert len(waits) == leaving_a_client.get(source.name, 0), f"use asyncio.timeout, lines {waits}"
