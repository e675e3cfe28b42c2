"""What a read request is made of: every value with all that has to come with it, and under its names."""

import pytest

from crumbmeter.field.parts import Part, parts_of
from crumbmeter.field.plan import make_plan
from crumbmeter.field.spec import AddressSpan, PowerOfTen, RegisterSpec, Table, WordType
from tests.fakes import device_spec, output, source


def test_a_part_is_a_value_with_its_group_and_its_power_of_ten() -> None:
    point = PowerOfTen(RegisterSpec(Table.INPUT, 4, WordType.U16))
    group = AddressSpan(10, 14)
    sources = [
        source("status", 13, together=group),
        source("weight", 10, word_type=WordType.I32, together=group),
        source("net", 0, word_type=WordType.I32, power=point),
        source("bit0", 20, word_type=WordType.BIT, bit=0),
        source("bit1", 20, word_type=WordType.BIT, bit=1),
    ]
    plan = make_plan([device_spec(max_gap=10)], sources, [])
    assert len(plan.blocks) == 1
    assert parts_of(plan, sources, []) == {
        0: (Part(0, 5, ("net",)), Part(10, 4, ("status", "weight")), Part(20, 1, ("bit0", "bit1")))
    }


def test_a_read_back_is_a_part_under_its_role() -> None:
    sources, outputs = [source("held", 4, table=Table.HOLDING)], [output("auger_speed", 4)]
    plan = make_plan([device_spec()], sources, outputs)
    assert parts_of(plan, sources, outputs) == {0: (Part(4, 1, ("held", "auger_speed")),)}


def test_a_plan_of_another_site_has_no_parts() -> None:
    sources, outputs = [source("a", 0)], [output("auger_speed", 4)]
    plan = make_plan([device_spec()], sources, outputs)
    for others in ((sources * 2, outputs), (sources, outputs * 2)):
        with pytest.raises(ValueError, match="argument"):
            parts_of(plan, *others)
