"""A profile's keys become the very RegisterSpec that the codec runs on: scalings, fields, groups, holes."""

from pathlib import Path

import pytest

from crumbmeter.field.scaling import two_points
from crumbmeter.field.spec import AddressSpan, ByteOrder, Forbidden, LiveZero, PowerOfTen, RegisterSpec, Table, WordType
from crumbmeter.field.words import decode_si, encode_si
from crumbmeter.model.quality import Reason
from crumbmeter.site import load
from crumbmeter.site.keys.profile import ProfileKeys
from crumbmeter.site.profiles import Profile, load_profile
from crumbmeter.site.registers import forbidden_of

ROOT = Path(__file__).parents[3]
HEAD = 'profile = "odd"\ntitle = "Odd"\nnotation = "modicon5"\nmax_words = 20\n'


def read(tmp_path: Path, text: str, head: str = HEAD) -> Profile:
    path = tmp_path / "odd.toml"
    path.write_text(head + text)
    profile, problems = load_profile("odd", path, "odd.toml")
    assert not problems, problems
    return profile


def register(name: str, address: int, kind: str, **keys: object) -> str:
    lines = [f"[registers.{name}]", 'table = "holding"', f"address = {address}", f'type = "{kind}"']
    lines += ['unit = "kg"'] if "unit" not in keys and kind != "text" else []
    return "\n".join([*lines, *(f"{key} = {value}" for key, value in keys.items())]) + "\n"


def test_two_points_become_scale_and_offset(tmp_path: Path) -> None:
    text = register("a", 40001, "i16", raw_low=0, raw_high=1000, eng_low=-5.0, eng_high=20.0)
    spec = read(tmp_path, text).registers["a"]
    assert spec is not None
    assert (spec.scale, spec.offset, spec.live_zero) == (0.025, -5.0, None)


def test_a_loop_keeps_its_counts(tmp_path: Path) -> None:
    text = register("a", 40001, "i16", raw_low=5530, raw_high=27648, eng_low=0.0, eng_high=16.0, live_zero="true")
    scale, offset = two_points(5530, 27648, 0.0, 16.0)
    assert read(tmp_path, text).registers["a"] == RegisterSpec(
        Table.HOLDING, 0, WordType.I16, scale=scale, offset=offset, unit="kg", live_zero=LiveZero(5530, 27648)
    )


def test_a_loop_may_use_all_of_the_counts_that_it_needs(tmp_path: Path) -> None:
    # 0 to 20 mA as 0 to 62415 leaves 21 mA just inside 65535.
    text = register("a", 40001, "u16", raw_low=12483, raw_high=62414, eng_low=0.0, eng_high=1.0, live_zero="true")
    assert read(tmp_path, text).registers["a"] is not None


@pytest.mark.parametrize(("key", "decimals"), [("decimals_register", True), ("scale_register", False)])
def test_a_power_of_ten_is_a_whole_register(tmp_path: Path, key: str, decimals: bool) -> None:
    profile = read(
        tmp_path,
        register("net", 40011, "i32", order='"CDAB"', **{key: '"point"'})
        + register("point", 40015, "i16", unit='"count"', mask=0x0F00),
    )
    point = RegisterSpec(Table.HOLDING, 14, WordType.I16, mask=0x0F00)
    assert profile.registers["point"] == point
    net = profile.registers["net"]
    assert net == RegisterSpec(
        Table.HOLDING, 10, WordType.I32, ByteOrder.CDAB, unit="kg", power=PowerOfTen(point, decimals)
    )
    assert net is not None
    assert net.span == AddressSpan(10, 15)


def test_what_is_tied_to_each_other_by_way_of_others_is_one_group(tmp_path: Path) -> None:
    profile = read(
        tmp_path,
        register("a", 40001, "u16", atomic_with='["b"]')
        + register("b", 40003, "u16")
        + register("c", 40005, "u16", atomic_with='["b", "d"]')
        + register("d", 40007, "u16", decimals_register='"point"')
        + register("point", 40011, "u16", unit='"count"')
        + register("e", 40021, "u16", atomic_with='["f"]')
        + register("f", 40022, "u16")
        + register("alone", 40031, "u16"),
    )
    spans = {name: spec.together for name, spec in profile.registers.items() if spec is not None}
    first, second = AddressSpan(0, 11), AddressSpan(20, 22)
    assert spans == {
        "a": first, "b": first, "c": first, "d": first, "point": None, "e": second, "f": second, "alone": None,
    }  # fmt: skip


def test_a_group_may_be_as_long_as_one_request(tmp_path: Path) -> None:
    ties = register("a", 40001, "u16", atomic_with='["b"]')
    assert read(tmp_path, ties + register("b", 40020, "u16")).registers["a"] is not None
    path = tmp_path / "odd.toml"
    path.write_text(HEAD + ties + register("b", 40021, "u16"))
    profile, problems = load_profile("odd", path, "odd.toml")
    assert [problem.code for problem in problems] == ["atomic-group"]
    assert profile.registers == {"a": None, "b": None}


def test_a_text_has_characters_and_no_unit(tmp_path: Path) -> None:
    spec = read(tmp_path, register("serial", 40001, "text", characters=7)).registers["serial"]
    assert spec == RegisterSpec(Table.HOLDING, 0, WordType.TEXT, characters=7)


def test_forbidden_addresses_are_written_in_the_profile_s_notation(tmp_path: Path) -> None:
    holes = "[forbidden]\nholding = [[40011, 40020], [40031, 40031]]\ncoil = [[1, 8]]\n"
    profile = read(tmp_path, holes + register("a", 40001, "u16"))
    assert isinstance(profile.keys, ProfileKeys)
    assert forbidden_of(profile.keys) == (
        Forbidden(Table.COIL, AddressSpan(0, 8)),
        Forbidden(Table.HOLDING, AddressSpan(10, 20)),
        Forbidden(Table.HOLDING, AddressSpan(30, 31)),
    )
    assert not profile.keys.one_per_request


def test_without_them_nothing_is_forbidden(tmp_path: Path) -> None:
    keys = read(tmp_path, register("a", 40001, "u16"), HEAD + "one_per_request = true\n").keys
    assert isinstance(keys, ProfileKeys)
    assert forbidden_of(keys) == ()
    assert keys.one_per_request


OUTPUT_TYPES = ("u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "sm16", "sm32")


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("kind", OUTPUT_TYPES)
def test_an_output_of_any_type_is_proved_both_ways_at_load(tmp_path: Path, kind: str, order: str) -> None:
    for profile in (ROOT / "config/devices").glob("*.toml"):
        (tmp_path / "devices").mkdir(exist_ok=True)
        (tmp_path / "devices" / profile.name).write_bytes(profile.read_bytes())
    feeder = (tmp_path / "devices/demo_feeder.toml").read_text("utf-8")
    old = '[registers.speed_setpoint]\ntable = "holding"\naddress = 0\ntype = "u16"\n'
    assert old in feeder
    new = f'[registers.speed_setpoint]\ntable = "holding"\naddress = 400\ntype = "{kind}"\norder = "{order}"\n'
    (tmp_path / "devices/demo_feeder.toml").write_text(feeder.replace(old, new), "utf-8")
    (tmp_path / "site.toml").write_bytes((ROOT / "config/sites/demo_drum.toml").read_bytes())
    output = next(output for output in load(tmp_path / "site.toml").params.outputs if output.role == "auger_speed")
    assert (output.register.word_type.value, output.register.order.value) == (kind, order)
    for value_si in (output.low_si, output.high_si, 0.37 * output.high_si):
        words = encode_si(output.register, value_si)
        back, reason = decode_si(output.register, words)
        assert reason is Reason.OK
        assert back is not None
        # Half a count of 0.01 rpm, or one part in 2^24 of a single float.
        assert back == pytest.approx(value_si, rel=2.0**-23, abs=0.5001 * 0.01 / 60)
        assert encode_si(output.register, back) == words
