"""Metering error over windows of mix, and dose by tons: the figures of an acceptance run, out of its parcels."""

from collections.abc import Iterable, Sequence
from math import fsum, sqrt

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.acceptance import DoseCurve, Windows
from crumbmeter.qc.adding import Adding, basis_of
from crumbmeter.qc.booked import Booked, unbroken
from crumbmeter.qc.made import Masses

NEAR, FAR = 5.0, 10.0
"""[%] Bands whose shares are told."""
STRETCHES = 200
"""Of a curve: what a chart of a page's width can show."""
LEAST_STRETCH_G = 1_000_000
FEEDING = "feeding"
"""Run state in which rubber is fed as it is meant to be."""


@dataclass(frozen=True, slots=True)
class Parts:
    """The parcels of a run, by who had the feeder."""

    watched: tuple[Booked, ...]
    settling: tuple[Booked, ...]
    """Of the time in control, until the feed ran and all rubber in the parcel was fed under it."""
    controlled: tuple[Booked, ...]
    """All from there on, whatever happened to them."""

    @property
    def settings_ids(self) -> tuple[str, ...]:
        """Return the settings under which they were made, where the record says it."""
        order = (*self.watched, *self.settling, *self.controlled)
        return tuple(dict.fromkeys(one.settings_id for one in order if one.settings_id))


def parts_of(parcels: Iterable[Booked], settle_s: float) -> Parts:
    """Sort the parcels of a run, which watches first and then controls.

    A parcel's run state is that of when it left the drum. So the rubber in it was fed under control when it left so
    much later than the feed began to run as line and drum take.

    Args:
        parcels: In order.
        settle_s: [s] How long line and drum take.
    """
    fed_us: int | None = None
    watched: list[Booked] = []
    settling: list[Booked] = []
    controlled: list[Booked] = []
    for one in parcels:
        if controlled:
            controlled.append(one)
        elif not one.parcel.controlled:
            (settling or watched).append(one)
        else:
            if fed_us is None and one.parcel.worst_state == FEEDING:
                fed_us = one.began_us
            settled = fed_us is not None and one.began_us >= fed_us + round(settle_s * 1e6)
            (controlled if settled and one.parcel.target_rubber_g > 0 else settling).append(one)
    return Parts(tuple(watched), tuple(settling), tuple(controlled))


def errors_percent(parcels: Sequence[Booked], window_g: int, *, simulated_site: bool) -> list[float]:
    """Return the error of each whole window, one behind the other, in percent of the rubber asked for.

    Args:
        parcels: In order; a gap in their numbers begins a window anew.
        window_g: [g] Mix of one window.
        simulated_site: Whether simulated parcels are judged like any other.
    """
    found = []
    for run in unbroken(parcels):
        adding = Adding(window_g, None, simulated_site=simulated_site)
        for one in run:
            adding.add(one)
        found += [
            100.0 * (one.rubber_g - one.target_rubber_g) / one.target_rubber_g
            for one in adding.made().windows
            if one.target_rubber_g > 0
        ]
    return found


def windows(phase: str, errors: Sequence[float], window_g: int) -> Windows:
    """Return the figures of the windows of one size."""
    if not errors:
        return Windows(phase, window_g, 0, None, None, None, None, None)
    count = len(errors)
    return Windows(
        phase, window_g, count,
        rms_percent=sqrt(fsum([one * one for one in errors]) / count),
        mean_percent=fsum(errors) / count,
        worst_percent=max(errors, key=abs),
        within_5_percent=100.0 * sum(abs(one) <= NEAR for one in errors) / count,
        within_10_percent=100.0 * sum(abs(one) <= FAR for one in errors) / count,
    )  # fmt: skip


def sums(parcels: Iterable[Booked]) -> Masses:
    """Add parcels up."""
    totals = [0] * 6
    for one in parcels:
        parcel = one.parcel
        grams = (
            parcel.dry_aggregate_g, parcel.recycle_g, parcel.recycle_binder_g, parcel.virgin_binder_g,
            parcel.rubber_g, parcel.target_rubber_g,
        )  # fmt: skip
        totals = [held + more for held, more in zip(totals, grams, strict=True)]
    return Masses(*totals)


def dose_curve(parts: Parts) -> DoseCurve | None:
    """Return dose and target by tons, over the run in its order; None where no parcel has a dose."""
    order = [*parts.watched, *parts.settling, *parts.controlled]
    dosed = next((one for one in order if one.parcel.target_rubber_g > 0), None)
    if dosed is None:
        return None
    basis = basis_of(dosed)
    whole_g = sums(order).mix_g
    size_g = max(LEAST_STRETCH_G, whole_g // STRETCHES)
    ends: list[float] = []
    doses: list[float | None] = []
    targets: list[float | None] = []
    done_g, stretch, held_g = 0, list[Booked](), 0
    for one in order:
        stretch.append(one)
        held_g += one.parcel.mix_g
        if held_g >= size_g:
            masses, done_g = sums(stretch), done_g + held_g
            ends.append(done_g / 1000.0)
            doses.append(_percent(masses.dose(basis)))
            targets.append(_percent(masses.target_dose(basis)))
            stretch, held_g = [], 0
    watched_kg = sums(parts.watched).mix_g / 1000.0
    settled_kg = watched_kg + sums(parts.settling).mix_g / 1000.0
    return DoseCurve(
        basis.value, tuple(ends), tuple(doses), tuple(targets),
        watched_kg if parts.settling or parts.controlled else None, settled_kg if parts.controlled else None,
    )  # fmt: skip


def _percent(share: float | None) -> float | None:
    return None if share is None else round(100.0 * share, 5)
