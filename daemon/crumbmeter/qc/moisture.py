"""Moistures that come late: what they change in the mix already made, in rows of their own.

The plant's record stands. A parcel was made with the moisture that was known when it was made; a test that is entered
later and holds from before gives a correction for each parcel in between. Wet mass is what the scale saw, so with the
moisture as a share of dry mass (AASHTO T 255)  dry = wet / (1 + w), and

    corrected dry = booked dry (1 + w used) / (1 + w right)

The travel from the scale to the outlet is not taken off: a moisture's effective time is no better known than that.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import StrEnum
from math import isfinite
from typing import Any, Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel
from crumbmeter.process.dose import Mix, dose_of
from crumbmeter.process.params import DoseBasis
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.said import Said, Subject

MOST: Final = 0.5
"""Water as a share of dry mass that is still believed; above it a percentage was given for a fraction."""


class Material(StrEnum):
    """Which part of the mix a stream is."""

    AGGREGATE = "aggregate"
    RECYCLE = "recycle"


class MoistureRefusedError(ValueError):
    """An entry is no moisture. The message names the key, what was found and what is expected."""


@dataclass(frozen=True, slots=True)
class MoistureEntry:
    """One moisture test of one stream."""

    stream_id: str
    material: Material
    fraction: float
    """Water as a fraction of DRY mass."""
    effective_us: int
    """[us] UTC since 1970 from which it holds."""
    said_us: int
    """[us] UTC since 1970 at which it was entered."""
    who: str
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Correction:
    """What a late moisture changes in one parcel. The parcel itself stays as it was booked."""

    parcel: int
    parcel_seq: int
    entry_seq: int
    stream_id: str
    used_fraction: float
    right_fraction: float
    dry_aggregate_change_g: int
    recycle_change_g: int
    recycle_binder_change_g: int
    dose_booked: float | None
    """In the parcel's own basis; None: nothing to relate the rubber to."""
    dose_corrected: float | None


def read(said: Said) -> MoistureEntry:
    """Read a moisture out of an entry. A share of wet mass is turned into one of dry mass: w / (1 - w).

    Raises:
        MoistureRefusedError: the entry is none.
    """
    place = f"moisture of {said.about}"
    if said.subject is not Subject.MOISTURE:
        raise MoistureRefusedError(f"entry {said.seq} is about a {said.subject.value}, not a moisture")
    unknown = sorted(set(said.what) - {"moisture_percent", "basis", "material", "note"})
    if unknown:
        raise MoistureRefusedError(
            f"{place}: unknown key {unknown[0]!r}; it knows moisture_percent, basis, material, note"
        )
    percent = said.what.get("moisture_percent")
    if isinstance(percent, bool) or not isinstance(percent, int | float) or not isfinite(percent):
        raise MoistureRefusedError(f"{place}: moisture_percent is {percent!r}, and must be a finite number")
    basis = said.what.get("basis")
    if basis not in ("dry", "wet"):
        raise MoistureRefusedError(f"{place}: basis is {basis!r}, and must be dry or wet: the share of which mass")
    share = percent / 100.0
    fraction = share if basis == "dry" else (share / (1.0 - share) if share < 1.0 else MOST + 1.0)
    if not 0.0 <= fraction <= MOST:
        raise MoistureRefusedError(f"{place}: {percent:g} % of {basis} mass is not believed; 0 to {100 * MOST:g} % is")
    try:
        material = Material(said.what.get("material", Material.AGGREGATE))
    except ValueError:
        given = said.what.get("material")
        raise MoistureRefusedError(f"{place}: material {given!r} must be aggregate or recycle") from None
    return MoistureEntry(said.about, material, fraction, said.effective_us, said.said_us, said.who, said.seq)


def what(entry: MoistureEntry) -> dict[str, Any]:
    """Return a moisture as the content of an entry; stream, times and person stand in the entry itself."""
    return {"moisture_percent": 100.0 * entry.fraction, "basis": "dry", "material": entry.material.value}


def corrections(
    parcels: Iterable[Booked],
    entries: Sequence[MoistureEntry],
    initial: Mapping[str, float],
    share_of: Callable[[Booked, str], float] = lambda _, __: 1.0,
) -> tuple[Correction, ...]:
    """List what moistures that came late change in parcels already made.

    Args:
        parcels: In order.
        entries: Moistures in force, of any stream.
        initial: By stream: water as a fraction of dry mass that was used before any entry, as the site file has it.
        share_of: Of a parcel and a stream: its share of the parcel's dry aggregate (or recycle). One stream: 1.
    """
    rows = []
    streams = {one.stream_id: one.material for one in entries}
    for booked in parcels:
        for stream_id, material in streams.items():
            own = [one for one in entries if one.stream_id == stream_id and one.effective_us <= booked.began_us]
            right = max(own, key=lambda one: (one.effective_us, one.seq), default=None)
            known = [one for one in own if one.said_us <= booked.began_us]
            used = max(known, key=lambda one: (one.effective_us, one.seq), default=None)
            if right is None or right is used:
                continue
            used_fraction = initial.get(stream_id, 0.0) if used is None else used.fraction
            if used_fraction != right.fraction:
                rows.append(_correction(booked, material, right, used_fraction, share_of(booked, stream_id)))
    return tuple(rows)


def _correction(booked: Booked, material: Material, right: MoistureEntry, used: float, share: float) -> Correction:
    parcel = booked.parcel
    change = share * ((1.0 + used) / (1.0 + right.fraction) - 1.0)
    of_aggregate = change if material is Material.AGGREGATE else 0.0
    of_recycle = change if material is Material.RECYCLE else 0.0
    aggregate_g = round(parcel.dry_aggregate_g * of_aggregate)
    recycle_g, binder_g = round(parcel.recycle_g * of_recycle), round(parcel.recycle_binder_g * of_recycle)
    booked_mix = Mix(
        float(parcel.dry_aggregate_g), float(parcel.recycle_g), float(parcel.recycle_binder_g),
        float(parcel.virgin_binder_g),
    )  # fmt: skip
    corrected = Mix(
        booked_mix.dry_aggregate + aggregate_g, booked_mix.recycle + recycle_g, booked_mix.recycle_binder + binder_g,
        booked_mix.virgin_binder,
    )  # fmt: skip
    return Correction(
        parcel=parcel.number,
        parcel_seq=booked.seq,
        entry_seq=right.seq,
        stream_id=right.stream_id,
        used_fraction=used,
        right_fraction=right.fraction,
        dry_aggregate_change_g=aggregate_g,
        recycle_change_g=recycle_g,
        recycle_binder_change_g=binder_g,
        dose_booked=_dose(parcel, booked_mix),
        dose_corrected=_dose(parcel, corrected),
    )


def _dose(parcel: Parcel, mix: Mix) -> float | None:
    if parcel.dose_basis not in list(DoseBasis):
        return None  # a record of another version
    return dose_of(DoseBasis(parcel.dose_basis), float(parcel.rubber_g), mix)
