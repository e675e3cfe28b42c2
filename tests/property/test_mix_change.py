"""Changes of mix at any moment, among equal mixes: whatever the plant does, the demand is that without any change."""

import math
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from crumbmeter.control.plant import choose_mix, move, new_plant
from crumbmeter.model.reading import good
from crumbmeter.process.params import DoseBasis, MixParams
from tests.cores import INDEX, RUNNING, make_params

DT_S = 0.2
BASE = make_params()
STREAMS = (
    replace(BASE.streams[0], scale_filter_s=1.5, binder_belt_s=14.0, binder_drum_s=30.0),
    replace(BASE.streams[1], scale_filter_s=1.5, binder_belt_s=6.0, binder_drum_s=15.0),
    BASE.streams[2],
)
sections = st.lists(
    st.tuples(
        st.floats(0.4, 15.0), st.sampled_from("abcde"), st.sampled_from((0.0, 12.0, 50.0, 90.0)),
        st.sampled_from((0.0, 10.0)), st.sampled_from((0.0, 1.6)), st.sampled_from((0.0, 1.0)),
    ),
    min_size=1, max_size=10,
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(sections, st.sampled_from(DoseBasis))
def test_changes_among_equal_mixes_change_nothing(
    parts: list[tuple[float, str, float, float, float, float]], basis: DoseBasis
) -> None:
    mixes = tuple(MixParams(name, name, basis, 0.05, 0.055, None) for name in "abcde")
    params = replace(BASE, streams=STREAMS, mixes=mixes, first_mix="a")
    by_id = {mix.mix_id: mix for mix in mixes}
    plain = changed = new_plant(params)
    chosen = "a"
    for seconds, mix_id, aggregate, recycle, belt, drum in [(70.0, "a", 50.0, 10.0, 1.6, 1.0), *parts]:
        if mix_id != chosen:
            changed, chosen = choose_mix(changed, params, chosen, mix_id), mix_id
        shown = RUNNING | {
            "aggregate": aggregate, "recycle": recycle, "belt_speed": belt, "drum_turning": drum,
            "binder": 0.05 * aggregate * drum,
        }  # fmt: skip
        readings = tuple(good(shown[name]) for name in INDEX)
        for _ in range(round(seconds / DT_S)):
            plain, one = move(plain, params, mixes[0], readings, DT_S)
            changed, other = move(changed, params, by_id[chosen], readings, DT_S)
            for kg, same_kg in (
                (one.target_kg, other.target_kg), (one.wanted_kg_s, other.wanted_kg_s),
                (one.within_kg, other.within_kg), (plain.material_kg, changed.material_kg),
            ):  # fmt: skip
                assert math.isclose(kg, same_kg, rel_tol=1e-9, abs_tol=1e-9)
        assert len(changed.mixes.leaving) <= 3
