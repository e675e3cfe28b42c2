"""A look: what is understood of what was typed, which tolerance counts, and when a signal is steady."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from crumbmeter.commission.expecting import (
    ExpectRefusedError,
    Tolerance,
    default_tolerance,
    parse_tolerance,
    parse_value,
)
from crumbmeter.commission.looking import Asked, Seen, Shown, evidence, look_of, wait_steady
from crumbmeter.model.quality import Quality
from crumbmeter.qc.loop_checks import Loop, LoopKind
from crumbmeter.site import load
from crumbmeter.site.loops import loops_of

ROOT = Path(__file__).resolve().parents[3]
MASS = Loop("hopper_mass", LoopKind.SIGNAL, "m1", is_contact=False, low_si=0.0, high_si=300.0, unit="lb")
HEAT = Loop("binder_temperature", LoopKind.SIGNAL, "m2", is_contact=False, low_si=0.0, high_si=230.0, unit="degF")
CONTACT = Loop("remote", LoopKind.SIGNAL, "m3", is_contact=True, low_si=0.0, high_si=1.0, unit="contact")


class Hand:
    """A clock that moves when somebody waits on it."""

    def __init__(self) -> None:
        self.now = 1000.0

    def now_s(self) -> float:
        return self.now

    def wall_us(self) -> int:
        return 0

    async def sleep_until(self, due_s: float) -> None:
        self.now = max(self.now, due_s)


def shown(value_si: float | None, quality: Quality = Quality.GOOD, reason: str = "ok") -> Shown:
    return Shown(value_si, quality, reason, 0.1, (1, 2))


async def seen_of(readings: Iterator[Shown], asked: Asked, within_s: float = 10.0) -> Seen:
    async def read() -> Shown:
        return next(readings)

    return await wait_steady(read, asked, Hand(), within_s)


def asked(expected_si: float, loop: Loop = MASS, tolerance_si: float = 1.0) -> Asked:
    return Asked(loop, expected_si, Tolerance(tolerance_si, "as given"), "XY", "ZZ", "test weight")


@pytest.mark.parametrize(
    ("text", "loop", "value_si"),
    [
        ("20kg", MASS, 20.0),
        ("44.1 lb", MASS, 44.1 * 0.45359237),
        ("10", MASS, 4.5359237),
        ("-0.5kg", MASS, -0.5),
        ("300degF", HEAT, (300.0 - 32.0) / 1.8),
        ("closed", CONTACT, 1.0),
        ("FALSE", CONTACT, 0.0),
        ("1", CONTACT, 1.0),
    ],
)
def test_a_value_is_understood_with_its_unit(text: str, loop: Loop, value_si: float) -> None:
    assert parse_value(text, loop) == pytest.approx(value_si)


@pytest.mark.parametrize(
    ("text", "loop", "words"),
    [
        ("20 ton", MASS, "no unit 'ton'; there are kg, g, lb, short_ton"),
        ("20psi", MASS, "is a pressure, and the signal is a mass in lb"),
        ("nan", MASS, "is no number with a unit"),
        ("1e999kg", MASS, "is no number with a unit"),
        ("", MASS, "is no number with a unit"),
        ("20", CONTACT, "is no state of a contact; say closed or open"),
    ],
)
def test_what_is_no_value_is_refused(text: str, loop: Loop, words: str) -> None:
    with pytest.raises(ExpectRefusedError, match=words):
        parse_value(text, loop)


def test_a_tolerance_is_a_difference_above_zero() -> None:
    assert parse_tolerance("9degF", HEAT).value_si == pytest.approx(5.0)
    for text, loop in (("0kg", MASS), ("-1kg", MASS), ("1", CONTACT)):
        with pytest.raises(ExpectRefusedError):
            parse_tolerance(text, loop)


@pytest.mark.parametrize(
    ("name", "value_si", "words"),
    [
        ("hopper_mass", 0.005 * 710 * 0.45359237, "0.5 % of its range, by uncertainty.hopper_scale_percent"),
        ("binder_flow", 0.005 * 905 * 0.45359237 / 60, "by uncertainty.binder_meter_percent"),
        ("line_pressure", 0.01 * 62000.0, "1 % of its range, for the site states none"),
        ("supply_mass", 0.01 * 3520 * 0.45359237, "1 % of its range, for the site states none"),
        ("aggregate_total", 0.1 * 907.18474, "one count of its totaliser"),
        ("recipe", 0.5, "a whole number"),
        ("drum_turning", 0.5, "a contact"),
    ],
)
def test_the_tolerance_is_what_the_site_states_or_a_share_of_the_range(name: str, value_si: float, words: str) -> None:
    site = load(ROOT / "config" / "sites" / "demo_drum.toml")
    index = [one.signal_id for one in site.params.signals].index(name)
    found = default_tolerance(site, index, loops_of(site)[index])
    assert found.value_si == pytest.approx(value_si)
    assert words in found.source


async def test_a_weight_that_comes_on_is_waited_for() -> None:
    asked_ = asked(20.0)
    coming = iter([*(shown(min(20.2, 2.0 * step)) for step in range(12)), *(shown(20.2) for _ in range(40))])
    seen = await seen_of(coming, asked_)
    look = look_of(asked_, seen, 7)
    assert (look.passed, look.read_si, look.why, look.at_us) == (True, 20.2, "as given", 7)
    assert 4.0 < seen.waited_s < 6.0
    assert evidence(seen, "device") == {
        "via": "device", "waited_s": seen.waited_s, "steady": True, "words": [1, 2], "quality": "Good",
        "reason": "ok", "age_s": 0.1,
    }  # fmt: skip


async def test_a_value_that_swings_through_what_is_expected_does_not_pass() -> None:
    asked_ = asked(20.0)
    swinging = iter([shown(20.0 + (5.0 if step % 2 else -5.0) * (step % 3 > 0)) for step in range(200)])
    look = look_of(asked_, await seen_of(swinging, asked_), 0)
    assert not look.passed


@pytest.mark.parametrize(
    ("reading", "why"),
    [
        (shown(9.07), "reads 19.996 lb, expected 44.092 lb"),
        (shown(20.0, Quality.UNCERTAIN, "last usable value"), "Uncertain: last usable value"),
        (shown(None, Quality.BAD, "frozen"), "Bad: frozen"),
    ],
)
async def test_what_does_not_agree_is_not_good_or_not_there_fails(reading: Shown, why: str) -> None:
    asked_ = asked(20.0)
    seen = await seen_of(iter([reading] * 100), asked_)
    look = look_of(asked_, seen, 0)
    assert (look.passed, look.why) == (False, why)
    assert seen.waited_s == pytest.approx(10.0, abs=0.3)


async def test_the_same_reading_seen_again_proves_nothing() -> None:
    asked_ = asked(20.0)
    one = Shown(20.0, Quality.GOOD, "ok", 0.1, (1, 2), stamp=5.0)
    look = look_of(asked_, await seen_of(iter([one] * 100), asked_), 0)
    assert (look.passed, look.why) == (False, "not steady within 10 s")


async def test_the_limit_of_the_tolerance_still_passes() -> None:
    for read_si, passes in ((21.0, True), (21.01, False), (19.0, True)):
        asked_ = asked(20.0)
        assert look_of(asked_, await seen_of(iter([shown(read_si)] * 100), asked_), 0).passed is passes
