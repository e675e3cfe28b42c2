"""Files of the pages: read once, served from memory with an ETag. No path of a request reaches the disk."""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from crumbmeter.web.faults import DeskError

HERE: Final = Path(__file__).parent
TYPES: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".mjs": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
    ".woff2": "font/woff2",
    ".txt": "text/plain; charset=utf-8",
    "": "text/plain; charset=utf-8",
    ".md": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
}


@dataclass(frozen=True, slots=True)
class _File:
    content: bytes
    etag: str
    media_type: str


class Shelf:
    """One folder of files."""

    def __init__(self, folder: Path) -> None:
        """Read it; a folder that is not there has no files."""
        self._files = {
            path.relative_to(folder).as_posix(): _read(path)
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.suffix in TYPES
        }

    def answer(self, name: str, request: Request) -> Response:
        """Answer a request for one file; browsers ask anew each time and are told whether it is the same.

        Raises:
            DeskError: 404 where there is no such file.
        """
        file = self._files.get(name)
        if file is None:
            raise DeskError(
                404,
                request.url.path,
                "no such file",
                "a file of the page",
                "See whether the program is installed whole.",
            )
        headers = {"cache-control": "no-cache", "etag": file.etag}
        if request.headers.get("if-none-match") == file.etag:
            return Response(status_code=304, headers=headers)
        return Response(file.content, media_type=file.media_type, headers=headers)


def _read(path: Path) -> _File:
    content = path.read_bytes()
    return _File(content, f'"{hashlib.sha256(content).hexdigest()[:32]}"', TYPES[path.suffix])
