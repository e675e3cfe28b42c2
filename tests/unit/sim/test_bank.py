"""Registers over a plant: span, holes, limits, commands."""

import pytest

from crumbmeter_sim.bank import BankError
from crumbmeter_sim.codec import decode
from tests.unit.sim.making import feeding, rig


def code(action: object, *arguments: object) -> int:
    with pytest.raises(BankError) as refused:
        action(*arguments)  # type: ignore[operator]
    return refused.value.code


def test_holes_inside_the_span_read_as_zero() -> None:
    bank = rig().banks["belt_scale"]
    assert bank.read("input", 3, 1) == (0,)


def test_outside_the_span_is_refused() -> None:
    bank = rig().banks["belt_scale"]
    assert code(bank.read, "input", 5, 2) == 2
    assert code(bank.read, "holding", 0, 1) == 2
    assert code(bank.read, "input", 0, 65) == 3  # the profile says max_words = 64


def test_only_writable_registers_take_writes() -> None:
    rigged = rig()
    assert code(rigged.banks["recycle_scale"].write, "holding", 100, (1,)) == 2
    assert code(rigged.banks["feeder"].write, "holding", 4, (1, 2)) == 2


def test_a_write_becomes_a_command_and_is_read_back() -> None:
    rigged = rig()
    bank = rigged.banks["feeder"]
    bank.write("holding", 0, (2100,))
    assert rigged.plant.feeder.speed_setpoint_rev_s == pytest.approx(21.0 / 60.0)
    assert bank.read("holding", 0, 1) == (2100,)
    bank.write("holding", 1, (0x4220, 0x0000))  # 40.0 lb/min as IEEE-754 single
    assert rigged.plant.feeder.rate_setpoint_kg_s == pytest.approx(40.0 * 0.45359237 / 60.0)


def test_half_a_value_read_alone_is_that_half() -> None:
    rigged = rig()
    bank = rigged.banks["feeder"]
    whole = bank.read("input", 0, 2)
    assert bank.read("input", 1, 1) == whole[1:]
    assert decode(bank.profile.registers["hopper_mass"], whole) == pytest.approx(240.0, abs=0.1)


def test_a_device_that_lost_power_has_forgotten_its_commands() -> None:
    rigged = rig()
    feeding(rigged, 20.0)
    bank = rigged.banks["feeder"]
    bank.write("coil", 0, (1, 1))
    bank.clear()
    assert (rigged.plant.feeder.run, rigged.plant.feeder.airlock_run) == (False, False)
    assert bank.read("coil", 0, 3) == (0, 0, 0)
