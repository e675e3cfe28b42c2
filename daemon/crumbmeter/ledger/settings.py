"""Settings in the journal: every file of a site, byte for byte, once for each id, and again before retention comes."""

import base64

from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.stamped import SETTINGS, Stamped, body_of, record
from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class KeptSettings:
    """The files that a settings id stands for."""

    settings_id: str
    files: tuple[tuple[str, bytes], ...]
    """Name and content."""


def entry(settings: KeptSettings, at: Stamped) -> Entry:
    """Make the entry of settings. A text stays readable; what is not UTF-8 is kept in base64."""
    files = [[name, *_encoded(content)] for name, content in settings.files]
    return record(SETTINGS, {"settings_id": settings.settings_id, "files": files}, at)


def _encoded(content: bytes) -> tuple[str, str]:
    try:
        return "text", content.decode()
    except UnicodeDecodeError:
        return "base64", base64.b64encode(content).decode()


def read(stored: Stored) -> KeptSettings:
    """Read settings back."""
    body = body_of(stored, SETTINGS)
    files = tuple(
        (name, content.encode() if how == "text" else base64.b64decode(content)) for name, how, content in body["files"]
    )
    return KeptSettings(body["settings_id"], files)


def find(reader: Reader, settings_id: str) -> Stored | None:
    """Return the newest entry that keeps the settings of an id."""
    for stored in reader.entries("record", (SETTINGS,), newest_first=True):
        if body_of(stored, SETTINGS)["settings_id"] == settings_id:
            return stored
    return None


def due(reader: Reader, settings_id: str, now_wall_us: int, keep_us: int | None) -> bool:
    """Tell whether settings have to be stored: they are not kept yet, or retention would take them before long.

    Args:
        reader: The journal.
        settings_id: Of the settings in force.
        now_wall_us: [us] Now.
        keep_us: [us] How long the record strand is kept; None for ever.
    """
    found = find(reader, settings_id)
    return found is None or (keep_us is not None and now_wall_us - found.wall_us > keep_us // 2)
