"""A device's ways of misbehaving, each as a master meets it; and the self-addressed device."""

import itertools
import math
import struct

import pytest

from crumbmeter_sim.bank import Bank
from crumbmeter_sim.codec import Register
from crumbmeter_sim.device.addressed import SPAN, SelfAddressed, bit_at, expected, whose, word_at
from crumbmeter_sim.device.moving import CounterFault, Heartbeat, PointSwitch, Torn
from crumbmeter_sim.device.rules import (
    EXCEPTIONS,
    ClampWrites,
    Force,
    Freeze,
    Hole,
    IgnoreWrites,
    LateWrites,
    Overwrite,
    Place,
    ReadLimit,
    Refuse,
    RoundWrites,
    WrongEcho,
)
from crumbmeter_sim.device.unruly import Unruly
from crumbmeter_sim.pdu import BankError
from tests.unit.sim.making import bank_of

ONE = Place("holding", 0)
PAIR = Place("holding", 2, "u32")


class Bench:
    """A device over eight holding registers, with a clock in hand."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.bank: Bank = bank_of({("holding", i): 0 for i in range(8)}, writable=True)
        self.device = Unruly(self.bank, lambda: self.now_s)

    def write(self, *words: int, address: int = 0) -> None:
        self.device.write("holding", address, words)

    def read(self, address: int = 0, count: int = 1) -> tuple[int, ...]:
        return self.device.read("holding", address, count)


@pytest.fixture
def bench() -> Bench:
    return Bench()


def code(call: object, *arguments: object) -> int:
    assert callable(call)
    with pytest.raises(BankError) as caught:
        call(*arguments)
    return caught.value.code


def test_without_rules_it_is_the_bank(bench: Bench) -> None:
    bench.write(7, 8)
    assert bench.read(0, 2) == bench.bank.read("holding", 0, 2) == (7, 8)


def test_writes_that_are_ignored_are_acknowledged(bench: Bench) -> None:
    bench.write(5)
    rule = bench.device.add(IgnoreWrites(ONE))
    assert bench.device.answer(bytes.fromhex("060000007B")) == bytes.fromhex("060000007B")
    assert bench.read() == (5,)
    bench.write(9, address=1)
    assert bench.read(1) == (9,)
    bench.device.remove(rule)
    bench.write(123)
    assert bench.read() == (123,)


def test_writes_are_clamped_and_rounded_in_raw_counts(bench: Bench) -> None:
    bench.device.add(ClampWrites(ONE, 100, 2000))
    bench.device.add(RoundWrites(PAIR, 1000))
    bench.write(5000, 1, 0x0001, 0x0100)
    assert bench.read(0, 4) == (2000, 1, 0x0001, 0x01D0)  # 65792 becomes 66000
    bench.write(0)
    assert bench.read() == (100,)


def test_a_write_comes_late(bench: Bench) -> None:
    bench.device.add(LateWrites(seconds=5.0))
    bench.write(7)
    assert bench.read() == (0,)
    bench.now_s += 4.9
    assert bench.read() == (0,)
    assert bench.device.pending == 1
    bench.now_s += 0.2
    assert bench.read() == (7,)
    assert bench.device.pending == 0


def test_another_client_overwrites(bench: Bench) -> None:
    bench.device.add(Overwrite(ONE, 2.0, 55))
    bench.write(7)
    assert bench.read() == (7,)
    bench.now_s += 2.0
    bench.device.settle()
    assert bench.bank.read("holding", 0, 1) == (55,)


@pytest.mark.parametrize("number", EXCEPTIONS)
def test_every_exception_on_chosen_registers(bench: Bench, number: int) -> None:
    bench.device.add(Refuse(ONE, number))
    assert code(bench.read) == code(bench.write, 1) == number
    assert bench.device.answer(bytes.fromhex("0300000001")) == bytes((0x83, number))
    assert bench.read(1, 3) == (0, 0, 0)
    bench.device.behave()
    bench.device.add(Refuse(None, number, reads=False))
    assert bench.read() == (0,)
    assert code(bench.write, 1) == number


@pytest.mark.parametrize(("what", "echo"), [("address", "060001007B"), ("value", "060000007A")])
def test_a_wrong_echo_of_a_write_that_was_done(bench: Bench, what: str, echo: str) -> None:
    bench.device.add(WrongEcho(what=what))
    assert bench.device.answer(bytes.fromhex("060000007B")) == bytes.fromhex(echo)
    assert bench.read() == (0x7B,)
    assert bench.device.answer(bytes.fromhex("0300000001")) == bytes.fromhex("0302007B")
    assert bench.device.answer(bytes.fromhex("0600630001")) == bytes.fromhex("8602")


def test_holes_and_limits(bench: Bench) -> None:
    bench.device.add(Hole(Place("holding", 4)))
    bench.device.add(ReadLimit(most=3))
    assert bench.read(0, 3) == (0, 0, 0)
    assert code(bench.read, 0, 4) == 3
    assert code(bench.read, 3, 2) == 2
    assert bench.read(5, 3) == (0, 0, 0)
    bench.write(1, address=4)


def test_a_number_that_moves_on_between_two_requests_is_torn(bench: Bench) -> None:
    bench.device.add(Torn(PAIR, 0xFFFF, 0x10000))
    seen = {struct.unpack(">I", struct.pack(">HH", *bench.read(2, 2)))[0] for _ in range(10)}
    assert seen == {0xFFFF, 0x10000}
    bench.device.behave()
    bench.device.add(Torn(PAIR, 0xFFFF, 0x10000))
    assert bench.read(2) + bench.read(3) == (0x0000, 0x0000)  # neither of them


def test_a_decimal_point_that_moves_with_its_value(bench: Bench) -> None:
    bench.device.add(PointSwitch(Place("holding", 1), Place("holding", 0), 12.5, (1, 2)))
    pairs = [bench.read(0, 2) for _ in range(4)]
    assert pairs == [(1, 125), (2, 1250), (1, 125), (2, 1250)]
    point, value = bench.read(0)[0], bench.read(1)[0]
    assert value / 10**point != 12.5


def test_frozen_registers_are_served_as_they_were(bench: Bench) -> None:
    bench.write(1, 2, 3)
    rule = bench.device.add(Freeze(Place("holding", 1)))
    bench.read(0, 3)
    bench.write(4, 5, 6)
    assert bench.read(0, 3) == (4, 2, 6)
    bench.device.remove(rule)
    bench.device.add(Freeze())
    bench.read(0, 8)
    bench.write(7, 8, 9)
    assert bench.read(0, 3) == (4, 5, 6)
    assert bench.bank.read("holding", 0, 3) == (7, 8, 9)


def test_a_heartbeat_turns_over_and_stops(bench: Bench) -> None:
    beat = Heartbeat(ONE, period_s=0.5)
    bench.device.add(beat)
    assert bench.read() == (200,)
    bench.now_s = 0.5 * 0x10000 + 1.0
    assert bench.read() == (2,)
    beat.stop(bench.now_s)
    bench.now_s += 60.0
    assert bench.read() == (2,)
    beat.go()
    assert bench.read() == (122,)


def float_of(words: tuple[int, ...]) -> float:
    return float(struct.unpack(">f", struct.pack(">HH", *words))[0])


def test_sentinels_and_floats_that_are_no_numbers(bench: Bench) -> None:
    place = Place("holding", 4, "f32")
    for raw in (math.nan, math.inf, -math.inf):
        bench.device.behave()
        bench.device.add(Force.number(place, raw))
        assert str(float_of(bench.read(4, 2))) == str(raw)
    bench.device.behave()
    bench.device.add(Force.pattern(Place("holding", 4, "i32", "CDAB"), 0x7FFFFFFE))
    assert bench.read(4, 2) == (0xFFFE, 0x7FFF)
    assert bench.read(5) == (0x7FFF,)


def counting() -> tuple[list[int], Unruly, CounterFault]:
    true = [65000]
    register = Register("total", "input", 0, "u16")
    bank = bank_of({("input", 0): 0})
    bank._sources["input_0"] = lambda: float(true[0])
    assert bank.profile.registers["input_0"].kind == register.kind
    device, fault = Unruly(bank), CounterFault(Place("input", 0))
    device.add(fault)
    return true, device, fault


def test_a_counter_wraps_is_reset_replaced_and_glitches() -> None:
    true, device, fault = counting()

    def read() -> int:
        return device.read("input", 0, 1)[0]

    assert read() == 65000
    fault.near_wrap(3)
    assert read() == 65533
    true[0] += 5
    assert read() == 2
    fault.reset()
    assert read() == 0
    true[0] += 7
    assert read() == 7
    fault.reset(to=30000)
    assert read() == 30000
    fault.glitch(2, 9)
    assert [read(), read(), read()] == [9, 9, 30000]


def test_every_register_of_a_self_addressed_device_is_its_own() -> None:
    words = {
        word_at(unit, table, address): (unit, table, address)
        for unit, table, address in itertools.product(range(16), ("input", "holding"), range(SPAN))
    }
    assert len(words) == 16 * 2 * SPAN
    assert all(whose(word) == place for word, place in words.items())
    bits = [bit_at(unit, table, a) for unit in range(16) for table in ("coil", "discrete") for a in range(SPAN)]
    assert sum(bits) / len(bits) == pytest.approx(0.5, abs=0.02)


def test_a_stretch_of_bits_is_not_another_stretch() -> None:
    stretches = {expected(1, table, at, 32) for table in ("coil", "discrete") for at in range(1500)}
    assert len(stretches) == 3000


def test_a_self_addressed_device_keeps_a_log_of_its_writes() -> None:
    unit = SelfAddressed(3, range(100, 104))
    assert unit.answer(bytes.fromhex("0300640002")) == bytes.fromhex("0304") + struct.pack(
        ">HH", *expected(3, "holding", 100, 2)
    )
    assert unit.answer(bytes.fromhex("0600640007")) == bytes.fromhex("0600640007")
    assert unit.answer(bytes.fromhex("10006500020400080009")) == bytes.fromhex("1000650002")
    assert unit.answer(bytes.fromhex("06006300FF")) == bytes.fromhex("8602")
    assert unit.answer(bytes.fromhex("050065FF00")) == bytes.fromhex("050065FF00")
    assert unit.log == [("holding", 100, (7,)), ("holding", 101, (8, 9)), ("coil", 101, (1,))]
    assert unit.writes["holding", 100] == 1
    assert unit.read("holding", 99, 3) == (word_at(3, "holding", 99), 7, 8)
    assert code(unit.read, "input", SPAN - 1, 2) == 2
    with pytest.raises(ValueError, match="another's"):
        SelfAddressed(16)
