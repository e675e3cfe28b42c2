"""Parcels for the tests of deviations: one every ten seconds from time zero, so that figures come out round."""

from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked
from tests import booked_parcels

TEN_S_US = 10_000_000


def booked(
    number: int, *, rubber_g: int = 1250, target_g: int = 1250, quality: Quality = Quality.GOOD, mix_id: str = "mix_a"
) -> Booked:
    """Make a parcel of about 250 kg; parcel N passes the outlet from 10 (N - 1) to 10 N seconds."""
    return booked_parcels.booked(
        number, began_us=(number - 1) * TEN_S_US, lasts_us=TEN_S_US, began_s=10.0 * (number - 1), ended_s=10.0 * number,
        rubber_g=rubber_g, target_rubber_g=target_g, quality=quality, mix_id=mix_id,
    )  # fmt: skip
