"""A profile's keys become the very RegisterSpec that the codec runs on: scalings, fields, groups, holes."""

from pathlib import Path

import pytest

from crumbmeter.field.scaling import two_points
from crumbmeter.field.spec import AddressSpan, ByteOrder, Forbidden, LiveZero, PowerOfTen, RegisterSpec, Table, WordType
from crumbmeter.site.keys.profile import ProfileKeys
from crumbmeter.site.profiles import Profile, load_profile
from crumbmeter.site.registers import forbidden_of

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
    assert profile.keys is not None
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
