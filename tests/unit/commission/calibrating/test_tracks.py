"""Looks at the daemon: what begins and ends one, what is summed, and what a hole in between takes away."""

from typing import Any

import pytest

from crumbmeter.commission.calibrating.tracks import FED, Figure, Found, Source, Watch, Watching


def view(now_s: float, fed: float | None = None, **signals: float | None) -> dict[str, Any]:
    def body(value: float | None) -> dict[str, Any]:
        return {"value": value, "quality": "Bad" if value is None else "Good", "reason": "stale", "age_s": 0.1}

    listed = [{"signal_id": name, "unit": "x", **body(value)} for name, value in signals.items()]
    return {"answer": "view", "process_time_s": now_s, "fed_kg_s": body(fed), "signals": listed}


def watched(watch: Watch, views: list[dict[str, Any]], **sources: Source) -> dict[str, Found]:
    watching = Watching(watch, sources)
    ends = [at for at, one in enumerate(views) if watching.take(one)]
    assert ends[:1] == [len(views) - 1], ends
    return watching.found()


def test_one_view_is_enough_for_a_look() -> None:
    found = watched(Watch(), [view(5.0, total=7.0)], it=Source(Figure.END, "total"))
    assert found == {"it": Found(7.0, "Good")}


def test_a_time_is_watched_and_summed() -> None:
    views = [view(float(at), total=10.0 + at, speed=2.0, flow=float(at)) for at in range(11)]
    found = watched(
        Watch(seconds=10.0), views, change=Source(Figure.CHANGE, "total"), turns=Source(Figure.SUM, "speed"),
        mean=Source(Figure.MEAN, "flow"), mass=Source(Figure.SUM, "flow"), took=Source(Figure.DURATION),
    )  # fmt: skip
    assert {name: one.value for name, one in found.items()} == {
        "change": 10.0, "turns": 20.0, "mean": 5.0, "mass": 50.0, "took": 10.0,
    }  # fmt: skip


def test_a_catch_begins_when_the_diverter_leaves_the_drum_and_ends_when_it_is_back() -> None:
    states = [0.0, 1.0, 1.0, 0.0, 0.0, 0.0, 1.0]  # open at first: half a catch is none
    views = [view(float(at), fed=0.5, diverter=state, auger=1.0) for at, state in enumerate(states)]
    found = watched(
        Watch(contact="diverter"), views, took=Source(Figure.DURATION), turns=Source(Figure.SUM, "auger"),
        fed=Source(Figure.SUM, FED),
    )  # fmt: skip
    assert [found[name].value for name in ("took", "turns", "fed")] == [3.0, 3.0, 1.5]


def test_it_says_what_it_waits_for() -> None:
    watching = Watching(Watch(contact="diverter"), {})
    assert watching.waits_for == "diverter to be closed"
    watching.take(view(0.0, diverter=1.0))
    assert watching.waits_for == "diverter to open"
    watching.take(view(1.0, diverter=0.0))
    assert (watching.waits_for, watching.elapsed_s) == ("", 0.0)


def test_refills_count_when_they_are_complete() -> None:
    gate = [1.0, 0.0, 1.0, 1.0, 0.0, 1.0]  # one was going on at the beginning, one is at the end
    views = [view(float(at), gate=state) for at, state in enumerate(gate)]
    found = watched(Watch(seconds=5.0), views, refills=Source(Figure.RISES, "gate"))
    assert found["refills"].value == 1.0


@pytest.mark.parametrize("figure", [Figure.CHANGE, Figure.MEAN, Figure.SUM, Figure.END])
def test_a_hole_takes_the_figure_away_and_says_why(figure: Figure) -> None:
    views = [view(0.0, total=1.0), view(1.0, total=None), view(2.0, total=3.0)]
    assert watched(Watch(seconds=2.0), views, it=Source(figure, "total"))["it"] == Found(None, "Bad: stale")


def test_a_signal_that_the_daemon_does_not_have_is_said_to_be_unknown() -> None:
    found = watched(Watch(), [view(0.0)], it=Source(Figure.END, "total"))
    assert found["it"] == Found(None, "Bad: not known to the daemon")
