"""The probe on a few random maps: drawn alike, judged strictly, and served over a real socket."""

from pathlib import Path
from typing import Any

import pytest

from crumbmeter.field.ranking import rank
from tests.benchmarks import probe
from tests.benchmarks.probe_codec import ORDERS, TYPES, encode
from tests.benchmarks.probe_judge import looks_of, score, truly
from tests.benchmarks.probe_maps import DISTRACTORS, draw
from tests.benchmarks.probe_wire import over_the_wire


def test_maps_come_again_and_differ() -> None:
    first, again, other = draw(1, 0), draw(1, 0), draw(1, 1)
    assert first.image(0, 0) == again.image(0, 0)
    assert first.shown == again.shown
    assert first.image(0, 0) != other.image(0, 0)
    assert len(first.points) > DISTRACTORS


def test_maps_are_of_every_type_and_order() -> None:
    targets = [draw(3, number).target.codec for number in range(200)]
    assert {one.kind for one in targets if one is not None} == set(TYPES)
    assert {one.order for one in targets if one is not None} == set(ORDERS)
    assert 10 <= sum(one.offset != 0.0 for one in targets if one is not None) <= 80


def test_the_judge_accepts_the_truth_alone() -> None:
    """Of everything ranked: what is right over the whole range has the words of the value, and no wrong scale does."""
    drawn = draw(1, 3)
    ranking = rank(looks_of(drawn))
    right = [one for group in ranking.groups for one in group.candidates if truly(drawn, one)]
    assert right
    places = [(point.address, point.address + point.count) for point in drawn.truth]
    assert all(any(first <= one.where.address < end for first, end in places) or one.where.words > 1 for one in right)
    assert score(3, drawn, ranking).first_three


def test_a_number_is_laid_out_as_published() -> None:
    """Orders by their bytes: A the most significant."""
    assert encode("u32", "ABCD", float(0x0A0B0C0D)) == [0x0A0B, 0x0C0D]
    assert encode("u32", "CDAB", float(0x0A0B0C0D)) == [0x0C0D, 0x0A0B]
    assert encode("u32", "BADC", float(0x0A0B0C0D)) == [0x0B0A, 0x0D0C]
    assert encode("u32", "DCBA", float(0x0A0B0C0D)) == [0x0D0C, 0x0B0A]
    assert encode("sm16", "ABCD", -5.0) == [0x8005]
    assert encode("bcd16", "ABCD", 1234.0) == [0x1234]


@pytest.mark.parametrize("number", [0, 3])
async def test_a_map_over_a_real_socket(number: int, tmp_path: Path) -> None:
    told = await over_the_wire(1, number, tmp_path)
    assert told["codes"] in ([3], [4])
    assert told["same"]


def test_twenty_maps_of_a_seed_nobody_chose() -> None:
    told = probe.sums(90_210, [probe.play((90_210, number, 3)) for number in range(20)])
    assert told["first"] >= 16
    assert told["first_three"] >= 18
    assert told["unjustified_ties"] == 0


def test_the_section_judges() -> None:
    own: dict[str, Any] = {"seed": 1, "maps": 200, "first": 190, "first_three": 198, "unjustified_ties": 0}
    wired = [{"same": True, "codes": [3]}]
    figures: dict[str, Any] = {"own": own, "others": [], "over_sockets": wired}
    assert probe.judge(figures).met
    assert not probe.judge({**figures, "own": {**own, "first": 189}}).met
    assert not probe.judge({**figures, "own": {**own, "first_three": 197}}).met
    assert not probe.judge({**figures, "own": {**own, "unjustified_ties": 1}}).met
    assert not probe.judge({**figures, "over_sockets": [{"same": True, "codes": [3, 6]}]}).met
    assert not probe.judge({**figures, "others": [{**own, "first": 100}]}).met
