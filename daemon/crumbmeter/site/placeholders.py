"""Values that somebody has still to fill in: text that begins with `FILL IN`. No site is good while it holds one."""

from collections.abc import Iterable, Iterator
from typing import Any, Final

from crumbmeter.site.documents import Document
from crumbmeter.site.lines import KeyPath, path_text
from crumbmeter.site.problems import Problem

MARK: Final = "FILL IN"


def still_open(docs: Iterable[Document], problems: Iterable[Problem]) -> list[Problem]:
    """Return the problems with one for each placeholder, in the place of whatever else was said of its key.

    Args:
        docs: Site file and profiles.
        problems: What the checks have found.
    """
    found = [problem for doc in docs for problem in _placeholders(doc)]
    asked = {(problem.file, problem.key) for problem in found}
    return [*found, *(problem for problem in problems if (problem.file, problem.key) not in asked)]


def _placeholders(doc: Document) -> Iterator[Problem]:
    for path, text in _texts(doc.data, ()):
        wanted = text.removeprefix(MARK).lstrip(": ")
        remedy = f"`crumbmeter set {doc.name} {path_text(path)}=...`"
        said = f"is still to be filled in{': ' if wanted else ''}{wanted}"
        yield doc.problem("placeholder", path, said, remedy=remedy, found="")


def _texts(data: Any, path: KeyPath) -> Iterator[tuple[KeyPath, str]]:
    if isinstance(data, str):
        if data.startswith(MARK):
            yield path, data
        return
    items: Iterable[tuple[str | int, Any]] = ()
    if isinstance(data, dict):
        items = data.items()
    elif isinstance(data, list):
        items = enumerate(data)
    for key, value in items:
        yield from _texts(value, (*path, key))
