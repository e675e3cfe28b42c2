"""The live dose and its uncertainty against what the simulated plant really made, through stops, refills and steps.

The demonstration plant's instruments are as exact as its site says, so the true dose of the window must lie within the
expanded uncertainty nearly always. With a scale further off than stated it must not.
"""

from typing import Any

import pytest

from crumbmeter_sim import drum
from tests.closed_loop import loop_for

pytestmark = pytest.mark.slow
PARTS_OF_MIX = (drum.A_VIRGIN, drum.A_RECYCLE, drum.A_CARRIED, drum.A_BINDER)


def deviations(scenario: str, seed: int, overrides: dict[str, Any] | None = None) -> list[tuple[float, float]]:
    """Return, at each parcel behind a full window, error and uncertainty of the shown dose over the true one."""
    loop = loop_for(scenario, seed=seed, overrides=overrides)
    window_kg = loop.site.params.uncertainty.window_kg
    left = [(0.0, 0.0)]
    found = []
    while not loop.rig.finished:
        if not loop.scan().parcels:
            continue
        out, proving = loop.rig.plant.out, loop.state.proving
        left.append((out[drum.A_RUBBER], sum(out[part] for part in PARTS_OF_MIX)))
        shown, begun = proving.shown, len(left) - 1 - len(proving.parts)
        if shown is not None and shown.mix_kg >= window_kg and begun >= 0:
            rubber, mix = (now - then for now, then in zip(left[-1], left[begun], strict=True))
            true = rubber / (mix + rubber)
            found.append((shown.dose / true - 1.0, shown.expanded / true))
    return found


@pytest.mark.parametrize(("scenario", "seed"), [("refill", 1), ("rate_change", 2), ("full_drum_stop", 3)])
def test_the_true_dose_lies_within_what_is_shown(scenario: str, seed: int) -> None:
    found = deviations(scenario, seed)
    assert len(found) > 100
    inside = sum(abs(error) <= expanded for error, expanded in found)
    assert inside >= 0.95 * len(found)
    # And it says something: a tenth of the dose would be no proof of anything.
    assert max(expanded for _, expanded in found) < 0.05


def test_a_hopper_scale_further_off_than_stated_is_not_covered() -> None:
    found = deviations("refill", 1, {"hopper.gain_error_percent": 4.0})
    inside = sum(abs(error) <= expanded for error, expanded in found)
    assert inside < 0.2 * len(found)
