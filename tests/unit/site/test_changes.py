"""What a changed site file does to the process is said for every key there is, and how it may be put in force."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from crumbmeter.site.changes import changes, gravest, text
from crumbmeter.site.effects import EFFECTS, WHY_RESTART, When, effect_of
from crumbmeter.site.keys.base import Keys
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.settings import SourceFile
from crumbmeter.site.validate import known_keys, models_in

ROOT = Path(__file__).parents[3]
DEMO = (ROOT / "config/sites/demo_drum.toml").read_text("utf-8")
FEEDER = (ROOT / "config/devices/demo_feeder.toml").read_text("utf-8")


def every_key(model: type[Keys], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, info in known_keys(model).items():
        inner = next(models_in(info.annotation), None)
        yield (*path, key)
        if inner is not None:
            below = (*path, key)
            if "dict" in str(info.annotation):
                below = (*below, "some_name")
                yield below
            yield from every_key(inner, below)


def compared(before: str, after: str) -> tuple[tuple[str, When, str], ...]:
    found = changes([SourceFile("site.toml", before.encode())], [SourceFile("site.toml", after.encode())])
    return tuple((change.key, change.when, change.says) for change in found)


def test_every_key_and_table_has_an_effect_and_every_section_a_reason() -> None:
    paths = list(every_key(SiteFile))
    assert len(paths) > 266
    required = {"site", "control", "units", "plant", "sequence"}  # such a table cannot come or go
    unknown = [".".join(path) for path in paths if effect_of(path) is None and path[0] not in required - {path[-1]}]
    assert [key for key in unknown if key not in required] == []
    missing = {path[0] for path in paths if (one := effect_of(path)) and one.when is When.RESTART} - set(WHY_RESTART)
    assert missing == set()


def test_every_row_of_the_table_is_for_a_key_that_exists() -> None:
    paths = list(every_key(SiteFile))
    for effect in EFFECTS:
        assert any(effect_of(path) is effect for path in paths), effect.keys


@pytest.mark.parametrize(
    ("old", "new", "key", "when", "says"),
    [
        ("belt_length_m = 24.0", "belt_length_m = 26.268", "streams.aggregate.travel.belt_length_m", When.RESTART,
         "the travel over the belt of aggregate grows by 1.4 s: rubber comes later at a rate change"),
        ("nominal_belt_speed_m_s = 1.25", "nominal_belt_speed_m_s = 2.5", "streams.rap.travel.nominal_belt_speed_m_s",
         When.RESTART, "the travel over the belt of rap shrinks by 5.6 s: rubber comes sooner at a rate change"),
        ("travel_s = 3.9", "travel_s = 4.4", "line.travel_s", When.RESTART,
         "the travel of rubber through the line grows by 0.5 s: rubber is asked for sooner at a rate change"),
        ("warn_percent = 5.0", "warn_percent = 4.0", "tolerance.warn_percent", When.RUNNING,
         "a limit of the dose's error shrinks by 1 point: alarms come sooner"),
        ("dose_percent = 8.0", "dose_percent = 9.0", "mixes.base_binder_8.dose_percent", When.AT_REST,
         "the dose of mix base_binder_8 grows by 1 point: more rubber in every ton of it"),
        ('system = "us"', 'system = "metric"', "units.system", When.RUNNING,
         "concerns the units that people see, and those of the figures that the plant's controller reads"),
        ("[mixes.plain]", "[mixes.bare]", "mixes.plain", When.AT_REST, "mix plain is gone"),
        ("lag_s = 1.8", "", "streams.binder.lag_s", When.RESTART,
         "the lag of the meter of binder that is reckoned with is left out: what holds without it holds"),
    ],
)  # fmt: skip
def test_a_change_is_said_in_words(old: str, new: str, key: str, when: When, says: str) -> None:
    assert DEMO.count(old) >= 1
    assert (key, when, says) in compared(DEMO, DEMO.replace(old, new, 1))


def test_comments_and_order_are_no_change() -> None:
    assert compared(DEMO, "# another comment\n" + DEMO.replace("travel_s = 3.9 ", "travel_s = 3.90")) == ()
    assert compared(DEMO, DEMO.replace("time_s = 20.0", "time_s = 20")) == (), "24 and 24.0 are one figure"
    assert text(()) == "Nothing is different but comments and layout.\n"


def test_mixes_in_another_order_have_other_numbers_for_the_plants_controller() -> None:
    """`select_mix` and the word of the chosen mix count from 1 in the order of the file: that is no layout."""
    offered = "\n[publish.modbus]\nport = 15029\n"
    before = "[mixes.a]\ntitle = 'A'\n[mixes.b]\ntitle = 'B'\n"
    other = "[mixes.b]\ntitle = 'B'\n[mixes.a]\ntitle = 'A'\n"
    assert compared(before, other) == (), "nobody counts them"
    says = "concerns the numbers by which the plant's controller knows the mixes"
    assert compared(before + offered, other + offered) == (("mixes", When.AT_REST, says),)
    more = "[mixes.c]\ntitle = 'C'\n"
    keys = [key for key, _, _ in compared(before + offered, more + before + offered)]
    assert keys == ["mixes.c", "mixes"]
    assert [key for key, _, _ in compared(before + offered, before + more + offered)] == ["mixes.c"]


def test_one_key_is_one_change() -> None:
    assert [key for key, _, _ in compared(DEMO, DEMO.replace("port = 15026", "port = 15027"))] == [
        "devices.feeder.port"
    ]


def test_a_register_map_that_changed_needs_a_restart() -> None:
    before = [SourceFile("site.toml", DEMO.encode()), SourceFile("devices/demo_feeder.toml", FEEDER.encode())]
    after = [before[0], SourceFile("devices/demo_feeder.toml", FEEDER.replace("scale = 0.01", "scale = 0.1").encode())]
    found = changes(before, after)
    assert found
    assert gravest(found) is When.RESTART
    assert found[0].key.startswith("devices/demo_feeder.toml: registers.")
    assert found[0].why == "the plan of reads is built at a start"


def test_the_gravest_group_stands_first() -> None:
    after = DEMO.replace("travel_s = 3.9", "travel_s = 4.4").replace("warn_percent = 5.0", "warn_percent = 4.0")
    found = changes([SourceFile("site.toml", DEMO.encode())], [SourceFile("site.toml", after.encode())])
    said = text(found)
    assert said.index("by a restart of the daemon") < said.index("at any time; control stays as it is")
    assert gravest(found) is When.RESTART
