"""Site files saved whole: a reader finds the old text or the new one, never a part."""

import os
import tempfile
from pathlib import Path


def read_text(path: Path) -> str:
    """Return a file's text with its line ends as they are: what is saved again must not change them.

    Raises:
        OSError: it cannot be read.
        UnicodeDecodeError: it is not UTF-8.
    """
    return path.read_bytes().decode()


def save_text(path: Path, text: str) -> None:
    """Replace a file by a text, byte for byte; it is on the disk before the old one goes.

    Raises:
        OSError: the disk does not take it. The old file is there as it was.
    """
    save_bytes(path, text.encode())


def save_bytes(path: Path, content: bytes) -> None:
    """Replace a file by other content, likewise.

    Raises:
        OSError: the disk does not take it. The old file is there as it was.
    """
    target = path.resolve()  # a link stays a link
    descriptor, beside = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(beside).chmod(target.stat().st_mode & 0o777 if target.exists() else 0o644)
        Path(beside).replace(target)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
