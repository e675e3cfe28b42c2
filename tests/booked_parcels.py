"""Invented parcels for tests of quality control: alike but for what a test says, one behind the other."""

from collections.abc import Iterable, Iterator
from typing import Any

from crumbmeter.model.frozen import replace
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked

US_PER_S = 1_000_000
NOON_US = 1_782_043_200 * US_PER_S
"""2026-06-21 12:00 UTC."""
PARCEL = Parcel(
    number=1, began_s=0.0, ended_s=3.0, mix_id="mix A", dose_basis="total_mix", dose_target=0.005,
    target_rubber_g=1_250, rubber_g=1_250, rubber_uncertainty_g=10,
    dry_aggregate_g=186_250, recycle_g=50_000, recycle_binder_g=2_500, virgin_binder_g=12_500,
    quality=Quality.GOOD, worst_state="RUN", controlled=True, simulated=False,
)  # fmt: skip
"""250 kg of mix with 0.5 % of rubber in the total mix."""


def booked(number: int = 1, *, began_us: int = NOON_US, lasts_us: int = 3 * US_PER_S, **parcel: Any) -> Booked:
    """Make one parcel; `seq` runs ten times as fast as its number, as other entries lie between."""
    settings_id = parcel.pop("settings_id", "site 1")
    clock_synced = parcel.pop("clock_synced", True)
    made = replace(PARCEL, number=number, **parcel)
    return Booked(made, number * 10, began_us, began_us + lasts_us, clock_synced, settings_id)


def run_of(count: int, *, number: int = 1, began_us: int = NOON_US, **parcel: Any) -> list[Booked]:
    """Make so many parcels, each of 3 s, without a gap."""
    return [booked(number + at, began_us=began_us + at * 3 * US_PER_S, **parcel) for at in range(count)]


def in_a_row(parcels: Iterable[Booked]) -> Iterator[Booked]:
    """Number parcels and their entries anew, in the order given."""
    for number, one in enumerate(parcels, 1):
        yield replace(one, parcel=replace(one.parcel, number=number), seq=number * 10)
