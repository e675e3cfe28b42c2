"""Deviations over random mix: none is missed, none is invented, no parcel lies in two of them."""

from hypothesis import given, settings
from hypothesis import strategies as st

from crumbmeter.qc.booked import Booked
from crumbmeter.qc.deviations import DeviationRule, Kind, find_deviations
from tests.qc_parcels import booked

RULE = DeviationRule(within=0.10, window_g=2_000_000)
STRETCHES = st.lists(
    st.tuples(st.integers(1, 30), st.sampled_from([0.0, 0.5, 0.85, 0.95, 1.0, 1.05, 1.2, 2.0])), min_size=1, max_size=8
)


def parcels_of(stretches: list[tuple[int, float]]) -> list[Booked]:
    shares = [share for count, share in stretches for _ in range(count)]
    return [booked(number, rubber_g=round(1250 * share)) for number, share in enumerate(shares, 1)]


def windows(parcels: list[Booked]) -> list[tuple[int, int, float]]:
    """Judge every window in the plainest way: backwards from each parcel until the mass is reached."""
    found = []
    for end in range(len(parcels)):
        mix_g = rubber_g = target_g = 0
        for begin in range(end, -1, -1):
            parcel = parcels[begin].parcel
            mix_g, rubber_g, target_g = (
                mix_g + parcel.mix_g, rubber_g + parcel.rubber_g, target_g + parcel.target_rubber_g,
            )  # fmt: skip
            if mix_g >= RULE.window_g:
                found.append((begin + 1, end + 1, rubber_g / target_g - 1.0))
                break
    if not found:
        total = sum(one.parcel.rubber_g for one in parcels) / sum(one.parcel.target_rubber_g for one in parcels)
        found.append((1, len(parcels), total - 1.0))
    return found


@given(STRETCHES)
@settings(max_examples=300, deadline=None)
def test_what_is_out_of_tolerance_is_found_and_nothing_else(stretches: list[tuple[int, float]]) -> None:
    parcels = parcels_of(stretches)
    deviations = list(find_deviations(parcels, RULE))
    judged = windows(parcels)
    for begin, end, error in judged:
        side = Kind.OVER if error > 0.0 else Kind.SHORT
        if abs(error) > RULE.within:
            assert any(
                one.kind is side and one.first_number <= end and one.last_number >= begin for one in deviations
            ), (begin, end, error)
    for one in deviations:
        assert one.worst is not None
        assert abs(one.worst) > RULE.within
        assert any(
            begin <= one.last_number and end >= one.first_number and error == one.worst for begin, end, error in judged
        )
    numbers = [number for one in deviations for number in range(one.first_number, one.last_number + 1)]
    assert len(numbers) == len(set(numbers))
    for one in deviations:
        held = [each.parcel for each in parcels if one.first_number <= each.parcel.number <= one.last_number]
        assert (one.mix_g, one.rubber_g) == (sum(each.mix_g for each in held), sum(each.rubber_g for each in held))
