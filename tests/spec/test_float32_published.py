"""Totals that would stand still in single precision, and do not here. The source stands beside each check."""

import struct

from crumbmeter.control.outlet import Marks, new_outlet, pass_through
from crumbmeter.model.quality import Quality
from crumbmeter.process.params import DoseBasis, DrumParams, MixParams

DRUM = DrumParams(turning=0, speed=None, nominal_speed_rev_s=0.15, outlet_residence_s=1e-300, outlet_stages=1)
MIX = MixParams("surface", "Surface", DoseBasis.TOTAL_MIX, 0.005, 0.05, None)
MARKS = Marks(
    now_s=0.0, mix=MIX, older=MIX, quality=Quality.GOOD, run_state="feeding", state_rank=1, controlled=True,
simulated=True )  # fmt: skip


def single(value: float) -> float:
    """Round to IEEE 754 single precision, as a device's 32-bit totaliser does."""
    rounded: float = struct.unpack("<f", struct.pack("<f", value))[0]
    return rounded


def test_a_single_precision_totaliser_stalls() -> None:
    # computation.md, section 12, item 3 (derived from IEEE 754): 250 kg/h ten times a second is 0.0069 kg a step; added
    # to 200 000 kg in single precision it adds nothing, for the next number is 0.015625 kg away. And 2^24 + 1 is 2^24.
    step = 250.0 / 3600.0 / 10.0
    assert round(step, 4) == 0.0069
    assert single(200_000.0 + single(step)) == 200_000.0
    assert single(200_000.0 + 0.015625) - 200_000.0 == 0.015625
    assert single(2.0**24 + 1.0) == 16_777_216.0


def test_parcels_lose_nothing_of_such_steps() -> None:
    # Derived: the same 0.0069 kg a step for a day, on top of whole grams: nothing is lost but what is still forming.
    step, scans = 250.0 / 3600.0 / 10.0, 864_000
    parts = (1.0, 0.0, 0.0, 0.05, step, step, 0.0, 1.05 + step)
    state, booked_g, stalled = new_outlet(DRUM, "surface"), 0, 200_000.0
    for _ in range(scans // 100):
        state, parcel, _ = pass_through(state, DRUM, parts, 1.0, MARKS, 250.0, 0.1)
        booked_g += parcel.rubber_g if parcel is not None else 0
        stalled = single(stalled + single(step))
    assert stalled == 200_000.0
    forming_kg = state.forming[4]
    assert abs(booked_g / 1000.0 + forming_kg - step * (scans // 100)) < 1e-9 * scans
