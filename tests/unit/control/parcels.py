"""Parcels for tests."""

from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality


def parcel(mix_g: int = 250_000, rubber_g: int = 1250, target_g: int = 1250, number: int = 1) -> Parcel:
    """Make a parcel of that mass with its rubber."""
    rest_g = mix_g - rubber_g
    recycle_g, binder_g = rest_g // 5, rest_g // 20
    return Parcel(
        number=number, began_s=0.0, ended_s=4.0, mix_id="surface", dose_basis="total_mix", dose_target=0.005,
        target_rubber_g=target_g, rubber_g=rubber_g, rubber_uncertainty_g=5,
        dry_aggregate_g=rest_g - recycle_g - binder_g, recycle_g=recycle_g, recycle_binder_g=recycle_g // 20,
        virgin_binder_g=binder_g, quality=Quality.GOOD, worst_state="feeding", controlled=True, simulated=False,
    )  # fmt: skip
