"""Specification profiles: the stored ones load, mistakes are told with their line, a site is held against them."""

from collections.abc import Callable
from pathlib import Path

import pytest

from crumbmeter.model.frozen import replace
from crumbmeter.qc.specification import LINE_KINDS, Bound, Specification, Status, TestLimit
from crumbmeter.qc.verdict import Verdict
from crumbmeter.site import Site, SiteRefused, load
from crumbmeter.site.against import Finding, Plan, against
from crumbmeter.site.specification import known_specifications, load_specification

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "config/sites/demo_drum.toml"
PROFILES = known_specifications(DEMO)
HEAD = '[specification]\nid = "try"\ntitle = "Try"\ndocuments = ["invented"]\n'


@pytest.fixture(scope="module")
def demo() -> Site:
    return load(DEMO)


@pytest.fixture
def written(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "try.toml"
        path.write_text(text, "utf-8")
        return path

    return write


def test_three_profiles_are_there() -> None:
    assert sorted(PROFILES) == ["fibre_feed", "production_record", "weighed_additive"]


@pytest.mark.parametrize("name", sorted(PROFILES))
def test_every_line_has_its_section_and_says_how_sure_it_is(name: str) -> None:
    profile = load_specification(PROFILES[name])
    assert profile.specification_id == name
    assert profile.documents
    for line in profile.lines:
        assert line.section
        assert (line.value is None) is (line.status is Status.NOT_SPECIFIED)
    assert all(one.section for one in profile.tests)
    assert all(one.section for one in profile.log_fields)


@pytest.mark.parametrize("name", sorted(PROFILES))
def test_no_profile_gives_an_interlock_delay_a_number(name: str) -> None:
    # No agency figure for a low-flow shut-off delay was found; the delay is configuration (check values, section 0).
    line = load_specification(PROFILES[name]).line("interlock_delay_s")
    assert line is not None
    assert line.status is Status.NOT_SPECIFIED


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ["specification"]),
        (HEAD + "[line.interlocked]\nvalue = true\n", ["line", "Write lines."]),
        (HEAD + '[lines.interlocked]\nvalue = true\nsection = "1"\n', ["lines.interlocked.status", "line 5"]),
        (HEAD + '[lines.interlokced]\nvalue = true\nsection = "1"\nstatus = "confirmed"\n', ["mean interlocked?"]),
        (HEAD + '[lines.interlocked]\nvalue = 3.0\nsection = "1"\nstatus = "confirmed"\n', ["must be true or false"]),
        (HEAD + '[lines.lot_tonne]\nvalue = true\nsection = "1"\nstatus = "confirmed"\n', ["must be a number, in t"]),
        (HEAD + '[lines.lot_tonne]\nsection = "1"\nstatus = "confirmed"\n', ["lines.lot_tonne.value", "is missing"]),
        (HEAD + '[lines.lot_tonne]\nvalue = 1.0\nsection = "1"\nstatus = "not specified"\n', ["has a value"]),
        (HEAD + '[lines.lot_tonne]\nvalue = -1.0\nsection = "1"\nstatus = "confirmed"\n', ["must be at least 0"]),
        (HEAD + '[[log_fields]]\nname = "x"\nsection = "1"\nstatus = "sure"\n', ["log_fields[0].status", "line 8"]),
        (HEAD + '[[tests]]\ntest = "hamburg"\nfigure = "rut_in"\nbound = "above"\nlimit = 1.0\nsection = "1"\n'
         'status = "confirmed"\n', ["tests[0].figure", "is no figure of hamburg"]),
        ("tests = 3\n" + HEAD, ["must be a list of tables"]),
        (HEAD.replace('"try"', '"other"'), ["the file is called try.toml"]),
        ("[specification\n", ["not valid TOML"]),
    ],
)  # fmt: skip
def test_mistakes_are_told_with_their_place(written: Callable[[str], Path], text: str, told: list[str]) -> None:
    path = written(text)
    with pytest.raises(SiteRefused) as refused:
        load_specification(path)
    words = str(refused.value)
    assert path.as_posix() in words
    for word in told:
        assert word in words


def test_all_mistakes_are_told_at_once(written: Callable[[str], Path]) -> None:
    with pytest.raises(SiteRefused) as refused:
        load_specification(written("[lines.lot]\n[lines.interlocked]\n[[tests]]\n[[log_fields]]\n"))
    assert len(refused.value.problems) >= 8


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SiteRefused):
        load_specification(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("bound", "figure", "holds"),
    [(Bound.ABOVE, 400.0, False), (Bound.ABOVE, 400.1, True), (Bound.AT_LEAST, 400.0, True),
     (Bound.AT_MOST, 400.0, True), (Bound.AT_MOST, 400.1, False)],
)  # fmt: skip
def test_limits_at_the_limit(bound: Bound, figure: float, holds: bool) -> None:
    limit = TestLimit("fracture energy", "energy_j_m2", bound, 400.0, "", "1", Status.CONFIRMED)
    assert limit.holds(figure) is holds


def by_key(found: tuple[Finding, ...]) -> dict[str, Finding]:
    return {one.key: one for one in found}


def profile(name: str) -> Specification:
    return load_specification(PROFILES[name])


def test_every_line_gets_an_answer(demo: Site) -> None:
    for name in PROFILES:
        asked = profile(name)
        found = against(demo, asked)
        assert len(found) == len(asked.lines) + len(asked.log_fields)
        for one in found:
            assert one.answer.found
            assert one.verdict is Verdict.PASSES or one.answer.remedy


def test_the_demonstration_site_against_the_fibre_profile(demo: Site) -> None:
    found = by_key(against(demo, profile("fibre_feed")))
    assert found["feed_tolerance_percent"].verdict is Verdict.PASSES
    assert found["feed_tolerance_percent"].answer.site_key == "tolerance.alarm_percent"
    assert found["low_level_indicator"].verdict is Verdict.PASSES
    assert found["interlocked"].verdict is Verdict.PASSES
    assert found["transparent_section"].verdict is Verdict.CANNOT_TELL
    assert found["no_flow_indicator"].verdict is Verdict.CANNOT_TELL
    assert "4 s" in found["interlock_delay_s"].answer.found


def test_the_tolerance_is_the_feeders_and_at_the_limit_it_passes(demo: Site) -> None:
    wide = replace(demo.params.tolerance, alarm=0.1001, total=0.2)
    site = replace_params(demo, tolerance=wide)
    found = by_key(against(site, profile("fibre_feed")))
    assert found["feed_tolerance_percent"].verdict is Verdict.FAILS
    assert found["feed_tolerance_percent"].answer.remedy == "Set tolerance.alarm_percent to 10 or less."
    assert found["daily_usage_percent"].verdict is Verdict.FAILS


def test_a_site_without_what_is_asked_for_fails(demo: Site) -> None:
    bare = replace(demo.params.contacts, supply_low=None, supply_mass=None, flow_switch=3)
    site = replace_params(demo, contacts=bare, outputs=(), sources=())
    found = by_key(against(site, profile("fibre_feed")))
    assert found["low_level_indicator"].verdict is Verdict.FAILS
    assert found["interlocked"].answer.site_key == "outputs.plant_healthy"
    assert found["no_flow_indicator"].verdict is Verdict.PASSES
    logged = {one.asked: one.verdict for one in against(site, profile("weighed_additive"))}
    assert logged["log field: binder and mix temperature"] is Verdict.FAILS
    assert logged["log field: dry aggregate rate"] is Verdict.PASSES
    assert logged["log field: additive type, brand and target rate"] is Verdict.CANNOT_TELL


def test_a_site_that_only_watches_is_not_interlocked(demo: Site) -> None:
    site = replace_params(demo, control_allowed=False)
    assert by_key(against(site, profile("fibre_feed")))["interlocked"].answer.site_key == "control.allowed"
    proportional = by_key(against(site, profile("weighed_additive")))["proportional_to_dry_aggregate"]
    assert proportional.verdict is Verdict.FAILS


def test_devices_are_judged_by_what_the_site_states(demo: Site) -> None:
    found = by_key(against(demo, profile("production_record")))
    assert found["weigh_belt_percent"].verdict is Verdict.PASSES
    assert found["record_interval_s"].verdict is Verdict.PASSES
    assert found["simulation_marked"].verdict is Verdict.PASSES
    own = demo.params.uncertainty
    worse = replace(own, aggregate_scale=replace(own.aggregate_scale, half_width=0.016),
                    binder_meter=replace(own.binder_meter, stated=False))  # fmt: skip
    found = by_key(against(replace_params(demo, uncertainty=worse), profile("production_record")))
    assert found["weigh_belt_percent"].verdict is Verdict.FAILS
    assert found["binder_meter_percent"].verdict is Verdict.CANNOT_TELL


def test_lots_are_judged_by_the_plan(written: Callable[[str], Path], demo: Site) -> None:
    text = HEAD + '[lines.lot_tonne]\nvalue = 2000.0\nsection = "1"\nstatus = "confirmed"\n'
    text += '[lines.sublot_tonne]\nvalue = 500.0\nsection = "1"\nstatus = "confirmed"\n'
    text += '[lines.no_flow_indicator]\nvalue = false\nsection = "1"\nstatus = "confirmed"\n'
    asked = load_specification(written(text))
    assert by_key(against(demo, asked))["lot_tonne"].verdict is Verdict.CANNOT_TELL
    found = by_key(against(demo, asked, Plan(lot_kg=2_000_000.0, sublot_kg=600_000.0)))
    assert found["lot_tonne"].verdict is Verdict.PASSES
    assert found["sublot_tonne"].verdict is Verdict.FAILS
    assert found["no_flow_indicator"].verdict is Verdict.PASSES


def test_every_line_bears_its_unit_in_its_key() -> None:
    endings = {"%": "_percent", "s": "_s", "d": "_days", "t": "_tonne", "kg": "_kg"}
    for key, kind in LINE_KINDS.items():
        if kind.unit in endings:
            assert key.endswith(endings[kind.unit]), key


def replace_params(site: Site, **changed: object) -> Site:
    import dataclasses  # noqa: PLC0415 - the site is a value of the library's own dataclass

    return dataclasses.replace(site, params=replace(site.params, **changed))  # type: ignore[arg-type]
