"""What start-up and step tests found of a plant's times, as it stands in the quality record.

Every figure says on what it rests. `identified` was seen in the record of a test, `geometry` follows from what was seen
and from lengths or shares that the site file states, `assumed` is the site file's own figure, because nothing was seen.
"""

from collections.abc import Iterable, Mapping
from enum import StrEnum
from math import isfinite
from typing import Any, Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.said import Said, Subject


class Basis(StrEnum):
    """On what a figure rests."""

    IDENTIFIED = "identified"
    GEOMETRY = "geometry"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Figure:
    """One time."""

    what: str
    basis: Basis
    value_s: float
    low_s: float | None
    """[s] Ends of its interval; None: it has none."""
    high_s: float | None
    in_force_s: float | None
    """[s] The site file's; None: the site file has no such figure."""
    site_key: str
    """Where it stands in the site file; empty: nowhere."""
    how: str

    @property
    def agrees(self) -> bool | None:
        """Tell whether the site file's figure lies in the interval; None where that cannot be said."""
        if self.basis is Basis.ASSUMED or self.in_force_s is None or self.low_s is None or self.high_s is None:
            return None
        return self.low_s <= self.in_force_s <= self.high_s


@dataclass(frozen=True, slots=True)
class Curve:
    """Stimulus, response and fit over time, in percent of the largest response."""

    stimulus_name: str
    response_name: str
    at_s: tuple[float, ...]
    stimulus_percent: tuple[float, ...]
    response_percent: tuple[float | None, ...]
    fitted_percent: tuple[float, ...]
    step_s: float
    delay_s: float


@dataclass(frozen=True, slots=True)
class Timing:
    """What one test found about one thing."""

    about: str
    """Id of a stream, or `drum`, `line`, `auger`."""
    figures: tuple[Figure, ...]
    curve: Curve | None
    steps: tuple[str, ...]
    """The steps that were used, in words."""
    boot_id: str
    settings_id: str
    from_s: float
    """[s] Stretch of the run that was looked at."""
    to_s: float
    coverage_percent: float
    simulated: bool
    done_us: int = 0
    """[us] UTC since 1970."""
    who: str = ""
    seq: int = 0


class TimingRefusedError(ValueError):
    """An entry is no timing. The message names the key, what was found and what is expected."""


_CURVE_LISTS: Final = ("at_s", "stimulus_percent", "response_percent", "fitted_percent")


def what(timing: Timing) -> dict[str, Any]:
    """Return the content of its entry. Curves are kept to three decimals: they are drawn, never reckoned with."""
    return {
        "figures": [
            {
                "what": one.what, "basis": one.basis.value, "value_s": one.value_s, "low_s": one.low_s,
                "high_s": one.high_s, "in_force_s": one.in_force_s, "site_key": one.site_key, "how": one.how,
            }
            for one in timing.figures
        ],
        "curve": None if timing.curve is None else _curve_content(timing.curve),
        "steps": list(timing.steps), "boot_id": timing.boot_id, "settings_id": timing.settings_id,
        "from_s": timing.from_s, "to_s": timing.to_s, "coverage_percent": timing.coverage_percent,
        "simulated": timing.simulated,
    }  # fmt: skip


def _curve_content(curve: Curve) -> dict[str, Any]:
    lists = {
        name: [None if value is None else round(value, 3) for value in getattr(curve, name)] for name in _CURVE_LISTS
    }
    return {
        **lists, "stimulus_name": curve.stimulus_name, "response_name": curve.response_name, "step_s": curve.step_s,
        "delay_s": curve.delay_s,
    }  # fmt: skip


def said_of(timing: Timing) -> Said:
    """Make its entry."""
    return Said(Subject.TIMING, timing.about, what(timing), timing.who, timing.done_us)


def read(said: Said) -> Timing:
    """Read it out of its entry.

    Raises:
        TimingRefusedError: the entry is none.
    """
    if said.subject is not Subject.TIMING:
        raise TimingRefusedError(f"entry {said.seq} is about a {said.subject.value}, not a timing")
    place, held = f"timing of {said.about}", said.what
    try:
        figures = tuple(_figure(place, one) for one in held["figures"])
        curve = None if held.get("curve") is None else _curve(held["curve"])
        return Timing(
            about=said.about, figures=figures, curve=curve, steps=tuple(str(one) for one in held["steps"]),
            boot_id=str(held["boot_id"]), settings_id=str(held["settings_id"]), from_s=float(held["from_s"]),
            to_s=float(held["to_s"]), coverage_percent=float(held["coverage_percent"]),
            simulated=bool(held["simulated"]), done_us=said.effective_us, who=said.who, seq=said.seq,
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as fault:
        raise TimingRefusedError(f"{place} (entry {said.seq}): {type(fault).__name__} {fault}") from fault


def _figure(place: str, held: Mapping[str, Any]) -> Figure:
    value_s = float(held["value_s"])
    if not isfinite(value_s):
        raise TimingRefusedError(f"{place}: value_s is {value_s}, and must be finite")
    low_s, high_s, in_force_s = (_maybe(held.get(key)) for key in ("low_s", "high_s", "in_force_s"))
    return Figure(
        str(held["what"]), Basis(held["basis"]), value_s, low_s, high_s, in_force_s, str(held["site_key"]),
        str(held["how"]),
    )  # fmt: skip


def _maybe(value: Any) -> float | None:
    return None if value is None else float(value)


def _curve(held: Mapping[str, Any]) -> Curve:
    lists = {name: tuple(_maybe(value) for value in held[name]) for name in _CURVE_LISTS}
    if len({len(one) for one in lists.values()}) != 1:
        raise TimingRefusedError("the curve's lists are of different lengths")
    return Curve(
        stimulus_name=str(held["stimulus_name"]), response_name=str(held["response_name"]),
        step_s=float(held["step_s"]), delay_s=float(held["delay_s"]), response_percent=lists["response_percent"],
        **{name: tuple(0.0 if value is None else value for value in lists[name])
           for name in ("at_s", "stimulus_percent", "fitted_percent")},
    )  # fmt: skip


def newest(entries: Iterable[Said]) -> list[Timing]:
    """Return the newest timing of each thing, in the order in which each was first told of.

    Raises:
        TimingRefusedError: an entry about a timing is none.
    """
    found: dict[str, Timing] = {}
    for one in entries:
        if one.subject is Subject.TIMING:
            found[one.about] = read(one)
    return list(found.values())
