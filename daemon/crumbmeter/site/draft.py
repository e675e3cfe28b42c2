"""A site file with every table validated by itself, and its profiles beside it: what the cross checks look at."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crumbmeter.field.spec import RegisterSpec
from crumbmeter.site.documents import Document
from crumbmeter.site.keys.base import Keys
from crumbmeter.site.keys.batch import BatchKeys, IngredientKeys
from crumbmeter.site.keys.desk import DeskKeys
from crumbmeter.site.keys.feed import AlarmKeys, FeederKeys, SequenceKeys, ToleranceKeys, TrimKeys
from crumbmeter.site.keys.links import (
    DeviceKeys,
    JournalKeys,
    OutputKeys,
    PublishKeys,
    SignalKeys,
    SocketKeys,
    UnitsKeys,
)
from crumbmeter.site.keys.plant import ControlKeys, DrumKeys, LineKeys, MixKeys, PlantKeys, SiteKeys, StreamKeys
from crumbmeter.site.keys.pulses import shown_register
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.keys.uncertainty import UncertaintyKeys
from crumbmeter.site.lines import KeyPath
from crumbmeter.site.problems import Problem, nearest
from crumbmeter.site.profiles import Profile
from crumbmeter.site.validate import check_named, check_table, known_keys, models_in

NAMED = ("devices", "signals", "streams", "ingredients", "mixes", "alarms", "outputs")
"""Sections that are tables of tables, one for each name."""
OF_DRUM = ("streams", "drum", "trim")
OF_BATCHES = ("ingredients", "batch")
"""Sections that only the one kind of plant has, and must have."""


@dataclass
class Draft:
    """What could be made of a site file so far. None: the table is missing or has a mistake of its own."""

    doc: Document
    site: SiteKeys | None = None
    control: ControlKeys | None = None
    units: UnitsKeys | None = None
    drum: DrumKeys | None = None
    batch: BatchKeys | None = None
    line: LineKeys | None = None
    plant: PlantKeys | None = None
    feeder: FeederKeys | None = None
    sequence: SequenceKeys | None = None
    trim: TrimKeys | None = None
    tolerance: ToleranceKeys | None = None
    uncertainty: UncertaintyKeys | None = None
    publish: PublishKeys | None = None
    socket: SocketKeys | None = None
    desk: DeskKeys | None = None
    journal: JournalKeys | None = None
    devices: Mapping[str, DeviceKeys | None] = field(default_factory=dict)
    signals: Mapping[str, SignalKeys | None] = field(default_factory=dict)
    streams: Mapping[str, StreamKeys | None] = field(default_factory=dict)
    ingredients: Mapping[str, IngredientKeys | None] = field(default_factory=dict)
    mixes: Mapping[str, MixKeys | None] = field(default_factory=dict)
    alarms: Mapping[str, AlarmKeys | None] = field(default_factory=dict)
    outputs: Mapping[str, OutputKeys | None] = field(default_factory=dict)
    profiles: dict[str, Profile] = field(default_factory=dict)
    """Those that could be found, by name."""
    folders: Sequence[Path] = ()
    """Where profiles were looked for."""
    problems: list[Problem] = field(default_factory=list)

    @property
    def makes_batches(self) -> bool:
        """Tell whether the file describes a batch plant; else it is taken for that of a drum plant."""
        return "batch" in self.doc.data

    def say(self, code: str, path: KeyPath, expected: str, *, remedy: str = "", found: str | None = None) -> None:
        """Add a problem at a key of the site file."""
        self.problems.append(self.doc.problem(code, path, expected, remedy=remedy, found=found))

    def raw(self, section: str) -> Mapping[str, Any]:
        """Return a section as it was read, or an empty one where it is no table."""
        value = self.doc.data.get(section)
        return value if isinstance(value, dict) else {}

    def profile_of(self, device: str) -> Profile | None:
        """Return the profile of a device, where it could be made out."""
        entry = self.raw("devices").get(device)
        name = entry.get("profile") if isinstance(entry, dict) else None
        return self.profiles.get(name) if isinstance(name, str) else None

    def register(self, reference: str) -> RegisterSpec | None:
        """Return the register that `device.register` names, or None where anything on the way has a mistake."""
        device, _, name = reference.partition(".")
        profile = self.profile_of(device)
        return profile.registers.get(name) if profile else None

    def register_of_signal(self, signal: str | None) -> RegisterSpec | None:
        """Return the register of a signal, or None where anything on the way has a mistake."""
        entry = self.raw("signals").get(signal) if signal else None
        source = entry.get("source") if isinstance(entry, dict) else None
        register = self.register(source) if isinstance(source, str) else None
        keys = self.signals.get(signal or "")
        return register if register is None or keys is None else shown_register(keys, register)

    def sound(self, section: str) -> Iterator[tuple[str, Any]]:
        """Yield the entries of a named section that have no mistake of their own."""
        for name, part in getattr(self, section).items():
            if part is not None:
                yield name, part


def make_draft(doc: Document, folders: Sequence[Path]) -> Draft:
    """Validate every table of a site file by itself."""
    draft = Draft(doc, folders=folders)
    fields = known_keys(SiteFile)
    lost = [key for key in fields if key not in doc.data]
    replaced = set()
    for key in doc.data:
        if key not in fields:
            close = nearest(key, lost) or nearest(key, fields)
            replaced.add(close)
            words = f"unknown table; did you mean {close}?" if close else "unknown table"
            draft.say("unknown-key", (key,), words, remedy=f"Write {close}." if close else "")
    for section, info in fields.items():
        if section not in doc.data:
            needed = info.is_required() or section in (OF_BATCHES if draft.makes_batches else OF_DRUM)
            if needed and section not in replaced:
                draft.say("missing-key", (section,), "is missing", remedy=f"Add the table [{section}].")
            if section == "publish":
                draft.publish = PublishKeys()
            if section == "desk":
                draft.desk = DeskKeys()
            continue
        _section(draft, section, next(models_in(info.annotation)))
    return draft


def _section(draft: Draft, section: str, model: type[Keys]) -> None:
    data = draft.doc.data[section]
    if section in NAMED:
        parts, problems = check_named(model, draft.doc, (section,), data)
        if data == {} and section not in ("alarms", "outputs"):
            problems.append(draft.doc.problem("missing-key", (section,), "needs at least one entry", remedy="Add one."))
        setattr(draft, section, parts)
        draft.problems += problems
    else:
        checked = check_table(model, draft.doc, (section,), data)
        setattr(draft, section, checked.part)
        draft.problems += checked.problems
