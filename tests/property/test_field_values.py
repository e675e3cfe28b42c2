"""Every word there is, and floats by their bits: nothing that is no number, and no sentinel, ever leaves as Good."""

import math
import struct
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from crumbmeter.field.plan import make_plan
from crumbmeter.field.sampling import make_sampler, sample_image
from crumbmeter.field.scaling import two_points
from crumbmeter.field.spec import (
    AddressSpan,
    ByteOrder,
    LiveZero,
    PowerOfTen,
    RegisterSpec,
    SignalSource,
    Table,
    WordType,
)
from crumbmeter.field.words import decode_si, decode_words, encode_raw, encode_si, make_decoder, mask_write
from crumbmeter.field.words_codes import raw_range, text_of, words_of, words_of_text
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.settle import first_memory, settle
from tests.fakes import device_spec

ALL_WORDS = range(0x10000)
orders = st.sampled_from(list(ByteOrder))
SINGLE = [WordType.U16, WordType.I16, WordType.BCD16, WordType.SM16]
VALUES = [kind for kind in WordType if kind not in (WordType.BIT, WordType.TEXT)]


@pytest.mark.parametrize("order", [ByteOrder.ABCD, ByteOrder.BADC])
@pytest.mark.parametrize("kind", SINGLE)
def test_each_of_all_words_means_one_number_or_none(kind: WordType, order: ByteOrder) -> None:
    register = RegisterSpec(Table.HOLDING, 0, kind, order)
    decode = make_decoder(register)
    seen = set()
    for word in ALL_WORDS:
        value, reason = decode((word,), 0)
        if value is None:
            assert reason is Reason.INVALID_DIGITS
            continue
        assert reason is Reason.OK
        seen.add(value)
        assert decode_words(register, encode_raw(register, value)) == value
        if not (kind is WordType.SM16 and value == 0.0):
            assert encode_raw(register, value) == (word,)
    low, high = raw_range(register)
    assert seen == set(map(float, range(low, high + 1)))


@pytest.mark.parametrize("kind", SINGLE)
def test_of_all_words_the_sentinels_alone_are_sentinels(kind: WordType) -> None:
    sentinels = (0xFFFF, 0x8000, 0x7FFF, 0x9999)
    decode = make_decoder(RegisterSpec(Table.INPUT, 0, kind, scale=0.1, sentinels=sentinels))
    for word in ALL_WORDS:
        value, reason = decode((word,), 0)
        assert (reason is Reason.SENTINEL) == (word in sentinels)
        assert value is None or word not in sentinels


@pytest.mark.parametrize("mask", [0x0FF0, 0x0003, 0xC000, 0xFFFE])
@pytest.mark.parametrize("kind", [WordType.U16, WordType.I16])
def test_a_field_of_all_words_hears_nothing_of_its_neighbours(kind: WordType, mask: int) -> None:
    register = RegisterSpec(Table.HOLDING, 0, kind, mask=mask)
    decode = make_decoder(register)
    by_bits: dict[int, float] = {}
    for word in ALL_WORDS:
        value, reason = decode((word,), 0)
        assert reason is Reason.OK
        assert value is not None
        assert by_bits.setdefault(word & mask, value) == value
        and_mask, or_mask = mask_write(register, value)
        assert (0xFFFF & and_mask) | (or_mask & ~and_mask & 0xFFFF) == word & mask | ~mask & 0xFFFF
    assert len(set(by_bits.values())) == len(by_bits) == 1 << mask.bit_count()


@pytest.mark.parametrize("reach", [(5530, 27648), (4000, 20000), (819, 4095)])
def test_of_all_counts_of_a_loop_only_a_live_current_is_good(reach: tuple[int, int]) -> None:
    # 4 and 20 mA in counts; NE 43: 3.8 to 20.5 mA is Good, up to 3.6 and from 21 mA on there is no number.
    low, high = reach
    scale, offset = two_points(low, high, 0.0, 100.0)
    register = RegisterSpec(Table.INPUT, 0, WordType.I16, scale=scale, offset=offset, live_zero=LiveZero(low, high))
    decode = make_decoder(register)
    for word in ALL_WORDS:
        counts = word - 0x10000 if word & 0x8000 else word
        current_ma = 4.0 + 16.0 * (counts - low) / (high - low)
        value, reason = decode((word,), 0)
        if current_ma < 3.599 or current_ma > 21.001:
            assert (value, reason) == (None, Reason.SENSOR_FAILURE)
        elif 3.801 < current_ma < 20.499:
            assert reason is Reason.OK
            assert value == pytest.approx((current_ma - 4.0) / 0.16, abs=1e-9)
        else:
            assert reason is not Reason.OK or 3.799 < current_ma < 20.501


@given(st.sampled_from(VALUES), orders, st.integers(0, 2**64 - 1), st.sampled_from([1.0, 0.1, 1e30, -3.0]))
@example(WordType.F32, ByteOrder.ABCD, 0x7FC00000, 1.0)
@example(WordType.F32, ByteOrder.ABCD, 0x7F7FFFFF, 1e30)
@example(WordType.F64, ByteOrder.DCBA, 0x7FEFFFFFFFFFFFFF, 1e30)
@example(WordType.U64, ByteOrder.CDAB, 2**64 - 1, 1e30)
def test_no_bits_make_a_good_value_that_is_no_number(kind: WordType, order: ByteOrder, bits: int, scale: float) -> None:
    plain = RegisterSpec(Table.INPUT, 0, kind, order)
    words = words_of(plain, bits & ((1 << 16 * kind.words) - 1))
    point = RegisterSpec(Table.INPUT, kind.words, WordType.I16)
    powered = RegisterSpec(Table.INPUT, 0, kind, order, scale=scale, power=PowerOfTen(point))
    for register, given_words in (
        (RegisterSpec(Table.INPUT, 0, kind, order, scale=scale), words),
        (powered, (*words, bits & 0xFFFF)),
        (powered, (*words, 9)),
    ):
        value, reason = decode_si(register, given_words)
        assert (value is not None) == (reason is Reason.OK)
        assert value is None or math.isfinite(value)


@given(st.sampled_from(VALUES), orders, st.integers(0, 2**64 - 1))
def test_any_pattern_named_a_sentinel_never_leaves_as_a_number(kind: WordType, order: ByteOrder, bits: int) -> None:
    bits &= (1 << 16 * kind.words) - 1
    register = RegisterSpec(Table.INPUT, 0, kind, order, scale=0.1, sentinels=(bits,))
    words = words_of(register, bits)
    for way in (register, replace(register, live_zero=LiveZero(0, 1))):
        assert decode_si(way, words) == (None, Reason.SENTINEL)


@given(st.integers(0, 2**32 - 1), orders)
@example(0x7F800001, ByteOrder.ABCD)
@example(0x80000000, ByteOrder.BADC)
def test_floats_by_their_bits(bits: int, order: ByteOrder) -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.F32, order)
    exact = struct.unpack(">f", struct.pack(">I", bits))[0]
    value, reason = decode_si(register, words_of(register, bits))
    if math.isfinite(exact):
        assert (value, reason) == (exact, Reason.OK)
        assert encode_si(register, exact) == words_of(register, 0 if exact == 0.0 else bits)
    else:
        assert (value, reason) == (None, Reason.NOT_FINITE)


@given(
    st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=40),
    st.sampled_from([ByteOrder.ABCD, ByteOrder.BADC]),
    st.integers(0, 5),
)
def test_texts_come_back(text: str, order: ByteOrder, spare: int) -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.TEXT, order, characters=len(text) + spare)
    assert text_of(register, words_of_text(register, text)) == text


# --- the device changes its decimal point while it is read -----------------------------------------------------------

PERIOD = 0.2


@given(st.lists(st.tuples(st.integers(0, 65535), st.integers(0, 12)), min_size=1, max_size=30), st.integers(1, 8))
def test_a_changing_decimal_point_never_gives_a_mis_scaled_good_value(
    instants: list[tuple[int, int]], gap: int
) -> None:
    """Each instant is a raw count and a number of decimals that belong together; a reply is one instant."""
    point = RegisterSpec(Table.INPUT, gap, WordType.U16)
    span = AddressSpan(0, gap + 1)
    weight = RegisterSpec(
        Table.INPUT, 0, WordType.U16, unit="kg", power=PowerOfTen(point, decimals=True), together=span
    )
    sources = [SignalSource("weight", 0, weight, PERIOD), SignalSource("point", 0, point, 5 * PERIOD)]
    plan = make_plan([device_spec(max_gap=0)], sources, [])
    sampler = make_sampler(plan, sources)
    params = (SignalParams("weight", -1.0, 1e6, max_age_s=1.0), SignalParams("point", 0.0, 9.0, max_age_s=5.0))
    memory = first_memory(2)
    for number, (count, decimals) in enumerate(instants):
        now_s = 1.0 + number * PERIOD
        words = {0: count, gap: decimals}
        blocks = tuple(
            RawBlock(
                tuple(words.get(address, 0xFFFF) for address in range(block.address, block.address + block.count)),
                now_s,
                ReadOutcome.OK,
            )
            for block in plan.blocks
        )
        samples = sample_image(sampler, RawImage(now_s, blocks))
        memory, readings, _ = settle(samples, memory, params, now_s, PERIOD)
        if readings[0].quality is Quality.GOOD:
            assert readings[0].value == pytest.approx(count / 10**decimals, rel=1e-12)
            assert decimals <= 9
        else:
            assert decimals > 9 or number == 0
            assert readings[0].value is None or number == 0
