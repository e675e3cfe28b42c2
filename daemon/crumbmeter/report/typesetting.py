"""A document's source becomes a PDF: the same bytes for the same source on every machine."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
import typst

from crumbmeter.model.faults import CrumbmeterError

_COMPILE: Final[Any] = typst.compile  # it takes several files by name, which its type does not tell
ARCHIVE: Final = "a-3b"
"""PDF/A-3b (ISO 19005-3): fonts within, nothing outside, and the content's data attached."""


class TypesettingError(CrumbmeterError):
    """The source cannot be set: a fault of our own, or a logo that is none."""


def pdf(source: str, data: str, files: dict[str, bytes], created_us: int | None = None) -> bytes:
    """Set a document.

    Args:
        source: Its source.
        data: JSON that the source reads as `sys.inputs.data`.
        files: What the source refers to (charts, logo), by name.
        created_us: [us] UTC since 1970 that the file states as its making. None: it states none, and then it is no
            PDF/A, which wants one.

    Raises:
        TypesettingError: the source has a fault.
    """
    stated = {} if created_us is None else {"timestamp": datetime.fromtimestamp(created_us // 1_000_000, UTC)}
    made: bytes = _set(source, data, files, pdf_standards=[] if created_us is None else [ARCHIVE], **stated)
    return made


def pictures(source: str, data: str, files: dict[str, bytes], dots_per_inch: float = 80.0) -> list[bytes]:
    """Set a document and return its pages as PNG: to look at.

    Args:
        source: Its source.
        data: JSON that the source reads as `sys.inputs.data`.
        files: What the source refers to, by name.
        dots_per_inch: [1/in] Resolution.

    Raises:
        TypesettingError: the source has a fault.
    """
    made = _set(source, data, files, format="png", ppi=dots_per_inch)
    return made if isinstance(made, list) else [made]


def _set(source: str, data: str, files: dict[str, bytes], **how: Any) -> Any:
    # Fonts come from the two libraries alone: with those of a machine the bytes would be the machine's.
    fonts = [str(Path(mpl.get_data_path()) / "fonts" / "ttf")]
    try:
        return _COMPILE(
            {"main.typ": source.encode(), **files},
            sys_inputs={"data": data}, font_paths=fonts, ignore_system_fonts=True, **how,
        )  # fmt: skip
    except (RuntimeError, TypeError) as fault:
        raise TypesettingError(f"{type(fault).__name__}: {fault}") from fault
