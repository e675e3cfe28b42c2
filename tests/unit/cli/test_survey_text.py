"""The words of `crumbmeter survey`: each value stays whole on its line, and a block of zeros has no empty table."""

import re

from crumbmeter.cli.look_file import LookFile
from crumbmeter.cli.survey_text import survey_text
from crumbmeter.field.look import Look, Run
from crumbmeter.field.spec import Table
from crumbmeter.field.sweep import Sweep


def said(*words: int) -> str:
    samples = ((Run(Table.INPUT, 0, words),),) * 2
    kept = LookFile("tcp://192.0.2.7:502", 1, 0, (0.0, 1.0), (), Look(samples, ()))
    return survey_text(kept, Sweep([], 100, 1000, []), None, None)


def test_no_value_is_broken_between_two_lines() -> None:
    told = said(0x433C, 0x6280, 0x0C7B, 0x1234)
    values = re.split(r",\s+", " ".join(line[24:].strip() for line in told.splitlines() if line.startswith("   ")))
    assert "f32 188.3848" in values
    for line in told.splitlines():
        assert len(line) <= 100
        assert not line.startswith("        ") or re.match(r" +[a-z]+[0-9]", line), "it begins with a type"
        assert not re.search(r"(?:ABCD|CDAB|BADC|DCBA|[uif]\d\d)$", line), "it ends with a value"


def test_zeros_alone_have_no_table() -> None:
    told = said(0, 0, 0)
    assert "input 0 to 2, the last sample: nothing but zeros that stand" in told
    assert "offset" not in told
