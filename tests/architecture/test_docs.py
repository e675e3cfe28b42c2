"""What the product says by name is documented, what the documents name exists, and every local link resolves."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.architecture.sources import DAEMON, ROOT, Source, in_repository, modules

PAGES = [ROOT / name for name in in_repository() if name.endswith(".md")]
LINK = re.compile(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)|!\[[^\]]*\]\(([^)\s]+)\)")
HEADING = re.compile(r"^#{1,6} (.+)$", re.MULTILINE)


def anchors(page: Path) -> set[str]:
    """Return the anchors that a Git forge makes of the page's headings."""
    without_code = re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    plain = [re.sub(r"[^\w\- ]", "", heading.strip().lower()) for heading in HEADING.findall(without_code)]
    return {heading.replace(" ", "-") for heading in plain}


def broken_links(page: Path) -> Iterator[str]:
    """Yield the page's links that lead nowhere in the checkout. Addresses on the net are not looked at."""
    for found in LINK.findall(re.sub(r"^```.*?^```", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)):
        target, _, anchor = (found[0] or found[1]).partition("#")
        if re.match(r"[a-z]+:", target):
            continue
        aim = (page.parent / target).resolve() if target else page
        if not aim.exists() or (anchor and aim.suffix == ".md" and anchor not in anchors(aim)):
            yield f"{target}#{anchor}" if anchor else target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_local_links_resolve(page: Path) -> None:
    assert list(broken_links(page)) == []


def test_broken_links_are_seen(tmp_path: Path) -> None:
    (tmp_path / "there.md").write_text("# A heading\n", "utf-8")
    page = tmp_path / "page.md"
    page.write_text("[a](there.md#a-heading) [b](there.md#other) [c](gone.md) ![d](gone.png)\n", "utf-8")
    assert list(broken_links(page)) == ["there.md#other", "gone.md", "gone.png"]


def event_names(sources: tuple[Source, ...]) -> Iterator[tuple[str, str]]:
    """Yield (name, where) of every happening that the sources make; a computed name is yielded as `?`."""
    for source in sources:
        if source.path == DAEMON / "model" / "events.py":
            continue  # defines the maker itself
        for node in ast.walk(source.tree):
            if not isinstance(node, ast.Call):
                continue
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called not in {"event", "Event"} or (
                isinstance(node.func, ast.Attribute) and not is_events_module(node.func)
            ):
                continue
            first = node.args[0] if node.args else None
            names = literals(first)
            for name in names or ["?"]:
                yield name, f"{source.name}:{node.lineno}"


def is_events_module(function: ast.Attribute) -> bool:
    """Tell `events.event(...)` from `asyncio.Event()` and the like."""
    return isinstance(function.value, ast.Name) and function.value.id == "events"


def literals(node: ast.expr | None) -> list[str]:
    """Return the texts that the expression can be: a literal, or a choice between literals."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.IfExp):
        return literals(node.body) + literals(node.orelse)
    return []


def first_column(page: str) -> set[str]:
    """Return the names in backticks in the first column of the page's tables."""
    return set(re.findall(r"^\| *`([^`]+)` *\|", (ROOT / "docs" / page).read_text("utf-8"), re.MULTILINE))


def test_event_names_are_literals() -> None:
    """A name that is put together at run time cannot be looked up in docs/events.md."""
    assert [where for name, where in event_names(modules(DAEMON)) if name == "?"] == []


def test_every_event_is_documented_and_every_documented_event_exists() -> None:
    used = {name for name, _ in event_names(modules(DAEMON)) if name != "?"}
    assert used, "the daemon makes no event at all: this test has lost its subject"
    assert first_column("events.md") == used


def metric_names(sources: tuple[Source, ...]) -> set[str]:
    """Return every text that has the form of one of the daemon's metric names."""
    return {
        node.value
        for source in sources
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and re.fullmatch(r"crumbmeter_(?!sim$)[a-z0-9_]+", node.value)
    }


def test_every_metric_is_documented_and_every_documented_metric_exists() -> None:
    used = metric_names(modules(DAEMON))
    assert used, "the daemon has no metric at all: this test has lost its subject"
    assert first_column("metrics.md") == used
