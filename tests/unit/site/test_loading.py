"""What a good site becomes: SI, indices, addresses as on the wire, and an id that every byte moves."""

import hashlib
import math
from collections.abc import Callable
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest

from crumbmeter.control.params import BelowTurndown, MeterMode
from crumbmeter.field.spec import ByteOrder, Table, WordType
from crumbmeter.process.params import DoseBasis, StreamKind
from crumbmeter.site import Site, SiteRefused, load

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "config/sites/demo_drum.toml"
POUND_KG = 0.45359237
SHORT_TON_KG = 907.18474


@pytest.fixture(scope="module")
def demo() -> Site:
    return load(DEMO)


Edit = Callable[[str, str], Path]


@pytest.fixture
def edited(tmp_path: Path) -> Edit:
    """Return a function that writes the demonstration site with one change."""
    (tmp_path / "devices").symlink_to(ROOT / "config/devices")

    def edit(old: str, new: str) -> Path:
        text = DEMO.read_text("utf-8")
        assert old in text
        path = tmp_path / "site.toml"
        path.write_text(text.replace(old, new), "utf-8")
        return path

    return edit


def signal(site: Site, name: str) -> int:
    return [one.signal_id for one in site.params.signals].index(name)


def test_indices_follow_the_order_of_the_file(demo: Site) -> None:
    params = demo.params
    assert [source.signal_id for source in params.sources] == [one.signal_id for one in params.signals]
    assert params.streams[0].rate == signal(demo, "aggregate_flow")
    assert params.drum.turning == signal(demo, "drum_turning")
    assert params.weighing.hopper_mass == signal(demo, "hopper_mass")
    assert params.contacts.remote == signal(demo, "feeder_remote")
    assert params.signals[signal(demo, "aggregate_flow")].frozen_while == signal(demo, "aggregate_belt_running")
    assert demo.devices[params.sources[signal(demo, "hopper_mass")].device].device_id == "feeder"


def test_everything_is_si(demo: Site) -> None:
    params = demo.params
    aggregate = params.streams[0]
    assert aggregate.low_flow_kg_s == pytest.approx(8.0 * SHORT_TON_KG / 3600.0)
    assert aggregate.moisture == pytest.approx(0.04)
    assert params.signals[signal(demo, "hopper_mass")].high_si == pytest.approx(700.0 * POUND_KG)
    assert params.signals[signal(demo, "hopper_mass")].max_rise_per_s == pytest.approx(60.0 * POUND_KG)
    # 32 degF is 0 degC: the offset of the unit counts in limits.
    assert params.signals[signal(demo, "binder_temperature")].low_si == pytest.approx(0.0, abs=1e-9)
    assert params.feed.max_rate_kg_s == pytest.approx(115.0 * POUND_KG / 60.0)
    assert params.feed.slew_kg_s2 == pytest.approx(30.0 * POUND_KG / 60.0)
    assert params.feed.max_speed_rev_s == pytest.approx(1.0)
    assert params.sequence.pressure_high_pa == pytest.approx(2.9 * 6894.757293168361)
    assert params.tolerance.window_kg == pytest.approx(5.0 * SHORT_TON_KG)
    assert params.weighing.factor_drift_per_s == pytest.approx(0.015 / math.sqrt(60.0))
    assert params.outputs[0].high_si == pytest.approx(1.0)


def test_mixes_and_kinds(demo: Site) -> None:
    surface, plain, cleaning, base, lean, rich = demo.params.mixes
    # 10 lb in a short ton of 2000 lb, the rubber included (check-values, section 3: lb/ton = 20 x % of mix).
    assert surface.dose == pytest.approx(0.005)
    assert surface.dose_basis is DoseBasis.TOTAL_MIX
    assert plain.dose == 0.0
    assert (cleaning.dose, cleaning.total_binder_content) == (0.0, 0.0)
    assert base.dose == pytest.approx(0.08)
    assert base.dose_basis is DoseBasis.TOTAL_BINDER
    assert (lean.dose, rich.dose) == pytest.approx((0.0025, 0.0075))
    assert [stream.kind for stream in demo.params.streams] == [
        StreamKind.AGGREGATE,
        StreamKind.RECYCLE,
        StreamKind.BINDER,
    ]
    assert not demo.params.streams[2].wet
    assert demo.params.feed.mode is MeterMode.SPEED
    assert demo.params.feed.below_turndown is BelowTurndown.PULSE


def test_contacts_have_the_limits_of_a_contact(demo: Site) -> None:
    contact = demo.params.signals[signal(demo, "drum_turning")]
    assert (contact.low_si, contact.high_si, contact.is_contact) == (0.0, 1.0, True)


def test_addresses_are_those_of_the_wire(demo: Site) -> None:
    recycle = demo.params.sources[signal(demo, "recycle_flow")].register
    # modicon5 40101 is holding register offset 100 (Modbus Application Protocol v1.1b3, section 4.4).
    assert (recycle.table, recycle.address, recycle.order) == (Table.HOLDING, 100, ByteOrder.CDAB)
    binder = demo.params.sources[signal(demo, "binder_flow")].register
    assert (binder.address, binder.word_type, binder.sentinels) == (16, WordType.I32, (-(2**31),))


@pytest.mark.parametrize(
    ("notation", "table", "address", "offset"),
    [
        ("offset", "holding", "0", 0),
        ("offset", "input", "65535", 65535),
        ("modicon5", "holding", "40001", 0),
        ("modicon5", "holding", "40101", 100),
        ("modicon5", "input", "30001", 0),
        ("modicon5", "discrete", "10001", 0),
        ("modicon5", "coil", "1", 0),
        ("modicon5", "coil", "17", 16),
        ("modicon6", "holding", "400001", 0),
        ("modicon6", "holding", "465536", 65535),
        ("modicon6", "input", "300101", 100),
        ("modicon6", "coil", "1", 0),
        ("hex", "holding", '"0x0000"', 0),
        ("hex", "holding", '"0xFFFF"', 65535),
        ("hex", "input", '"0x10"', 16),
        ("modicon5", "holding", "30001", None),
        ("modicon5", "holding", "40000", None),
        ("modicon5", "holding", "400001", None),
        ("modicon5", "holding", "100", None),
        ("modicon6", "holding", "40001", None),
        ("modicon6", "holding", "465537", None),
        ("modicon5", "input", "20001", None),
        ("offset", "holding", '"0x10"', None),
        ("offset", "holding", "65536", None),
        ("hex", "holding", "16", None),
    ],
)
def test_notation_becomes_wire_address(
    tmp_path: Path, edited: Edit, notation: str, table: str, address: str, offset: int | None
) -> None:
    (tmp_path / "devices").unlink()
    (tmp_path / "devices").mkdir()
    for profile in (ROOT / "config/devices").glob("*.toml"):
        (tmp_path / "devices" / profile.name).write_bytes(profile.read_bytes())
    bit = table in ("coil", "discrete")
    (tmp_path / "devices/odd.toml").write_text(
        f'profile = "odd"\ntitle = "Odd"\nnotation = "{notation}"\n[registers.value]\ntable = "{table}"\n'
        f'address = {address}\ntype = "{"bit" if bit else "u16"}"\nunit = "{"contact" if bit else "count"}"\n'
    )
    limits = "" if bit else "low = 0.0\nhigh = 9.0\n"
    path = edited(
        "[devices.belt_scale]",
        '[devices.odd]\nprofile = "odd"\nhost = "127.0.0.1"\nport = 1\nunit_id = 1\npoll_period_s = 1.0\n'
        f'timeout_s = 0.5\n[signals.odd]\nsource = "odd.value"\nmax_age_s = 5.0\n{limits}[devices.belt_scale]',
    )
    if offset is None:
        with pytest.raises(SiteRefused) as refused:
            load(path)
        codes = {problem.code for problem in refused.value.problems}
        assert codes <= {"address-notation", "address-range", "out-of-range"}
        assert refused.value.problems[0].line == 6
    else:
        site = load(path)
        assert site.params.sources[signal(site, "odd")].register.address == offset


def test_settings_id_is_sha256_over_names_and_bytes(demo: Site) -> None:
    digest = hashlib.sha256()
    for file in demo.files:
        name = file.name.encode()
        digest.update(len(name).to_bytes(8, "big") + name + len(file.content).to_bytes(8, "big") + file.content)
    assert demo.settings_id == digest.hexdigest() == demo.params.settings_id
    assert demo.files[0].content == DEMO.read_bytes()
    assert {file.name for file in demo.files} == {"site.toml"} | {
        f"devices/{name}.toml" for name in demo.device_profiles
    }


def test_one_byte_moves_the_settings_id(demo: Site, edited: Edit) -> None:
    assert load(edited("# A complete site", "# A Complete site")).settings_id != demo.settings_id


def test_the_id_does_not_depend_on_where_the_files_lie(demo: Site, edited: Edit) -> None:
    moved = load(edited("# A complete site", "# A complete site"))
    assert moved.settings_id == demo.settings_id
    assert moved.params == demo.params


def test_settings_cannot_be_changed(demo: Site) -> None:
    with pytest.raises(FrozenInstanceError):
        demo.clock_rate = 10.0  # type: ignore[misc]


def test_profiles_are_looked_for_beside_the_site_and_one_folder_up(tmp_path: Path) -> None:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites/site.toml").write_bytes(DEMO.read_bytes())
    with pytest.raises(SiteRefused, match="no-such-profile"):
        load(tmp_path / "sites/site.toml")
    (tmp_path / "devices").symlink_to(ROOT / "config/devices")
    assert load(tmp_path / "sites/site.toml").params.site_id == "demo_drum"


def test_a_relative_path_from_inside_the_folder_finds_the_profiles(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT / "config/sites")
    assert load(Path("demo_drum.toml")).params.site_id == "demo_drum"


def test_line_ends_of_another_system_change_nothing_but_the_id(tmp_path: Path, edited: Edit, demo: Site) -> None:
    path = edited("# A complete site", "# A complete site")
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    site = load(path)
    assert site.params.mixes == demo.params.mixes
    path.write_bytes(path.read_bytes().replace(b"outlet_stages = 28", b"outlet_stages = 0"))
    with pytest.raises(SiteRefused) as refused:
        load(path)
    text = path.read_bytes().decode().split("\r\n")
    assert text[refused.value.problems[0].line - 1].startswith("outlet_stages")


@pytest.mark.parametrize("name", ["demo_drum", "second_drum"])
def test_the_sites_in_the_repository_have_no_warnings(name: str) -> None:
    assert load(ROOT / f"config/sites/{name}.toml").warnings == ()
