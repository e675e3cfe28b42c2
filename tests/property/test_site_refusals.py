"""Whatever stands in a site file or a profile, the answer is settings or a refusal with lines: never a crash."""

import datetime as dt
import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crumbmeter.site import Problem, SiteRefused, load
from crumbmeter.site.refusals import REFUSALS

ROOT = Path(__file__).parents[2]
SITE = tomllib.loads((ROOT / "config/sites/demo_drum.toml").read_text("utf-8"))
FEEDER = tomllib.loads((ROOT / "config/devices/demo_feeder.toml").read_text("utf-8"))
PROFILES = sorted((ROOT / "config/devices").glob("*.toml"))

ODD = st.one_of(
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.booleans(),
    st.text(max_size=6),
    st.sampled_from(["feeder.run", "feeder.hopper_mass", "feeder.", ".run", "demo_feeder", "hopper_mass", "binder"]),
    st.just(dt.date(2026, 1, 1)),
    st.just([]),
    st.just({}),
    st.just([[1], ["a"]]),
    st.just({"a": {"b": 1}}),
)


def toml(value: Any) -> str:
    """Write a value as TOML on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(letter):08X}" for letter in value) + '"'
    return str(value)


def places(value: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """List the paths of all keys."""
    if not isinstance(value, dict):
        return []
    return [
        found for key, item in value.items() for found in [(*path, key), *places(item, (*path, key))]
    ]  # fmt: skip


def changed(data: dict[str, Any], path: tuple[str, ...], value: Any) -> dict[str, Any]:
    """Copy a table with one key set."""
    head, *rest = path
    return {**data, head: changed(data[head], tuple(rest), value) if rest else value}


def text(data: dict[str, Any]) -> str:
    return "".join(f"{json.dumps(key)} = {toml(value)}\n" for key, value in data.items())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("site")
    (made / "devices").mkdir()
    return made


def judge(folder: Path, site: dict[str, Any], feeder: dict[str, Any]) -> None:
    for profile in PROFILES:
        (folder / "devices" / profile.name).write_bytes(profile.read_bytes())
    (folder / "devices/demo_feeder.toml").write_text(text(feeder), "utf-8")
    (folder / "site.toml").write_text(text(site), "utf-8")
    for problem in problems_of(folder / "site.toml"):
        lines = Path(problem.file).read_text("utf-8").count("\n")
        assert 1 <= problem.line <= max(1, lines), problem
        assert problem.expected
        assert problem.remedy
        assert problem.code in REFUSALS


def problems_of(path: Path) -> tuple[Problem, ...]:
    """Load a site; anything but settings or a refusal fails the test."""
    try:
        load(path)
    except SiteRefused as refused:
        return refused.problems
    return ()


def test_the_site_written_anew_is_the_same_site(folder: Path) -> None:
    (folder / "devices/demo_feeder.toml").write_text(text(FEEDER), "utf-8")
    for profile in PROFILES:
        if profile.stem != "demo_feeder":
            (folder / "devices" / profile.name).write_bytes(profile.read_bytes())
    (folder / "site.toml").write_text(text(SITE), "utf-8")
    assert load(folder / "site.toml").params.streams == load(ROOT / "config/sites/demo_drum.toml").params.streams


QUICK = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@QUICK
@given(changes=st.lists(st.tuples(st.sampled_from(places(SITE)), ODD), min_size=1, max_size=4))
def test_any_site_is_loaded_or_refused(folder: Path, changes: list[tuple[tuple[str, ...], Any]]) -> None:
    site = SITE
    for path, value in changes:
        try:
            site = changed(site, path, value)
        except (KeyError, TypeError):
            continue  # an earlier change took the table away
    judge(folder, site, FEEDER)


@QUICK
@given(changes=st.lists(st.tuples(st.sampled_from(places(FEEDER)), ODD), min_size=1, max_size=4))
def test_any_profile_is_loaded_or_refused(folder: Path, changes: list[tuple[tuple[str, ...], Any]]) -> None:
    feeder = FEEDER
    for path, value in changes:
        try:
            feeder = changed(feeder, path, value)
        except (KeyError, TypeError):
            continue
    judge(folder, SITE, feeder)
