"""Where a site's records and its daemon are, read from its file even where the file is refused otherwise."""

import asyncio
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import in_force, settings
from crumbmeter.ledger.versions import Version, of_runs, on_record
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.site.settings import SourceFile

PEOPLE: Final = "desk/people.json"


class NotFoundError(CrumbmeterError):
    """What is asked about is nowhere; the text says where it was looked for."""


@dataclass(frozen=True, slots=True)
class Places:
    """What belongs to one site file."""

    site: Path
    journal: Path
    """The plant's record."""
    quality: Path
    """Folder of the quality record."""
    socket: Path
    simulated: bool


def places_of(site: Path, record: Path | None, quality: Path | None) -> Places:
    """Read where everything of a site is.

    Args:
        site: The site file; it need not be good.
        record: Folder of the plant's record, where it is not the file's.
        quality: Folder of the quality record, likewise.

    Raises:
        NotFoundError: the file cannot be read, or does not say it.
    """
    try:
        data: dict[str, Any] = tomllib.loads(site.read_text("utf-8"))
    except (OSError, ValueError) as fault:
        if record is None or quality is None:
            why = getattr(fault, "strerror", None) or fault
            raise NotFoundError(f"{site}: {why}. Say --record and --quality-folder, which it would tell.") from fault
        data = {}
    folder = record or _path(data, "journal", "folder")
    people = folder.parent / str(data.get("desk", {}).get("people", PEOPLE))
    return Places(
        site, folder / "journal.db", quality or people.parent,
        Path(str(data.get("socket", {}).get("path", ""))), bool(data.get("site", {}).get("simulated")),
    )  # fmt: skip


def _path(data: dict[str, Any], section: str, key: str) -> Path:
    value = data.get(section, {}).get(key)
    if not isinstance(value, str):
        raise NotFoundError(f"the site file has no {section}.{key}: say --record")
    return Path(value)


def all_versions(places: Places) -> tuple[Version, ...]:
    """Return the versions on record, and before them those that only the plant's record holds.

    Raises:
        JournalUnreadableError: a record is there and cannot be read.
    """
    told = on_record(places.quality)
    known = {one.settings_id for one in told}
    if not places.journal.exists():
        return told
    with Reader(places.journal) as reader:
        return (*(one for one in of_runs(reader) if one.settings_id not in known), *told)


def files_in_force(places: Places) -> tuple[str, tuple[SourceFile, ...], str]:
    """Return settings id and files of what the daemon runs on, and where that was learned.

    Raises:
        NotFoundError: no daemon answers, and no record says what ran last.
    """
    journal, wanted, whence = places.journal, None, "the running daemon"
    try:
        told = asyncio.run(_settings(places.socket))
        wanted, journal = str(told["settings_id"]), Path(str(told["journal"]))
    except NoDaemonError:
        whence = "the record: no daemon runs, and this was in force last"
    try:
        with Reader(journal) as reader:
            wanted = wanted or in_force.newest(reader)
            stored = settings.find(reader, wanted) if wanted else None
            if wanted is None or stored is None:
                raise NotFoundError(f"{journal}: holds no settings {(wanted or '')[:12]}".rstrip())
            files = tuple(SourceFile(name, content) for name, content in settings.read(stored).files)
            return wanted, files, whence
    except JournalUnreadableError as fault:
        raise NotFoundError(f"no daemon answers at {places.socket}, and {fault}") from fault


async def _settings(socket: Path) -> dict[str, Any]:
    async with ControlLine(socket) as line:
        return await line.ask({"ask": "settings"})
