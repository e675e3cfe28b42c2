"""Samples and results in the quality record, and the way from a result to its sublot.

A sample says where it was taken in one of four ways: the ticket of its truck, the parcel, the mass of mix since the
day's first parcel, or only the time. Each is turned into parcels by functions that the caller passes in (trucks and
lots are other modules' matter), and parcels into sublots. A truck that holds two sublots gives both, and says so.
"""

from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from math import isfinite
from types import MappingProxyType
from typing import Any, Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.said import Said, Subject


class Test(StrEnum):
    """What was tested."""

    __test__ = False
    HAMBURG = "hamburg"
    FRACTURE = "fracture energy"
    CRACKING = "ct index"
    BINDER = "binder content"
    GRADATION = "gradation"
    AIR_VOIDS = "air voids"


FIGURES: Final[Mapping[Test, tuple[str, ...]]] = MappingProxyType({
    Test.HAMBURG: ("final_rut_mm", "last_passes", "passes_at_limit", "limit_mm", "creep_mm_per_1000", "sip_passes",
                   "sip_mm", "temperature_c"),
    Test.FRACTURE: ("energy_j_m2", "work_j", "peak_kn", "ligament_mm", "thickness_mm", "temperature_c"),
    Test.CRACKING: ("ct_index", "fracture_energy_j_m2", "work_j", "peak_kn", "l75_mm", "m75_kn_mm", "diameter_mm",
                    "thickness_mm", "temperature_c"),
    Test.BINDER: ("measured_percent", "of_mix_percent", "of_mix_without_rubber_percent", "rubber_percent",
                  "correction_rubber_percent", "correction_aggregate_percent"),
    Test.GRADATION: (),
    Test.AIR_VOIDS: ("air_voids_percent",),
})  # fmt: skip
"""Figures of each test, by the key under which they are kept. A gradation's keys are `passing_OPENINGmm_percent`."""
MAIN_FIGURE: Final[Mapping[Test, str]] = MappingProxyType({
    Test.HAMBURG: "final_rut_mm", Test.FRACTURE: "energy_j_m2", Test.CRACKING: "ct_index",
    Test.BINDER: "of_mix_without_rubber_percent", Test.AIR_VOIDS: "air_voids_percent",
})  # fmt: skip


class EntryRefusedError(ValueError):
    """An entry of the quality record is no sample or result. The message names the key, what was found and expected."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Mix that somebody took away to test."""

    sample_id: str
    taken_us: int
    """[us] UTC since 1970."""
    who: str
    mix_id: str = ""
    ticket: str = ""
    parcel: int | None = None
    mix_kg: float | None = None
    """[kg] Mix of that day before the sample."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """What a test of a sample found."""

    result_id: str
    sample_id: str
    test: Test
    method: str
    """How it was found: standard, fit, end rule, correction. Never empty."""
    figures: Mapping[str, float]
    tested_us: int
    """[us] UTC since 1970."""
    who: str
    complete: bool = True
    note: str = ""


def read_sample(said: Said) -> Sample:
    """Read a sample out of an entry.

    Raises:
        EntryRefusedError: the entry is none.
    """
    what = _content(said, Subject.SAMPLE, {"mix_id", "ticket", "parcel", "mix_kg", "note"})
    parcel, mix_kg = what.get("parcel"), what.get("mix_kg")
    if parcel is not None and (isinstance(parcel, bool) or not isinstance(parcel, int) or parcel < 0):
        raise EntryRefusedError(f"sample {said.about}: parcel {parcel!r} is no parcel's number")
    if mix_kg is not None:
        mix_kg = _number(f"sample {said.about}", "mix_kg", mix_kg)
    ticket = str(what.get("ticket", ""))
    given = [
        name for name, one in (("ticket", ticket or None), ("parcel", parcel), ("mix_kg", mix_kg)) if one is not None
    ]
    if len(given) > 1:
        raise EntryRefusedError(f"sample {said.about}: its place is given by {' and '.join(given)}; keep one of them")
    return Sample(
        said.about, said.effective_us, said.who, str(what.get("mix_id", "")), ticket, parcel, mix_kg,
        str(what.get("note", "")),
    )  # fmt: skip


def sample_what(sample: Sample) -> dict[str, Any]:
    """Return a sample as the content of an entry; id, time and person stand in the entry itself."""
    what = {"mix_id": sample.mix_id, "ticket": sample.ticket, "parcel": sample.parcel, "mix_kg": sample.mix_kg,
            "note": sample.note}  # fmt: skip
    return {key: value for key, value in what.items() if value not in (None, "")}


def read_result(said: Said) -> Result:
    """Read a result out of an entry.

    Raises:
        EntryRefusedError: the entry is none.
    """
    place = f"result {said.about}"
    what = _content(said, Subject.RESULT, {"sample_id", "test", "method", "figures", "complete", "note"})
    try:
        test = Test(what.get("test", ""))
    except ValueError:
        words = ", ".join(one.value for one in Test)
        raise EntryRefusedError(f"{place}: test {what.get('test')!r} is not one of {words}") from None
    for key in ("sample_id", "method"):
        if not what.get(key):
            raise EntryRefusedError(f"{place}: {key} is missing; a figure without it cannot be placed or compared")
    figures = what.get("figures")
    if not isinstance(figures, Mapping) or not figures:
        raise EntryRefusedError(f"{place}: figures are missing; give a table of them")
    checked = {str(key): _number(place, str(key), value) for key, value in figures.items()}
    for key in checked:
        if not known_figure(test, key):
            raise EntryRefusedError(
                f"{place}: {key!r} is no figure of {test.value} ({', '.join(FIGURES[test]) or 'sieves'})"
            )
    return Result(
        said.about, str(what["sample_id"]), test, str(what["method"]), checked, said.effective_us, said.who,
        what.get("complete", True) is True, str(what.get("note", "")),
    )  # fmt: skip


def result_what(result: Result) -> dict[str, Any]:
    """Return a result as the content of an entry; id, time and person stand in the entry itself."""
    what: dict[str, Any] = {
        "sample_id": result.sample_id, "test": result.test.value, "method": result.method,
        "figures": dict(result.figures), "complete": result.complete,
    }  # fmt: skip
    return what | ({"note": result.note} if result.note else {})


def known_figure(test: Test, key: str) -> bool:
    """Tell whether a test has such a figure."""
    if test is Test.GRADATION:
        return key.startswith("passing_") and key.endswith("mm_percent")
    return key in FIGURES[test]


@dataclass(frozen=True, slots=True)
class Ways:
    """How the caller finds mix. Each function answers with nothing where it does not know."""

    parcels_of_ticket: Callable[[str], Sequence[int]]
    parcel_at: Callable[[int], int | None]
    """Of an instant [us]: the parcel at the drum's outlet."""
    parcel_behind: Callable[[float, int], int | None]
    """Of a mass [kg] since the first parcel of the day of an instant [us]."""
    sublot_of: Callable[[int], str | None]
    """Of a parcel's number."""


@dataclass(frozen=True, slots=True)
class Tie:
    """Where a sample belongs."""

    sample_id: str
    by: str
    """ticket, parcel, mass or time."""
    parcels: tuple[int, ...]
    sublots: tuple[str, ...]
    """The one with most of the sample's parcels first."""
    doubt: str = ""
    """Why it is not sure; empty where it is."""


def tie(sample: Sample, ways: Ways) -> Tie:
    """Find the parcels and the sublot of a sample."""
    by, parcels = _parcels(sample, ways)
    counts: dict[str, int] = {}
    for parcel in parcels:
        sublot = ways.sublot_of(parcel)
        if sublot is not None:
            counts[sublot] = counts.get(sublot, 0) + 1
    sublots = tuple(sorted(counts, key=lambda sublot: -counts[sublot]))
    doubt = ""
    if not parcels:
        doubt = f"no mix is known by its {by}"
    elif not sublots:
        doubt = "its mix belongs to no sublot"
    elif len(sublots) > 1:
        doubt = f"its mix lies in {len(sublots)} sublots"
    elif by == "time":
        doubt = "placed by time alone: silo and truck lie between the drum and the sample"
    return Tie(sample.sample_id, by, parcels, sublots, doubt)


def _parcels(sample: Sample, ways: Ways) -> tuple[str, tuple[int, ...]]:
    if sample.ticket:
        return "ticket", tuple(ways.parcels_of_ticket(sample.ticket))
    if sample.parcel is not None:
        return "parcel", (sample.parcel,)
    if sample.mix_kg is not None:
        found = ways.parcel_behind(sample.mix_kg, sample.taken_us)
        return "mass", () if found is None else (found,)
    found = ways.parcel_at(sample.taken_us)
    return "time", () if found is None else (found,)


def _content(said: Said, subject: Subject, known: set[str]) -> Mapping[str, Any]:
    if said.subject is not subject:
        raise EntryRefusedError(f"entry {said.seq} is about a {said.subject.value}, not a {subject.value}")
    unknown = sorted(set(said.what) - known)
    if unknown:
        raise EntryRefusedError(
            f"{subject.value} {said.about}: unknown key {unknown[0]!r}; it knows {', '.join(sorted(known))}"
        )
    return said.what


def _number(place: str, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise EntryRefusedError(f"{place}: {key} is {value!r}, and must be a finite number")
    return float(value)
