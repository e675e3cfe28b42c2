"""The file of calibration limits: every line checked, with its source and status; or everything that is wrong."""

from pathlib import Path
from typing import Final

from crumbmeter.qc.calibrations import CalibrationKind, Limit, Limits
from crumbmeter.qc.specification import Status
from crumbmeter.site.documents import read_document
from crumbmeter.site.keys.calibration import LimitKeys
from crumbmeter.site.problems import Problem, SiteRefusedError
from crumbmeter.site.validate import check_table

NAME: Final = "calibration-limits.toml"


def find_calibration_limits(site_path: Path) -> Path | None:
    """Return the file of limits that a site uses, beside the site file or beside its folder; None: there is none."""
    folder = site_path.parent
    above = folder.parent if folder.name not in ("", "..") else folder / ".."
    return next((path for path in (folder / NAME, above / NAME) if path.is_file()), None)


def load_calibration_limits(path: Path) -> Limits:
    """Read the limits.

    Raises:
        SiteRefusedError: with everything that is wrong, with file and line. Show it and use nothing of the file.
    """
    doc = read_document(path, path.as_posix())
    if isinstance(doc, Problem):
        raise SiteRefusedError([doc])
    problems = [doc.problem("unknown-key", (name,), "unknown table") for name in doc.data if name != "limits"]
    entries = doc.data.get("limits", [])
    if not isinstance(entries, list):
        problems.append(doc.problem("wrong-type", ("limits",), "must be a list of tables", remedy="Write [[limits]]."))
        entries = []
    limits: list[Limit] = []
    seen: set[tuple[str, str, str]] = set()
    for index, entry in enumerate(entries):
        checked = check_table(LimitKeys, doc, ("limits", index), entry)
        problems += checked.problems
        part = checked.part
        if not isinstance(part, LimitKeys):
            continue
        if (part.value is None) is not (part.status == Status.NOT_SPECIFIED.value):
            expected = "is missing" if part.value is None else "has a value and is not specified"
            remedy = "Give a value and how sure it is, or neither."
            problems.append(doc.problem("missing-key", ("limits", index, "value"), expected, remedy=remedy))
        key = (part.regime, part.kind, part.what)
        if key in seen:
            remedy = "Keep one of the two."
            problems.append(doc.problem("two-units", ("limits", index), "stands twice", found="", remedy=remedy))
        seen.add(key)
        limits.append(
            Limit(
                part.regime,
                CalibrationKind(part.kind),
                part.what,
                part.value,
                part.section,
                part.status,
                part.note or "",
            )
        )
    if problems:
        raise SiteRefusedError(problems)
    return Limits(tuple(limits))
