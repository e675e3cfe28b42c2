"""The entries file: every line understood, or every mistake of it said at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.cli.entries_file import CHANGES, FIELD_OF, EntriesRefusedError, EntryProblem, parse_entries, wall_us_of
from crumbmeter.estimation.plant_balance import Entered, Load
from crumbmeter.model.units import POUND_KG, SHORT_TON_KG

HEADER = "kind,when,mass,unit,scale,lot,within\n"
WHEN = "2026-07-01T06:00:00-05:00"


def problems(text: str) -> tuple[EntryProblem, ...]:
    with pytest.raises(EntriesRefusedError) as refused:
        parse_entries(text, "day.csv")
    return refused.value.problems


def test_every_kind_goes_to_its_place() -> None:
    text = HEADER + "".join(f"{kind},{WHEN},2000,lb,s,{kind},\n" for kind in FIELD_OF)
    read = parse_entries(text, "day.csv")
    load = (Load(2000.0 * POUND_KG, "s"),)
    assert read.entered == Entered(load, load, load, load, load, load, load)
    assert (read.used, read.outside) == (len(FIELD_OF), 0)


def test_columns_in_any_order_with_comments_and_a_byte_order_mark() -> None:
    text = "\ufeff# made at the scale house\nunit,mass,when,kind,within\n\n"
    text += "short_ton,22.41,2026-07-01T11:31:00Z,ticket,0.02\n"
    (load,) = parse_entries(text, "day.csv").entered.tickets
    assert load.mass_kg == pytest.approx(22.41 * SHORT_TON_KG)
    assert load.within_kg == pytest.approx(0.02 * SHORT_TON_KG)
    assert load.scale == ""


def test_a_line_may_end_early() -> None:
    assert parse_entries(HEADER + f"waste,{WHEN},3,tonne\n", "day.csv").entered.waste == (Load(3000.0),)


def test_changes_may_be_negative_or_nothing_and_loads_may_not() -> None:
    for kind in CHANGES:
        assert parse_entries(HEADER + f"{kind},{WHEN},-3,tonne\n{kind},{WHEN},0,tonne,,,0\n", "day.csv").used == 2
    for kind in set(FIELD_OF) - set(CHANGES):
        for mass in ("0", "-1"):
            (problem,) = problems(HEADER + f"{kind},{WHEN},{mass},lb\n")
            assert (problem.line, problem.found) == (2, f"mass {mass}")


def test_all_mistakes_are_said_at_once_with_their_lines() -> None:
    text = HEADER + (
        f"truck,{WHEN},20,short_ton,,,\n"
        f"ticket,{WHEN},20,ton,,,\n"
        "ticket,2026-07-01 06:00,20,tonne,,,\n"
        f"ticket,{WHEN},22,4,short_ton,,,,\n"
        f"bag,{WHEN},nan,lb,,,\n"
        f"bag,{WHEN},2000,lb,yard,L1,-1\n"
        f"bag,{WHEN},2000,lb,yard,L2,\n"
        f"bag,{WHEN},2000,lb,yard,L2,\n"
    )
    found = problems(text)
    assert [problem.line for problem in found] == [2, 3, 4, 5, 6, 7, 9]
    told = [str(problem) for problem in found]
    assert told[0].startswith("day.csv, line 2: kind 'truck': one of ticket, bag, waste")
    assert "short_ton is 2000 lb, tonne is 1000 kg" in told[1]
    assert "with its zone" in told[2]
    assert "A decimal comma?" in told[3]
    assert "mass 'nan': a number" in told[4]
    assert "within -1" in told[5]
    assert "it stands in line 8 too" in told[6]
    assert all(problem.remedy for problem in found)


def test_headers_that_are_none() -> None:
    assert problems("")[0].expected == "a header with kind, when, mass, unit"
    assert "commas, not semicolons" in problems("kind;when;mass;unit\n")[0].remedy
    assert problems("kind,when,mass\n")[0].found == "no column unit"
    assert [problem.found for problem in problems("kind,when,mass,unit,truck\n")] == ["column 'truck'"]
    assert [problem.found for problem in problems("kind,when,mass,unit,mass\n")] == ["column 'mass' twice"]


def test_entries_outside_the_period_are_left_out_and_counted() -> None:
    text = HEADER + "".join(f"ticket,2026-07-01T0{hour}:00:00Z,20,tonne,,{hour},\n" for hour in range(6))
    at = {hour: wall_us_of(f"2026-07-01T0{hour}:00:00Z") for hour in range(6)}
    read = parse_entries(text, "day.csv", at[1], at[4])
    assert (read.used, read.outside) == (3, 3)
    # A wrong line is refused wherever it lies.
    with pytest.raises(EntriesRefusedError):
        parse_entries(text + "ticket,2026-07-01T09:00:00Z,x,tonne\n", "day.csv", at[1], at[4])


def test_a_time_needs_its_zone() -> None:
    assert wall_us_of("2026-07-01T06:00:00-05:00") == wall_us_of("2026-07-01T11:00:00Z") == 1_782_903_600_000_000
    assert wall_us_of("2026-07-01T06:00:00") is None
    assert wall_us_of("yesterday") is None


@given(st.text(st.sampled_from('abkindwhemsu,;"\n#-0129.TZ:\x00é '), max_size=200), st.booleans())
def test_whatever_stands_there_is_read_or_refused(text: str, headed: bool) -> None:
    found: tuple[EntryProblem, ...] = ()
    try:
        parse_entries((HEADER if headed else "") + text, "day.csv")
    except EntriesRefusedError as refused:
        found = refused.problems or (EntryProblem("no problem is named", 0, "", "", ""),)
    assert all(problem.line >= 1 and problem.remedy for problem in found)
