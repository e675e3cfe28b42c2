"""The loop-check sheet: every loop with its place on the wire, Modbus or OPC UA, failed ones first."""

from dataclasses import replace as changed
from pathlib import Path

import pytest

from crumbmeter.qc.loop_checks import Look, Loop, LoopKind, said_of
from crumbmeter.qc.said import Said, Subject, in_force
from crumbmeter.report.loop_sheet import difference_words, look_words, sheet_of, value_words
from crumbmeter.report.sources import NoAnswerError
from crumbmeter.site import load
from crumbmeter.site.loops import loops_of

SITES = Path(__file__).resolve().parents[3] / "config" / "sites"
HEAT = Loop("binder", LoopKind.SIGNAL, "m", is_contact=False, low_si=0.0, high_si=230.0, unit="degF")


def looked(loop: Loop, expected_si: float, *, passed: bool, seq: int) -> Said:
    look = Look(
        name=loop.name, kind=loop.kind, meaning=loop.meaning, passed=passed, expected_si=expected_si, read_si=None,
        tolerance_si=1.0, unit=loop.unit, by="XY", witness="ZZ", how="selector", why="" if passed else "Bad: stale",
        at_us=1_780_000_000_000_000,
    )  # fmt: skip
    return changed(said_of(look), seq=seq)


def test_failed_ones_stand_first_and_every_loop_has_a_row() -> None:
    site = load(SITES / "demo_drum.toml")
    loops = {one.name: one for one in loops_of(site) if one.kind is LoopKind.SIGNAL}
    said = in_force([
        looked(loops["feeder_remote"], 1.0, passed=True, seq=1),
        looked(loops["feeder_remote"], 0.0, passed=True, seq=2),
        looked(loops["supply_mass"], 9.0, passed=False, seq=3),
    ])  # fmt: skip
    document = sheet_of(site, said)
    rows = document.tables[0].rows
    assert len(rows) == len(site.params.signals) + len(site.params.outputs)
    assert rows[0] == (
        "supply_mass", "read", "failed", "feeder", 1, "04", 2, "f32 ABCD", "-20 to 3500 lb", "Bad: stale"
    )  # fmt: skip
    assert rows[-1][:3] == ("feeder_remote", "read", "passed")
    assert document.period_text == "1 of 34 loops have passed"
    assert [row[0] for row in document.tables[1].rows] == ["supply_mass", "feeder_remote", "feeder_remote"]
    assert document.marks == ("SIMULATE",)
    assert "record entries" not in dict(document.identity)


def test_a_node_stands_there_by_its_id() -> None:
    rows = sheet_of(load(SITES / "demo_opcua.toml"), in_force([])).tables[0].rows
    (setpoint,) = [row for row in rows if row[:2] == ("auger_speed", "write")]
    assert setpoint[4:8] == (None, "node", None, "uint16 s=SpeedSetpoint")


def test_an_entry_that_is_none_is_named() -> None:
    with pytest.raises(NoAnswerError, match="loop check of x: kind None is not one of signal, output"):
        sheet_of(load(SITES / "demo_drum.toml"), in_force([Said(Subject.LOOP_CHECK, "x", {"a": 1}, "XY", 0, seq=1)]))


def test_values_are_said_in_the_loops_own_unit() -> None:
    assert value_words(HEAT, 100.0) == "212 degF"
    assert difference_words(HEAT, 5.0) == "9 degF"
    assert value_words(HEAT, None) is None
    look = Look("binder", LoopKind.SIGNAL, "m", True, 100.0, 100.5, 1.0, "degF", "XY", "", "", "as given", 0)
    assert look_words(HEAT, look) == "binder: passed: reads 212.9 degF, expected 212 degF within 1.8 degF (as given)"
