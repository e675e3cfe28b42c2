"""Specification profiles: find the file, check every line of it, and build the value; or everything that is wrong."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, TypeVar

from crumbmeter.qc.laboratory.results import Test, known_figure
from crumbmeter.qc.specification import LINE_KINDS, Bound, Line, LogField, Specification, Status, TestLimit
from crumbmeter.site.documents import Document, read_document
from crumbmeter.site.keys.base import Keys
from crumbmeter.site.keys.specification import AskedKeys, FieldKeys, ProfileHeadKeys, TestKeys
from crumbmeter.site.problems import Problem, SiteRefusedError, have, nearest
from crumbmeter.site.validate import check_named, check_table

FOLDER: Final = "specifications"
TABLES: Final = ("specification", "lines", "tests", "log_fields")
K = TypeVar("K", bound=Keys)


def specification_folders(site_path: Path) -> tuple[Path, ...]:
    """Return where profiles are looked for, in this order: beside the site file, then beside its folder."""
    folder = site_path.parent
    above = folder.parent if folder.name not in ("", "..") else folder / ".."
    return (folder / FOLDER, above / FOLDER)


def known_specifications(site_path: Path) -> dict[str, Path]:
    """List the profiles that a site can be checked against, by name."""
    found: dict[str, Path] = {}
    for folder in specification_folders(site_path):
        for path in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
            found.setdefault(path.stem, path)
    return found


def load_specification(path: Path) -> Specification:
    """Read a profile.

    Raises:
        SiteRefusedError: with everything that is wrong, with file and line. Show it and use nothing of the file.
    """
    doc = read_document(path, path.as_posix())
    if isinstance(doc, Problem):
        raise SiteRefusedError([doc])
    problems = list(_unknown_tables(doc))
    head = check_table(ProfileHeadKeys, doc, ("specification",), doc.data.get("specification", {}))
    problems += head.problems
    if isinstance(head.part, ProfileHeadKeys) and head.part.id != path.stem:
        remedy = f'Write id = "{path.stem}", or rename the file.'
        problems.append(
            doc.problem("profile-name", ("specification", "id"), f"the file is called {path.name}", remedy=remedy)
        )
    named, found = check_named(AskedKeys, doc, ("lines",), doc.data.get("lines", {}))
    problems += found
    for key, part in named.items():
        problems += _line_problems(doc, key, part)
    tests, found = _items(TestKeys, doc, "tests")
    problems += found
    for index, test in tests:
        problems += _test_problems(doc, index, test)
    fields, found = _items(FieldKeys, doc, "log_fields")
    problems += found
    if problems:
        raise SiteRefusedError(problems)
    return _build(head.part, named, [part for _, part in tests], [part for _, part in fields])


def _unknown_tables(doc: Document) -> Iterator[Problem]:
    for name in doc.data:
        if name not in TABLES:
            close = nearest(name, TABLES)
            remedy = f"Write {close}." if close else f"Take it out ({have(TABLES)})."
            yield doc.problem("unknown-key", (name,), "unknown table", remedy=remedy)
    if "specification" not in doc.data:
        yield doc.problem("missing-key", ("specification",), "is missing", remedy="Add a table [specification].")


def _items(model: type[K], doc: Document, name: str) -> tuple[list[tuple[int, K]], list[Problem]]:
    data = doc.data.get(name, [])
    if not isinstance(data, list):
        return [], [doc.problem("wrong-type", (name,), "must be a list of tables", remedy=f"Write [[{name}]].")]
    parts: list[tuple[int, K]] = []
    problems: list[Problem] = []
    for index, entry in enumerate(data):
        checked = check_table(model, doc, (name, index), entry)
        problems += checked.problems
        if isinstance(checked.part, model):
            parts.append((index, checked.part))
    return parts, problems


def _line_problems(doc: Document, key: str, part: Any) -> Iterator[Problem]:
    path = ("lines", key)
    kind = LINE_KINDS.get(key)
    if kind is None:
        close = nearest(key, LINE_KINDS)
        remedy = f"Did you mean {close}?" if close else f"Use a line that is known ({have(LINE_KINDS)})."
        yield doc.problem("unknown-key", path, "is no line of a specification", found="", remedy=remedy)
    elif isinstance(part, AskedKeys):
        silent = part.status == Status.NOT_SPECIFIED.value
        if silent and part.value is not None:
            remedy = "Take the value out, or say how sure it is."
            yield doc.problem("out-of-range", (*path, "value"), "has a value and is not specified", remedy=remedy)
        elif not silent and part.value is None:
            remedy = 'Add value, or write status = "not specified".'
            yield doc.problem("missing-key", (*path, "value"), "is missing", remedy=remedy)
        elif part.value is not None and isinstance(part.value, bool) is not (kind.unit == ""):
            expected = "must be true or false" if kind.unit == "" else f"must be a number, in {kind.unit}"
            yield doc.problem("wrong-type", (*path, "value"), expected)


def _test_problems(doc: Document, index: int, part: TestKeys) -> Iterator[Problem]:
    if not known_figure(Test(part.test), part.figure):
        expected = f"is no figure of {part.test}"
        remedy = "Use a key that results of this test have; docs/laboratory.md lists them."
        yield doc.problem("not-one-of", ("tests", index, "figure"), expected, remedy=remedy)


def _build(
    head: ProfileHeadKeys, named: dict[str, AskedKeys], tests: list[TestKeys], fields: list[FieldKeys]
) -> Specification:
    return Specification(
        specification_id=head.id,
        title=head.title,
        documents=head.documents,
        note=head.note or "",
        lines=tuple(
            Line(key, one.value, one.section, Status(one.status), one.note or "") for key, one in named.items()
        ),
        tests=tuple(
            TestLimit(
                one.test, one.figure, Bound(one.bound), one.limit, one.when or "", one.section, Status(one.status)
            )
            for one in tests
        ),
        log_fields=tuple(LogField(one.name, one.section, Status(one.status)) for one in fields),
    )
