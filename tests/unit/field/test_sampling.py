"""Raw image -> samples: a number only where words came, and otherwise why not (field lesson 5)."""

import timeit

import pytest

from crumbmeter.field.plan import make_plan
from crumbmeter.field.sampling import make_sampler, sample_image
from crumbmeter.field.spec import WordType
from crumbmeter.model.image import NEVER_READ, RawBlock, RawImage, ReadOutcome
from crumbmeter.model.quality import Reason
from crumbmeter.model.sample import Sample
from tests.fakes import device_spec, source

SOURCES = [source("a", 0, scale=0.5), source("b", 1, word_type=WordType.F32, sentinels=(0x7FC00000,)), source("c", 99)]
PLAN = make_plan([device_spec()], SOURCES, [])
SAMPLER = make_sampler(PLAN, SOURCES)


def test_values_come_with_the_time_of_their_reply() -> None:
    blocks = (RawBlock((7, 0x3FC0, 0), 12.5, ReadOutcome.OK), RawBlock((3,), 11.0, ReadOutcome.OK))
    assert sample_image(SAMPLER, RawImage(13.0, blocks)) == (
        Sample(3.5, Reason.OK, 12.5, True),
        Sample(1.5, Reason.OK, 12.5, True),
        Sample(3.0, Reason.OK, 11.0, True),
    )


def test_the_last_words_stand_while_attempts_fail() -> None:
    blocks = (RawBlock((7, 0x7FC0, 0), 12.5, ReadOutcome.TIMEOUT), NEVER_READ)
    assert sample_image(SAMPLER, RawImage(13.0, blocks)) == (
        Sample(3.5, Reason.OK, 12.5, False),
        Sample(None, Reason.SENTINEL, 12.5, False),
        Sample(None, Reason.NOT_YET_READ, 0.0, False),
    )


@pytest.mark.parametrize(
    ("outcome", "reason"),
    [
        (ReadOutcome.NEVER, Reason.NOT_YET_READ),
        (ReadOutcome.NO_CONNECTION, Reason.NO_COMMUNICATION),
        (ReadOutcome.TIMEOUT, Reason.NO_COMMUNICATION),
        (ReadOutcome.EXCEPTION, Reason.DEVICE_EXCEPTION),
        (ReadOutcome.BAD_REPLY, Reason.BAD_REPLY),
    ],
)
def test_a_failed_read_never_yields_a_number(outcome: ReadOutcome, reason: Reason) -> None:
    block = RawBlock(None, 0.0, outcome)
    for sample in sample_image(SAMPLER, RawImage(13.0, (block, block))):
        assert sample == Sample(None, reason, 0.0, False)


def test_a_plan_of_another_site_is_refused() -> None:
    with pytest.raises(ValueError, match="argument"):
        make_sampler(PLAN, SOURCES[:2])


def test_sampling_is_cheap_enough_for_every_scan() -> None:
    sources = [source(f"s{n}", 2 * n, word_type=WordType.F32) for n in range(25)]
    plan = make_plan([device_spec()], sources, [])
    sampler = make_sampler(plan, sources)
    image = RawImage(1.0, (RawBlock((0x3FC0, 0) * 25, 1.0, ReadOutcome.OK),))
    best_s = min(timeit.repeat(lambda: sample_image(sampler, image), number=200, repeat=7)) / 200
    # Target: 2 us a signal; four times that on a busy machine.
    assert best_s / 25 < 8e-6
