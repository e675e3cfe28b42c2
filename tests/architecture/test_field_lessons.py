"""docs/field-lessons.md names modules and tests that exist, every item that is ours, and the campaigns' own figures."""

import ast
import re

from tests.architecture.sources import DAEMON, ROOT
from tests.campaigns import page

TEXT = page.PAGE.read_text("utf-8")
ITEMS = {
    *range(1, 37), *range(38, 45), *range(46, 56),
}  # fmt: skip
ROWS = re.findall(r"^\| (\d+) \| [^|]+\|([^|]*)\|([^|]*)\|[^|]*\|$", TEXT, re.MULTILINE)


def functions(file: str) -> set[str]:
    tree = ast.parse((ROOT / "tests" / file).read_text("utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}


def test_every_item_has_its_row() -> None:
    assert [int(number) for number, _, _ in ROWS] == sorted(ITEMS)


def test_every_row_names_a_module_and_a_test() -> None:
    assert [number for number, where, proof in ROWS if ".py`" not in where or "::test_" not in proof] == []


def test_every_named_test_exists() -> None:
    named = set(re.findall(r"`([\w/]+\.py)::(\w+)`", TEXT))
    assert len(named) > len(ITEMS)
    assert [f"{file}::{name}" for file, name in sorted(named) if name not in functions(file)] == []


def test_every_named_module_exists() -> None:
    named = {name for _, where, _ in ROWS for name in re.findall(r"`([\w/]+\.py)`", where)}
    assert [name for name in sorted(named) if not (DAEMON / name).exists()] == []


def test_the_figures_are_the_campaigns_own() -> None:
    assert page.filled(TEXT) == TEXT, "python -m tests.campaigns page"
