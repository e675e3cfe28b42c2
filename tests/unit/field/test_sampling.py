"""Raw image -> samples: a number only where words came, and otherwise why not (field lesson 5)."""

import timeit
from dataclasses import replace

import pytest

from crumbmeter.field.plan import make_plan
from crumbmeter.field.sampling import make_sampler, sample_image
from crumbmeter.field.spec import AddressSpan, LiveZero, Place, PowerOfTen, RegisterSpec, SignalSource, Table, WordType
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


@pytest.mark.parametrize(
    "other",
    [
        source("a", 1, scale=0.5),
        source("a", 0, table=Table.HOLDING),
        source("a", 0, power=PowerOfTen(RegisterSpec(Table.INPUT, 3, WordType.U16))),
        source("a", 1, power=PowerOfTen(RegisterSpec(Table.INPUT, 0, WordType.U16))),
        source("a", 0, together=AddressSpan(0, 4)),
    ],
)
def test_a_signal_that_does_not_lie_whole_in_its_block_is_refused(other: SignalSource) -> None:
    with pytest.raises(ValueError, match=r"^a does not lie whole in its block$"):
        make_sampler(PLAN, [other, *SOURCES[1:]])


def test_a_word_before_the_block_is_never_taken_for_its_last() -> None:
    # A place before the block would be counted from its end.
    plan = replace(PLAN, signals=(Place(1, -1), *PLAN.signals[1:]))
    with pytest.raises(ValueError, match="does not lie whole"):
        make_sampler(plan, [source("a", 98), *SOURCES[1:]])


def test_a_value_at_the_end_of_its_range_keeps_its_reason() -> None:
    sources = [source("loop", 0, live_zero=LiveZero(4000, 20000)), source("other", 1)]
    sampler = make_sampler(make_plan([device_spec()], sources, []), sources)
    image = RawImage(13.0, (RawBlock((3700, 5), 12.5, ReadOutcome.OK),))
    assert sample_image(sampler, image) == (
        Sample(3700.0, Reason.ENGINEERING_UNITS_EXCEEDED, 12.5, True),
        Sample(5.0, Reason.OK, 12.5, True),
    )


def test_sampling_is_cheap_enough_for_every_scan() -> None:
    sources = [source(f"s{n}", 2 * n, word_type=WordType.F32) for n in range(25)]
    plan = make_plan([device_spec()], sources, [])
    sampler = make_sampler(plan, sources)
    image = RawImage(1.0, (RawBlock((0x3FC0, 0) * 25, 1.0, ReadOutcome.OK),))
    best_s = min(timeit.repeat(lambda: sample_image(sampler, image), number=200, repeat=7)) / 200
    # Target: 2 us a signal; four times that on a busy machine.
    assert best_s / 25 < 8e-6
