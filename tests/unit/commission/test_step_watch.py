"""The watch over steps: each is seen once, and is done when enough record lies behind it."""

from typing import Any

import pytest

from crumbmeter import site as sites
from crumbmeter.commission.step_watch import StepWatch, Wanted, wanted_steps
from tests.quality_site import ROOT

PARAMS = sites.load(ROOT / "config/sites/demo_drum.toml").params
NORMAL = PARAMS.drum.normal_dry_kg_s


def view(now_s: float, share: float, recycle: float = 0.2, speed_rev_s: float = 0.0) -> dict[str, Any]:
    """Make a view: dry material as a share of the normal rate, so much of it recycle."""
    dry = {"aggregate": share * NORMAL * (1.0 - recycle), "rap": share * NORMAL * recycle}
    return {
        "process_time_s": now_s, "auger_speed_rev_s": {"value": speed_rev_s},
        "streams": [{"stream_id": one.stream_id, "dry_kg_s": dry.get(one.stream_id, 0.0)} for one in PARAMS.streams],
    }  # fmt: skip


def play(watch: StepWatch, *parts: tuple[float, dict[str, float]]) -> list[tuple[float, str]]:
    """Play rates one after the other, a view a second; return what was seen and when."""
    seen: list[tuple[float, str]] = []
    now_s = watch.now_s
    for lasts_s, rates in parts:
        for _ in range(round(lasts_s)):
            now_s += 1.0
            seen += [(now_s, name) for name in watch.take(view(now_s, **rates))]
    return seen


def test_the_demonstration_site_can_show_all_of_them() -> None:
    assert [one.name for one in wanted_steps(PARAMS)] == ["start-up", "rate step", "RAP step", "auger step"]
    assert wanted_steps(PARAMS)[0].after_s > 1.6 * (45.9 + 61.2)


def test_steps_are_seen_as_they_happen_and_no_others() -> None:
    watch = StepWatch(PARAMS)
    seen = play(
        watch, (120, {"share": 0.0}), (120, {"share": 0.9}), (120, {"share": 1.1}),
        (120, {"share": 0.88, "recycle": 0.0}),
    )  # fmt: skip
    assert [name for _, name in seen] == ["start-up", "rate step", "RAP step"]
    assert [at_s for at_s, _ in seen] == [pytest.approx(at_s, abs=20.0) for at_s in (130.0, 250.0, 370.0)]


def test_a_steady_plant_shows_no_step() -> None:
    assert play(StepWatch(PARAMS), (300, {"share": 1.0, "speed_rev_s": 0.5})) == []


def test_a_sharp_step_of_the_auger_is_seen() -> None:
    watch = StepWatch(PARAMS)
    top = 0.6 * PARAMS.feed.max_speed_rev_s
    seen = play(watch, (60, {"share": 1.0, "speed_rev_s": 0.0}), (60, {"share": 1.0, "speed_rev_s": top}))
    assert [name for _, name in seen] == ["auger step"]


def test_it_is_done_when_so_much_record_lies_behind_every_step() -> None:
    watch = StepWatch(PARAMS)
    wanted = (Wanted("start-up", "", "", 50.0),)
    assert watch.left_s(wanted[0]) is None
    play(watch, (60, {"share": 0.0}), (30, {"share": 1.0}))
    left_s = watch.left_s(wanted[0])
    assert left_s is not None
    assert left_s > 0.0
    assert not watch.done(wanted)
    play(watch, (90, {"share": 1.0}))
    assert watch.done(wanted)
