"""Parcels for the tests of quality control: 250 kg of mix without rubber every ten seconds, unless told otherwise."""

from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked


def booked(
    number: int,
    *,
    rubber_g: int = 1250,
    target_g: int = 1250,
    mix_id: str = "mix_a",
    quality: Quality = Quality.GOOD,
    simulated: bool = False,
    mix_without_rubber_g: int = 250_000,
    ended_us: int | None = None,
) -> Booked:
    """Make a parcel: a twentieth of it is binder, a tenth recycle."""
    recycle_g, binder_g = mix_without_rubber_g // 10, mix_without_rubber_g // 20
    parcel = Parcel(
        number=number, began_s=10.0 * (number - 1), ended_s=10.0 * number, mix_id=mix_id, dose_basis="added_to_mix",
        dose_target=target_g / mix_without_rubber_g, target_rubber_g=target_g, rubber_g=rubber_g,
        rubber_uncertainty_g=12, dry_aggregate_g=mix_without_rubber_g - recycle_g - binder_g, recycle_g=recycle_g,
        recycle_binder_g=recycle_g // 20, virgin_binder_g=binder_g, quality=quality, worst_state="feeding",
        controlled=True, simulated=simulated,
    )  # fmt: skip
    ended = number * 10_000_000 if ended_us is None else ended_us
    return Booked(parcel, number + 100, ended - 10_000_000, ended, clock_synced=True)
