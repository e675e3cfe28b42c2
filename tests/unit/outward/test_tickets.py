"""Ticket files and messages: every sound line is read, every refused one names its place and its remedy."""

import datetime as dt
import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.outward.tickets import COLUMNS, GRAMS, parse_csv, parse_json
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.tickets import read, what

CHICAGO = ZoneInfo("America/Chicago")


def test_a_file_of_a_scale_house() -> None:
    text = (
        "\ufeff# invented\n"
        "number,loaded_at,net_short_ton,gross_lb,tare_lb,silo_id,truck,mix_id,project,driver\n"
        "\n"
        'T-1001,2026-07-01T06:31:00-05:00,22.41,71820,27000,north,14,surface,"P 7, east",x\n'
        "T-1002,2026-07-01 06:40:00Z,1,,,,,,,\n"
    )
    found = parse_csv(text, "day.csv")
    assert found.problems == ()
    assert found.passed_over == ("driver",)
    first, second = found.sound
    assert (first.number, first.line, second.line) == ("T-1001", 4, 5)
    assert first.loaded_us == round(dt.datetime(2026, 7, 1, 11, 31, tzinfo=dt.UTC).timestamp()) * 1_000_000
    # 22.41 * 907 184.74 g = 20 330 010.0234 g; 1 lb is 453.592 37 g.
    assert first.what == {
        "net_g": 20_330_010, "gross_g": 32_577_004, "tare_g": 12_246_994,
        "silo_id": "north", "truck": "14", "mix_id": "surface", "project": "P 7, east",
    }  # fmt: skip
    assert second.what == {"net_g": 907_185}  # 907 184.74 g


@pytest.mark.parametrize(
    ("unit", "text", "mass_g"),
    [
        ("kg", "20000.0005", 20_000_000), ("kg", "20000.0015", 20_000_002), ("tonne", "20.5", 20_500_000),
        ("lb", "100000", 45_359_237), ("short_ton", "100", 90_718_474), ("short_ton", ".5", 453_592),
    ],
)  # fmt: skip
def test_units_become_whole_grams_half_to_the_even_one(unit: str, text: str, mass_g: int) -> None:
    (only,) = parse_csv(f"number;loaded_at;net_{unit}\nA;2026-07-01T06:31:00Z;{text}\n", "f").sound
    assert only.what["net_g"] == mass_g


def test_each_refusal_names_line_and_column_and_the_sound_lines_stay() -> None:
    lines = [
        "number,loaded_at,net_short_ton,net_kg,void",
        "A,2026-07-01T06:31:00Z,20,,",
        ",2026-07-01T06:31:00Z,20,,",
        "C,yesterday,20,,",
        "D,2026-07-01T06:31:00,20,,",
        "E,2026-07-01T06:31:00Z,20 t,,",
        "F,2026-07-01T06:31:00Z,20000,,",
        "G,2026-07-01T06:31:00Z,,,",
        "A,2026-07-01T06:31:00Z,21,,",
        'H,2026-07-01T06:31:00Z,"20,,',
        "I,2026-07-01T06:31:00Z,1,000,20,,",
        "J,2026-07-01T06:31:00Z,20,20000,",
        "K,2026-07-01T06:31:00Z,20,,maybe",
        "L,2026-07-01T06:31:00Z,-1,,",
        "M,2026-07-01T06:31:00Z,,,yes",
        "N,2026-07-01T06:31:00Z,NaN,,",
        "O,2026-07-01T06:31:00Z",
        "P,2026-07-01,20,,",
        "Z,2026-07-01T07:31:00Z,20,,",
    ]
    found = parse_csv("\n".join(lines), "day.csv")
    assert [one.number for one in found.sound] == ["A", "M", "Z"]
    assert [(one.line, one.column) for one in found.problems] == [
        (3, "number"), (4, "loaded_at"), (5, "loaded_at"), (6, "net_short_ton"), (7, "net_short_ton"), (8, "net_..."),
        (9, "number"), (10, ""), (11, ""), (12, "net_short_ton"), (13, "void"), (14, "net_short_ton"),
        (16, "net_short_ton"), (17, "net_..."), (18, "loaded_at"),
    ]  # fmt: skip
    assert str(found.problems[3]) == (
        "day.csv:6, net_short_ton: '20 t'; expected a mass of 0 or more. "
        "Write digits with a decimal point and nothing else."
    )
    assert all(one.expected and one.remedy for one in found.problems)


@pytest.mark.parametrize(
    ("header", "why"),
    [
        ("", "no column number"),
        ("number,net_kg", "no column loaded_at"),
        ("number,loaded_at", "no column with a net mass"),
        ("number,loaded_at,net_ton", "column 'net_ton'"),
        ("number,loaded_at,Net", "column 'Net'"),
        ("number,loaded_at,net_kg,net_kg", "it stands twice"),
        ("number,loaded_at,gross_kg", "no column with a net mass|column 'gross_kg'"),
    ],
)
def test_a_header_that_does_not_say_what_is_meant_is_refused(header: str, why: str) -> None:
    found = parse_csv(f"{header}\nA,2026-07-01T06:31:00Z,5\n", "day.csv")
    assert found.sound == ()
    assert any(part in str(one) for one in found.problems for part in why.split("|"))


def test_other_names_may_be_given_and_net_may_follow_from_gross_and_tare() -> None:
    text = "Ticket\tEnd\tG\tT\nA\t2026-07-01T06:31:00\t31.5\t11.25\n"
    names = {"Ticket": "number", "End": "loaded_at", "G": "gross_tonne", "T": "tare_tonne"}
    (only,) = parse_csv(text, "f", CHICAGO, names).sound
    assert only.what["net_g"] == 20_250_000
    assert only.loaded_us == round(dt.datetime(2026, 7, 1, 11, 31, tzinfo=dt.UTC).timestamp()) * 1_000_000


@pytest.mark.parametrize("when", ["2026-11-01T01:30:00", "2026-03-08T02:30:00"])
def test_a_local_time_that_clocks_show_twice_or_never_is_refused(when: str) -> None:
    found = parse_csv(f"number,loaded_at,net_kg\nA,{when},20000\n", "f", CHICAGO)
    assert found.sound == ()
    assert "twice or never" in str(found.problems[0])
    assert parse_csv(f"number,loaded_at,net_kg\nA,{when}-06:00,20000\n", "f", CHICAGO).sound


def test_a_message_is_one_ticket_or_several() -> None:
    one = b'{"number": 1001, "loaded_at": "2026-07-01T06:31:00Z", "net_short_ton": 22.41, "void": false, "x": 1}'
    found = parse_json(one, "site/tickets")
    assert found.sound[0].what == {"net_g": 20_330_010}
    assert (found.sound[0].number, found.passed_over) == ("1001", ("x",))
    several = parse_json(b'{"tickets": [' + one + b', 3, {"number": "B", "net_kg": null}]}', "site/tickets")
    assert len(several.sound) == 1
    assert [(problem.line, problem.column) for problem in several.problems] == [
        (2, ""),
        (3, "loaded_at"),
        (3, "net_..."),
    ]
    assert str(parse_json(b'{"net_kg": NaN}', "t").problems[0]).startswith("t:1: no JSON (NaN is no number)")


@given(st.binary() | st.text())
def test_whatever_comes_is_read_or_refused(raw: bytes | str) -> None:
    found = parse_json(raw, "t")
    assert found.sound or found.problems or raw.strip() in (b"[]", "[]")
    if isinstance(raw, str):
        found = parse_csv(raw, "f")
        assert found.sound or found.problems


values = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.lists(st.integers(), max_size=2)
)


@given(st.dictionaries(st.sampled_from(COLUMNS), values))
def test_any_values_under_known_keys_are_a_whole_ticket_or_refused(body: Mapping[str, Any]) -> None:
    found = parse_json(json.dumps(body), "t", dt.UTC)
    assert len(found.sound) + bool(found.problems) == 1
    for one in found.sound:
        ticket = read(Said(Subject.TICKET, one.number, one.what, "t", one.loaded_us))
        assert ticket.net_g > 0 or ticket.void
        assert read(Said(Subject.TICKET, one.number, what(ticket), "t", one.loaded_us)) == ticket


@given(st.decimals(Decimal("0.01"), Decimal(99), places=4), st.sampled_from(sorted(GRAMS)))
def test_grams_are_never_further_than_half_a_gram_from_the_exact_mass(mass: Decimal, unit: str) -> None:
    (only,) = parse_csv(f"number,loaded_at,net_{unit}\nA,2026-07-01T06:31:00Z,{mass}\n", "f").sound
    assert abs(only.what["net_g"] - mass * GRAMS[unit]) <= Decimal("0.5")
