"""Orders that an instructor gives while the plant plays: what is done, and what is refused with its reason."""

import pytest

from crumbmeter_sim.orders import obey
from crumbmeter_sim.rig import Rig
from tests.closed_loop import ROOT


@pytest.fixture
def rig() -> Rig:
    return Rig.from_scenario(ROOT / "config/scenarios/start_up.toml", seed=3)


def test_an_order_is_done_at_once_and_a_lasting_one_ends_by_itself(rig: Rig) -> None:
    rig.advance(30.0)
    assert obey(rig, '{"do": "feeder_fault", "for_s": 5.0}') == "DONE feeder_fault"
    assert rig.plant.feeder.fault
    rig.advance(6.0)
    assert not rig.plant.feeder.fault


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("bridge", "no JSON"),
        ('["bridge"]', "needs t_s and a known `do`"),
        ('{"do": "brigde"}', "did you mean bridge?"),
        ('{"do": "leak_gate"}', "leak_gate needs kg_s"),
        ('{"do": "freeze_scale", "belt": "moon"}', "no belt named 'moon'"),
        ('{"do": "batch_abort"}', "is of another kind of plant"),
    ],
)
def test_what_is_no_step_is_refused(rig: Rig, line: str, why: str) -> None:
    answer = obey(rig, line)
    assert answer.startswith("REFUSED ")
    assert why in answer
