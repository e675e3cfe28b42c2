"""A guided procedure as data: steps with what to do, with cautions and with fields; what the entries come to."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from crumbmeter.commission.calibrating.quantities import QUANTITIES, Asked, Value
from crumbmeter.commission.calibrating.tracks import Source, Watch
from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.calibrations import CalibrationKind, Limits, Trial
from crumbmeter.qc.weighing_runs import FeederRun, Minimum
from crumbmeter.report.form_texts import FormRefusedError
from crumbmeter.site import Site

LOCK_OUT: Final = (
    "A belt that stands can start. Before anybody touches it: stop it, lock it out, tag it, try the start button. A "
    "stop by this program or by the plant's controller is no lock-out. The plant's rules and local codes come first."
)
RUNNING_BELT: Final = (
    "The belt runs in this step: keep guards on, hands, sleeves and tools away; no cleaning, no scraping."
)
WEIGHTS: Final = "Weights are heavy: two people or a hoist, safe footing, nobody below, secured against falling."
TRUCK: Final = "Trucks move: vest on, be seen by the driver, never between truck and plant."
AUGER: Final = (
    "The auger turns, and starts by itself: never reach into hopper, spout or outlet. Lock out before anything is "
    "cleared."
)
DUST: Final = "Rubber dust burns and irritates: mask, no sparks, no open flame, sweep up what is spilled."
HOT: Final = (
    "Binder is hot (above 150 degC), under pressure, and burns at once: gloves, face shield, long sleeves; no water."
)
LINE: Final = "The conveying line is under pressure: never open a coupling or a hatch while the blower runs."


@dataclass(frozen=True, slots=True)
class Field:
    """One thing that is read or asked for."""

    name: str
    label: str
    quantity: str
    source: Source | None = None
    """None: only a person knows it."""
    help: str = ""
    choices: tuple[str, ...] = ()
    default: str = ""
    """Taken where nothing is typed; empty: there is none."""
    required: bool = True
    above: float | None = None
    """[SI] It must be above this."""
    least: float | None = None
    most: float | None = None

    @property
    def asked(self) -> Asked:
        """Return what is needed to read it."""
        return Asked(self.name, self.quantity, self.choices, self.required, self.above, self.least, self.most)


@dataclass(frozen=True, slots=True)
class Step:
    """One step."""

    title: str
    do: tuple[str, ...]
    fields: tuple[Field, ...]
    cautions: tuple[str, ...] = ()
    watch: Watch | None = None
    """How long the daemon is looked at for the fields that have a source."""


@dataclass(frozen=True, slots=True)
class Entry:
    """What was entered for one field."""

    value: Value
    by: str
    """typed, given, daemon or default."""
    at_us: int
    """[us] UTC since 1970."""
    quality: str = ""
    """Of what the daemon said."""


class Entries:
    """All entries of one test, by field."""

    def __init__(self, kept: Mapping[str, Entry]) -> None:
        self.kept = kept

    def __contains__(self, name: str) -> bool:
        return name in self.kept

    def _value(self, name: str) -> Value:
        entry = self.kept.get(name)
        return None if entry is None else entry.value

    def number(self, name: str) -> float | None:
        """[SI] Return a number; None where there is none."""
        value = self._value(name)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    def needed(self, name: str) -> float:
        """[SI] Return a number that must be there.

        Raises:
            FormRefusedError: it is not.
        """
        value = self.number(name)
        if value is None:
            raise FormRefusedError(name, "nothing", "a number", "Enter it.")
        return value

    def count(self, name: str, otherwise: int = 0) -> int:
        """Return a whole number."""
        value = self.number(name)
        return otherwise if value is None else round(value)

    def text(self, name: str) -> str:
        """Return a word; empty where there is none."""
        value = self._value(name)
        return value if isinstance(value, str) else ""

    def yes(self, name: str) -> bool | None:
        """Return yes or no; None: nobody said."""
        value = self._value(name)
        return value if isinstance(value, bool) else None


@dataclass(frozen=True, slots=True)
class Place:
    """What is tested, and where."""

    site: Site
    instrument: str
    limits: Limits
    regime: str
    """agency or legal_for_trade."""

    @property
    def metric(self) -> bool:
        """Whether people there use metric units."""
        return self.site.units == "metric"

    @property
    def legal(self) -> bool:
        """Whether the scale is legal for trade."""
        return self.regime == "legal_for_trade"

    def signal(self, index: int | None) -> str:
        """Return a signal's id; empty where the site has none."""
        return "" if index is None else self.site.params.sources[index].signal_id

    def limit_percent(self, kind: CalibrationKind, what: str = "error_percent") -> float | None:
        """[%] Return a limit; None where no text gives one."""
        limit = self.limits.of(kind, self.regime).get(what)
        return None if limit is None else limit.value


@dataclass(frozen=True, slots=True)
class Proposal:
    """One value for the site file."""

    path: tuple[str, ...]
    value: float
    why: str


@dataclass(frozen=True, slots=True)
class Shown:
    """A small table of results."""

    title: str
    rows: tuple[tuple[str, ...], ...]
    """The header first."""


@dataclass(frozen=True, slots=True)
class Worked:
    """What the entries of a finished test come to."""

    trials: tuple[Trial, ...]
    figures: Mapping[str, float]
    tables: tuple[Shown, ...]
    notes: tuple[str, ...] = ()
    """What a reader must know of the figures."""
    runs: tuple[FeederRun, ...] = ()
    minimum: Minimum = Minimum.TIME
    proposals: tuple[Proposal, ...] = ()


@dataclass(frozen=True, slots=True)
class Procedure:
    """One kind of guided test."""

    word: str
    """On the command line."""
    kind: CalibrationKind
    says: str
    """What it is, in a line."""
    instruments: Callable[[Site], tuple[str, ...]]
    steps: Callable[[Place, Entries], tuple[Step, ...]]
    """All steps that are known after what has been entered; the first with a field missing is the next one."""
    work: Callable[[Place, Entries], Worked]


LAST: Final = Step(
    "Held against",
    ("Name what it was held against, so that the certificate can.",),
    (
        Field("certificate", "Certificate of weights or truck scale", "text", required=False),
        Field("note", "Note", "text", required=False),
    ),
)


def next_step(procedure: Procedure, place: Place, entries: Entries) -> Step | None:
    """Return the first step that has something missing; None: the test is done."""
    steps = procedure.steps(place, entries)
    return next((step for step in steps if any(one.name not in entries for one in step.fields)), None)


def readings(procedure: Procedure, place: Place, entries: Entries) -> dict[str, Any]:
    """Return every entry by its name with its unit, and which were not a person's or not Good."""
    fields = [one for step in procedure.steps(place, entries) for one in step.fields]
    kept: dict[str, Any] = {}
    read, doubtful = [], []
    for field in fields:
        entry = entries.kept[field.name]
        if field.name in ("certificate", "note") or entry.value is None:
            continue
        known = QUANTITIES.get(field.quantity)
        name = f"{field.name}_{known.suffix}" if known is not None and known.suffix else field.name
        kept[name] = entry.value
        if entry.by == "daemon":
            read.append(name)
            doubtful += [f"{name} ({entry.quality})"] if entry.quality != "Good" else []
    lists = {"read_from_daemon": ", ".join(read), "not_good": ", ".join(doubtful)}
    return kept | {name: text for name, text in lists.items() if text}
