"""Subjects over a real journal: what is written through the thread is found again by those who ask."""

from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.control.record import add_to
from crumbmeter.journal.entry import Appendable, Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, commands, events, parcels, rows, scans, settings, snapshots, stamped, totals
from crumbmeter.ledger.scancode import ScanRecord, decode_scans
from crumbmeter.ledger.snapshot import SnapshotError
from crumbmeter.ledger.stamped import Stamped, UnknownBodyError, record
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import event
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import Totals
from tests.unit.journal.making import BOOT, NOW, small_limits, write

S = 1_000_000


def at(second: int) -> Stamped:
    return Stamped(second * S, NOW.wall_us + second * S)


def parcel(number: int, *, simulated: bool = False, target_g: int = 1250) -> Parcel:
    return Parcel(
        number, number * 1.0, number + 1.0, "surface", "added to mix", 0.005, target_g, 1240, 12, 230_000, 8_000, 400,
        12_000, Quality.UNCERTAIN, "feeding", controlled=True, simulated=simulated,
    )  # fmt: skip


def journal(path: Path, entries: list[Appendable]) -> Path:
    write(path / "j.db", [entries], small_limits())
    return path / "j.db"


def test_parcels_and_events_come_back_by_time(tmp_path: Path) -> None:
    made: list[Appendable] = []
    for number in range(1, 9):
        made += [
            parcels.entry(parcel(number), at(number)),
            events.entry(event("happened", n=number, x_kg=0.5), at(number)),
        ]
    with Reader(journal(tmp_path, made)) as reader:
        some = list(parcels.iterate(reader, from_wall_us=at(3).wall_us, before_wall_us=at(6).wall_us))
        heard = list(events.iterate(reader, after_seq=some[-1].stored.seq))
        summed = totals.sum_parcels(reader, from_wall_us=at(3).wall_us, before_wall_us=at(6).wall_us)
    assert [one.parcel for one in some] == [parcel(3), parcel(4), parcel(5)]
    assert [one.event.get("n") for one in heard] == [5, 6, 7, 8]
    # 3 parcels of 1.24 kg of rubber in 251.24 kg of mix each
    assert summed == Totals(3720, 3750, 3 * 251_240, 3 * 251_240, 3)


def test_a_parcel_reads_as_plain_words(tmp_path: Path) -> None:
    body = parcels.entry(parcel(7), at(7)).body
    assert b'"quality":"Uncertain"' in body
    assert b'"rubber_g":1240' in body
    assert b'"v":1' in body


def test_totals_at_a_restart_are_the_newest_entry_and_the_parcels_behind_it(tmp_path: Path) -> None:
    before = Totals()
    for number in range(1, 6):
        before = add_to(before, parcel(number))
    mark = replace(before, rubber_g=7)
    made: list[Appendable] = [
        parcels.entry(parcel(4), at(4)),
        totals.entry(totals.KeptTotals(3, Totals(), Totals()), at(4)),
        parcels.entry(parcel(5), at(5)),
        totals.entry(totals.KeptTotals(5, before, mark), at(6)),
        parcels.entry(parcel(5), at(6)),  # a row that stands behind though it is counted: by its number, not its place
        parcels.entry(parcel(6, target_g=0), at(7)),
        parcels.entry(parcel(7), at(8)),
    ]
    with Reader(journal(tmp_path, made)) as reader:
        kept = totals.restore(reader)
    assert kept.last_parcel == 7
    assert kept.totals == add_to(add_to(before, parcel(6, target_g=0)), parcel(7))
    assert kept.totals.mix_g - kept.totals.mix_with_dose_g == 251_240
    assert kept.job_mark == mark


def test_what_was_dumped_outlives_a_restart_and_older_entries_know_of_none(tmp_path: Path) -> None:
    kept = totals.KeptTotals(3, Totals(wasted_mix_g=521_375, wasted_rubber_g=1_875), Totals())
    with Reader(journal(tmp_path, [totals.entry(kept, at(4)), parcels.entry(parcel(4), at(5))])) as reader:
        found = totals.restore(reader).totals
    assert (found.wasted_mix_g, found.wasted_rubber_g, found.parcels) == (521_375, 1_875, 1)
    five = {"rubber_g": 5, "target_rubber_g": 5, "mix_g": 9, "mix_with_dose_g": 9, "parcels": 1}
    older = record("totals", {"last_parcel": 1, "totals": five, "job_mark": five}, at(4))
    with Reader(journal(tmp_path / "older", [older])) as reader:
        assert totals.restore(reader).totals == Totals(5, 5, 9, 9, 1)


def test_an_empty_journal_has_no_totals(tmp_path: Path) -> None:
    with Reader(journal(tmp_path, [])) as reader:
        assert totals.restore(reader) == totals.NOTHING


def test_simulated_parcels_can_be_told_apart(tmp_path: Path) -> None:
    made: list[Appendable] = [parcels.entry(parcel(1), at(1)), parcels.entry(parcel(2, simulated=True), at(2))]
    with Reader(journal(tmp_path, made)) as reader:
        assert [totals.sum_parcels(reader, simulated=one).parcels for one in (None, True, False)] == [2, 1, 1]


def test_settings_are_stored_once_and_again_before_retention_takes_them(tmp_path: Path) -> None:
    kept = settings.KeptSettings("abc", (("site.toml", b'title = "x"\r\n'), ("devices/y.toml", b"\xff\xfe")))
    with Reader(
        journal(tmp_path, [settings.entry(kept, at(0)), settings.entry(replace(kept, settings_id="z"), at(1))])
    ) as reader:
        found = settings.find(reader, "abc")
        assert found is not None
        assert settings.read(found) == kept
        assert settings.find(reader, "other") is None
        day = 86_400 * S
        due = [
            settings.due(reader, one, at(0).wall_us + days * day, keep)
            for one, days, keep in (
                ("abc", 0, 10 * day),
                ("abc", 4, 10 * day),
                ("abc", 6, 10 * day),
                ("abc", 6, None),
                ("other", 0, None),
            )
        ]
    assert due == [False, False, True, False, True]


def test_rows_carry_their_layout(tmp_path: Path) -> None:
    first, second = rows.Layout(("a_kg_s", "b")), rows.Layout(("b", "a_kg_s", "c"))
    made: list[Appendable] = [
        rows.layout_entry(first, at(0)),
        rows.entry(rows.Row(first.layout_id, "feeding", (1.5, None), (Quality.GOOD, Quality.BAD)), at(1)),
        rows.layout_entry(second, at(2)),
        rows.entry(rows.Row(second.layout_id, "idle", (2.0, 3.0, 4.0), (Quality.GOOD,) * 3), at(3)),
    ]
    with Reader(journal(tmp_path, made)) as reader:
        got = list(rows.iterate(reader))
    assert [(one.value("a_kg_s"), one.value("b"), one.value("c"), one.row.run_state) for one in got] == [
        (1.5, None, None, "feeding"),
        (3.0, 2.0, 4.0, "idle"),
    ]
    with pytest.raises(ValueError, match="2 values, 1 qualities"):
        rows.entry(rows.Row("x", "idle", (1.0, 2.0), (Quality.GOOD,)), at(1))
    with pytest.raises(ValueError, match="JSON compliant"):
        rows.entry(rows.Row("x", "idle", (float("nan"),), (Quality.GOOD,)), at(1))


def test_a_row_without_its_layout_is_refused(tmp_path: Path) -> None:
    lost: list[Appendable] = [rows.entry(rows.Row("none", "idle", (), ()), at(1))]
    with Reader(journal(tmp_path, lost)) as reader, pytest.raises(UnknownBodyError, match="no layout none"):
        list(rows.iterate(reader))


def test_a_boot_says_what_wrote(tmp_path: Path) -> None:
    began = boots.boot(BOOT, "0.1.0", "abc", clock_synced=False, simulated=True)
    asked = Command(CommandKind.SELECT_MIX, "somebody", "c1", 12.5, "surface")
    with Reader(journal(tmp_path, [boots.entry(began, at(0)), commands.entry(asked, at(1))])) as reader:
        stored = reader.last(stamped.BOOT)
        command = reader.last(stamped.COMMAND)
    assert stored is not None
    assert command is not None
    assert boots.read(stored) == began
    assert tuple(map(int, began.sqlite.split("."))) >= (3, 51, 3)
    assert commands.read(command) == asked


def test_scans_and_snapshots_are_found_by_boot_and_number(tmp_path: Path) -> None:
    builder = scans.ScanBlockBuilder(3)
    given = [
        ScanRecord(RawImage(n * 0.2, (RawBlock((n, 1), n * 0.2, ReadOutcome.OK),)), 0.2, (), bytes([n] * 8))
        for n in range(8)
    ]
    made: list[Appendable] = []
    for number, one in enumerate(given):
        if number == 4:
            made.append(snapshots.entry(snapshots.Snapshot(builder.next_scan, "abc", parcel(1)), at(number)))
        block = builder.add(one)
        if block is not None:
            made.append(scans.scan_entry(block, at(number)))
    rest = builder.flush()
    assert rest is not None
    made.append(scans.scan_entry(rest, at(9)))
    with Reader(journal(tmp_path, made)) as reader:
        back = [(number, record) for _, number, record in scans.iterate(reader, BOOT)]
        assert list(scans.iterate(reader, "ff" * 16)) == []
        (kept,) = snapshots.iterate(reader, BOOT)
        assert list(snapshots.iterate(reader, "ff" * 16)) == []
    assert back == list(enumerate(given))
    assert snapshots.read(kept, Parcel) == snapshots.Snapshot(4, "abc", parcel(1))
    with pytest.raises(SnapshotError, match="another shape"):
        snapshots.read(kept, Totals)


@pytest.mark.parametrize(
    "wrong",
    [
        ScanRecord(RawImage(0.0, (RawBlock((70_000,), 0.0, ReadOutcome.OK),)), 0.2, (), bytes(8)),
        ScanRecord(RawImage(0.0, ()), 0.2, (), bytes(7)),
    ],
)
def test_a_scan_that_does_not_fit_costs_its_block_and_no_other(wrong: ScanRecord) -> None:
    good = ScanRecord(RawImage(0.0, (RawBlock((7,), 0.0, ReadOutcome.OK),)), 0.2, (), bytes(8))
    builder = scans.ScanBlockBuilder(2)
    builder.add(good)
    with pytest.raises(ValueError, match="cannot be packed"):
        builder.add(wrong)
    assert builder.next_scan == 2
    assert builder.add(good) is None
    block = builder.add(good)
    assert block is not None
    assert list(decode_scans(block.body())) == [(2, good), (3, good)]


def test_bytes_of_another_kind_or_version_are_refused(tmp_path: Path) -> None:
    entry = events.entry(event("x"), at(0))
    stored = Stored("record", 1, BOOT, entry.kind, 0, 0, 0, entry.body, b"")
    with pytest.raises(UnknownBodyError, match="is a event, not a parcel"):
        parcels.read(stored)
    with pytest.raises(UnknownBodyError, match="another version"):
        events.read(replace(stored, body=b'{"detail":[],"name":"x","v":2}'))
    with pytest.raises(ValueError, match="no block of scans"):
        decode_scans(b"something else")


def test_what_has_no_canonical_form_is_refused_when_it_is_made() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        events.entry(event("x", value=float("inf")), at(0))
    assert isinstance(events.entry(event("x", value=None), at(0)), Entry)
