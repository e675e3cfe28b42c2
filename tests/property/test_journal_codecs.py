"""Everything that the ledger writes reads back equal, bit for bit."""

import struct
from dataclasses import dataclass, fields, is_dataclass
from enum import IntEnum, StrEnum
from pathlib import Path
from typing import Any, Literal, NewType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.control.state import State, first_state
from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.ledger import boots, commands, events, parcels, rows, settings, totals
from crumbmeter.ledger.scancode import Columns, ScanRecord, decode_scans
from crumbmeter.ledger.scans import ScanBlockBuilder, digest_outputs
from crumbmeter.ledger.snapshot import SnapshotError, decode, encode
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import Totals
from crumbmeter.site.loading import load

FINITE = st.floats(allow_nan=False, allow_infinity=False)
TEXT = st.text(st.characters(codec="utf-8"), max_size=20)
GRAMS = st.integers(0, 1 << 70)
ANY_INT = st.integers(-(1 << 80), 1 << 80)
WORDS = st.lists(st.integers(0, 0xFFFF), max_size=6).map(tuple)


class Colour(StrEnum):
    RED = "red"
    GREEN = "green"


class Level(IntEnum):
    LOW = 1
    HIGH = 7


Serial = NewType("Serial", int)


@dataclass(frozen=True, slots=True)
class Leaf:
    x: float
    n: int
    name: str
    yes: bool
    colour: Colour
    level: Level


@dataclass(frozen=True)
class Branch:
    leaf: Leaf
    maybe: Leaf | None
    many: tuple[Leaf, ...]
    pair: tuple[float, Colour]
    grid: tuple[tuple[float, ...], ...]
    either: str | float | int | bool | None
    kind: Leaf | Serial | tuple[int, ...]
    serial: Serial
    side: Literal["left", "right"]
    optional: float | None = None


@dataclass(frozen=True)
class Other:
    leaf: Leaf


LEAVES = st.builds(Leaf, FINITE, ANY_INT, TEXT, st.booleans(), st.sampled_from(Colour), st.sampled_from(Level))
BRANCHES = st.builds(
    Branch,
    LEAVES,
    st.none() | LEAVES,
    st.lists(LEAVES, max_size=3).map(tuple),
    st.tuples(FINITE, st.sampled_from(Colour)),
    st.lists(st.lists(FINITE, max_size=4).map(tuple), max_size=3).map(tuple),
    st.none() | TEXT | FINITE | ANY_INT | st.booleans(),
    LEAVES | ANY_INT | st.lists(ANY_INT, max_size=3).map(tuple),
    ANY_INT,
    st.sampled_from(["left", "right"]),
    st.none() | FINITE,
)


def bits(value: Any) -> Any:
    """A value with its exact types, and floats as their bits: tells 0.0 from -0.0, 1 from 1.0 and True."""
    if isinstance(value, float):
        return "float", struct.pack("<d", value)
    if is_dataclass(value) and not isinstance(value, type):
        return type(value), tuple(bits(getattr(value, field.name)) for field in fields(value))
    if isinstance(value, tuple):
        return tuple, tuple(bits(one) for one in value)
    return type(value), value


@given(value=BRANCHES)
def test_a_snapshot_reads_back_bit_for_bit(value: Branch) -> None:
    data = encode(value)
    assert bits(decode(Branch, data)) == bits(value)
    assert encode(decode(Branch, data)) == data


@given(value=LEAVES, wrong=st.sampled_from([float("nan"), float("inf"), float("-inf")]))
def test_what_is_not_finite_is_refused_by_its_path(value: Leaf, wrong: float) -> None:
    bad = Leaf(wrong, value.n, value.name, value.yes, value.colour, value.level)
    with pytest.raises(SnapshotError, match=r"Other\.leaf\.x = (nan|inf|-inf)"):
        encode(Other(bad))


@given(value=LEAVES)
def test_a_snapshot_of_another_shape_is_refused(value: Leaf) -> None:
    with pytest.raises(SnapshotError, match="another shape"):
        decode(Branch, encode(value))


def test_the_state_of_the_core_is_encodable(repo_root: Path) -> None:
    state = first_state(load(repo_root / "config/sites/demo_drum.toml").params)
    assert bits(decode(State, encode(state))) == bits(state)


def stored(entry: Entry) -> Stored:
    return Stored(entry.strand, 1, "00" * 16, entry.kind, entry.mono_us, entry.wall_us, entry.flags, entry.body, b"")


AT = Stamped(1, 2, 1)
PARCELS = st.builds(
    Parcel, number=GRAMS, began_s=FINITE, ended_s=FINITE, mix_id=TEXT, dose_basis=TEXT, dose_target=FINITE,
    target_rubber_g=GRAMS, rubber_g=GRAMS, rubber_uncertainty_g=GRAMS, dry_aggregate_g=GRAMS, recycle_g=GRAMS,
    recycle_binder_g=GRAMS, virgin_binder_g=GRAMS, quality=st.sampled_from(Quality), worst_state=TEXT,
    controlled=st.booleans(), simulated=st.booleans(),
)  # fmt: skip
SINCE_S = st.just(0.0) | st.floats(1e-3, 86400.0)
COMMANDS = st.builds(Command, st.sampled_from(CommandKind), TEXT, TEXT, FINITE, TEXT, FINITE, TEXT, SINCE_S)
EVENTS = st.builds(
    Event, TEXT, st.lists(st.tuples(TEXT, st.none() | TEXT | FINITE | st.integers() | st.booleans())).map(tuple)
)


@given(value=PARCELS)
def test_parcels(value: Parcel) -> None:
    assert bits(parcels.read(stored(parcels.entry(value, AT)))) == bits(value)


@given(value=EVENTS)
def test_events(value: Event) -> None:
    assert bits(events.read(stored(events.entry(value, AT)))) == bits(value)


@given(value=COMMANDS)
def test_commands(value: Command) -> None:
    assert bits(commands.read(stored(commands.entry(value, AT)))) == bits(value)


@given(name=TEXT, files=st.lists(st.tuples(TEXT, st.binary(max_size=40) | TEXT.map(str.encode))).map(tuple))
def test_settings(name: str, files: tuple[tuple[str, bytes], ...]) -> None:
    value = settings.KeptSettings(name, files)
    assert settings.read(stored(settings.entry(value, AT))) == value


@given(value=st.builds(boots.Boot, TEXT, TEXT, TEXT, st.booleans(), st.booleans(), TEXT, TEXT))
def test_boots(value: boots.Boot) -> None:
    assert boots.read(stored(boots.entry(value, AT))) == value


@given(
    run=TEXT, cells=st.lists(st.tuples(st.none() | FINITE, st.sampled_from(Quality))), columns=st.lists(TEXT).map(tuple)
)
def test_rows(run: str, cells: list[tuple[float | None, Quality]], columns: tuple[str, ...]) -> None:
    layout = rows.Layout(columns)
    assert rows.read_layout(stored(rows.layout_entry(layout, AT))) == layout
    value = rows.Row(layout.layout_id, run, tuple(cell[0] for cell in cells), tuple(cell[1] for cell in cells))
    assert bits(rows.read(stored(rows.entry(value, AT)))) == bits(value)


@given(value=st.builds(totals.KeptTotals, GRAMS, *[st.builds(Totals, *[GRAMS] * 7)] * 2))
def test_totals(value: totals.KeptTotals) -> None:
    assert totals.read(stored(totals.entry(value, AT))) == value


BLOCKS = st.builds(RawBlock, st.none() | WORDS, FINITE, st.sampled_from(ReadOutcome), st.integers(0, 255))
WRITES = st.builds(
    WriteStatus, st.sampled_from(WriteStage), WORDS, st.none() | WORDS, FINITE, FINITE,
    st.sampled_from((0, 50, 80, 100)), st.booleans(),
)  # fmt: skip
IMAGES = st.builds(RawImage, FINITE, st.lists(BLOCKS, max_size=4).map(tuple), st.lists(WRITES, max_size=3).map(tuple))


@st.composite
def shifts(draw: st.DrawFn) -> list[ScanRecord]:
    """Scans as they come: mostly the same objects again, some changed, and now and then another plan altogether."""
    image = draw(IMAGES)
    made: list[ScanRecord] = []
    for _ in range(draw(st.integers(1, 12))):
        what = draw(st.integers(0, 5))
        if what == 5:
            image = draw(IMAGES)
        elif what and image.blocks:
            place = draw(st.integers(0, len(image.blocks) - 1))
            changed = draw(BLOCKS)
            blocks = (*image.blocks[:place], changed, *image.blocks[place + 1 :])
            writes = tuple(draw(WRITES) if draw(st.booleans()) else one for one in image.writes)
            image = RawImage(draw(FINITE), blocks, writes)
        taken = draw(st.lists(COMMANDS, max_size=2).map(tuple))
        made.append(ScanRecord(image, draw(FINITE), taken, draw(st.binary(min_size=8, max_size=8))))
    return made


@given(given_scans=shifts(), block_scans=st.integers(1, 5), first=st.integers(0, 1 << 40))
def test_scans_read_back_bit_for_bit(given_scans: list[ScanRecord], block_scans: int, first: int) -> None:
    builder = ScanBlockBuilder(block_scans, first)
    blocks: list[Columns] = [block for one in given_scans if (block := builder.add(one)) is not None]
    assert builder.next_scan == first + len(given_scans)
    last = builder.flush()
    back = [pair for block in [*blocks, *([last] if last else [])] for pair in decode_scans(block.body())]
    assert [number for number, _ in back] == list(range(first, first + len(given_scans)))
    assert [bits(one) for _, one in back] == [bits(one) for one in given_scans]
    assert builder.flush() is None


@given(value=FINITE, other=FINITE)
def test_the_digest_of_outputs_tells_every_bit(value: float, other: float) -> None:
    def digest(number: float, *, stop: bool = False, role: OutputRole = OutputRole.FEED_RATE) -> bytes:
        return digest_outputs(OutputImage(True, stop, ((role, number),)))

    same = struct.pack("<d", value) == struct.pack("<d", other)
    assert (digest(value) == digest(other)) == same
    assert len({digest(value), digest(value, stop=True), digest(value, role=OutputRole.AUGER_SPEED)}) == 3
