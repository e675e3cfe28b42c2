"""A document's source becomes a PDF: the same bytes for the same source on every machine."""

from typing import Any, Final

import typst

from crumbmeter.model.faults import CrumbmeterError

_COMPILE: Final[Any] = typst.compile  # it takes several files by name, which its type does not tell


class TypesettingError(CrumbmeterError):
    """The source cannot be set: a fault of our own."""


def pdf(source: str, data: str, files: dict[str, bytes]) -> bytes:
    """Set a document.

    Args:
        source: Its source.
        data: JSON that the source reads as `sys.inputs.data`.
        files: What the source refers to (charts, logo), by name.

    Raises:
        TypesettingError: the source has a fault.
    """
    try:
        made: bytes = _COMPILE({"main.typ": source.encode(), **files}, sys_inputs={"data": data})
    except (RuntimeError, TypeError) as fault:
        raise TypesettingError(f"{type(fault).__name__}: {fault}") from fault
    return made
