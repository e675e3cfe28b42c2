"""What the product says by name is documented, what the documents name exists, and every local link resolves."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.architecture.sources import DAEMON, ROOT, Source, in_repository, modules

PAGES = [ROOT / name for name in in_repository() if name.endswith(".md")]
Function = ast.FunctionDef | ast.AsyncFunctionDef
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


def made_events(sources: tuple[Source, ...]) -> Iterator[tuple[str, str, set[str]]]:
    """Yield (name, where, details) of every happening the sources make; a name made at run time is yielded as `?`."""
    for source in sources:
        if source.path in {DAEMON / "model" / "events.py", DAEMON / "ledger" / "events.py"}:
            continue  # the one defines the maker, the other reads recorded events back
        for function, call in calls(source.tree):
            if not makes_event(call.func):
                continue
            for name in texts(call.args[0] if call.args else None, function, source.tree):
                yield name, f"{source.name}:{call.lineno}", {keyword.arg for keyword in call.keywords if keyword.arg}


def calls(node: ast.AST, function: Function | None = None) -> Iterator[tuple[Function | None, ast.Call]]:
    """Yield every call below the node with the innermost function around it."""
    for child in ast.iter_child_nodes(node):
        inside = child if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef) else function
        if isinstance(child, ast.Call):
            yield function, child
        yield from calls(child, inside)


def makes_event(called: ast.expr) -> bool:
    """Tell `event(...)`, `Event(...)` and `events.event(...)` from `asyncio.Event()` and the like."""
    if isinstance(called, ast.Attribute):
        return called.attr in {"event", "Event"} and isinstance(called.value, ast.Name) and called.value.id == "events"
    return isinstance(called, ast.Name) and called.id in {"event", "Event"}


def texts(node: ast.expr | None, function: Function | None, tree: ast.Module) -> list[str]:
    """Return what the expression can be: a literal, a choice of literals, or what callers in the module pass."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.Attribute) and node.attr == "name":
        return []  # a happening made elsewhere, copied with more details
    if isinstance(node, ast.IfExp):
        return texts(node.body, function, tree) + texts(node.orelse, function, tree)
    if isinstance(node, ast.Name) and function is not None:
        parameters = [argument.arg for argument in function.args.args]
        if node.id in parameters:
            place = parameters.index(node.id) - (parameters[0] == "self")
            return passed(function.name, node.id, place, tree)
    return ["?"]


def passed(function: str, parameter: str, place: int, tree: ast.Module) -> list[str]:
    """Return the texts that the module's own calls of the function pass for the parameter."""
    found = []
    for around, call in calls(tree):
        if function not in {getattr(call.func, "attr", None), getattr(call.func, "id", None)}:
            continue
        named = [keyword.value for keyword in call.keywords if keyword.arg == parameter]
        value = named[0] if named else call.args[place] if place < len(call.args) else None
        found += texts(value, around, tree) if value is not None else ["?"]
    return found or ["?"]


def first_column(page: str) -> set[str]:
    """Return the names in backticks in the first column of the page's tables."""
    return set(re.findall(r"^\| *`([^`]+)` *\|", (ROOT / "docs" / page).read_text("utf-8"), re.MULTILINE))


def test_event_names_are_literals() -> None:
    """A name that is put together at run time cannot be looked up in docs/events.md."""
    assert [where for name, where, _ in made_events(modules(DAEMON)) if name == "?"] == []


def test_every_event_is_documented_and_every_documented_event_exists() -> None:
    used = {name for name, _, _ in made_events(modules(DAEMON)) if name != "?"}
    assert used, "the daemon makes no event at all: this test has lost its subject"
    assert first_column("events.md") == used


def test_details_of_events_are_documented() -> None:
    rows = re.findall(
        r"^\| *`([^`]+)` *\|[^|]*\|([^|]*)\|", (ROOT / "docs" / "events.md").read_text("utf-8"), re.MULTILINE
    )
    documented = {name: set(re.findall(r"[a-z_]+", details)) for name, details in rows}
    missing = {
        f"{name} at {where}": details - documented.get(name, set())
        for name, where, details in made_events(modules(DAEMON))
    }
    assert {place: details for place, details in missing.items() if details} == {}


def metric_names(sources: tuple[Source, ...]) -> set[str]:
    """Return every text that has the form of one of the daemon's metric names; the desk's cookie is none."""
    return {
        node.value
        for source in sources
        for node in ast.walk(source.tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and re.fullmatch(r"crumbmeter_(?!sim$|session$)[a-z0-9_]+", node.value)
    }


def test_every_metric_is_documented_and_every_documented_metric_exists() -> None:
    used = metric_names(modules(DAEMON))
    assert used, "the daemon has no metric at all: this test has lost its subject"
    assert first_column("metrics.md") == used
