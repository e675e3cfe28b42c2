import json
from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.journal.chain import Head
from crumbmeter.journal.entry import CLOCK_NOT_SYNCED, KIND_DROP, Strand
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import NOW, SOON_S, entries, open_journal, small_limits, tamper, write

SECOND_US = 1_000_000


def keeping(strand: Strand, keep_s: float) -> Limits:
    base = small_limits()
    return replace(base, **{strand: replace(base.strand(strand), keep_us=round(keep_s * SECOND_US))})  # type: ignore[arg-type]


@pytest.mark.parametrize("strand", ["record", "image"])
def test_old_segments_go_their_seals_stay_and_the_chain_holds(tmp_path: Path, strand: Strand) -> None:
    path = tmp_path / "j.db"
    write(path, [entries(1, strand, n) for n in range(100)], keeping(strand, 20))
    with Reader(path) as reader:
        stored = list(reader.entries(strand))
        seals = reader.seals(strand)
        drops = [json.loads(one.body) for one in stored if one.kind == KIND_DROP]
    assert stored[0].wall_us >= NOW.wall_us + 65 * SECOND_US
    assert stored[0].seq == next(seal.first_seq for seal in seals if seal.last_seq >= stored[0].seq)
    assert [seal.segment for seal in seals] == list(range(len(seals)))
    assert drops[-1]["last_seq"] == stored[0].seq - 1
    assert {drop["reason"] for drop in drops} == {"age"}
    report = verify(path, seals[0].head)
    assert report.ok
    assert report.head_found
    found = next(one for one in report.strands if one.strand == strand)
    assert 0 < found.dropped < found.segments
    # and it goes on being the same chain after a restart
    write(path, [entries(1, strand, n) for n in range(100, 110)], keeping(strand, 20))
    assert verify(path, stored[-1].hash).ok
    write(path, [entries(1, strand, n) for n in range(110, 150)], keeping(strand, 20))
    too_old = verify(path, Head(strand, stored[-1].seq, stored[-1].hash))
    assert (too_old.ok, too_old.head_found) == (True, None)
    assert "dropped by retention" in too_old.head_detail


def test_the_image_strand_is_kept_shorter_and_the_record_is_untouched(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    limits = keeping("image", 10)
    write(path, [[*entries(1, "record", n), *entries(1, "image", n)] for n in range(60)], limits)
    record, image = verify(path).strands
    assert (record.dropped, record.first_seq) == (0, 1)
    assert image.dropped > 5


def test_a_size_bound_takes_images_first_then_records(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    base = small_limits(max_bytes=400_000)
    big = b"x" * 4000
    journal = open_journal(path, base)
    for number in range(200):
        both = [*entries(1, "record", number), *entries(1, "image", number)]
        journal.append_nowait([replace(one, body=big) for one in both])
        assert journal.flush(SOON_S)
        if number == 60:
            early = verify(path)
    assert journal.close(SOON_S)
    record, image = early.strands
    assert (record.dropped > 0) <= (image.dropped > 5)
    late = verify(path)
    assert late.ok
    assert late.strands[0].dropped > 10
    assert path.stat().st_size < 700_000


def test_a_wrong_clock_cannot_wipe_out_the_journal_at_one_stroke(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    write(path, [entries(100)], keeping("record", 1e6))
    before = verify(path).strands[0].segments
    leap = [replace(one, wall_us=one.wall_us + 12 * 365 * 86400 * SECOND_US) for one in entries(5, first=100)]
    write(path, [leap], keeping("record", 1e6))
    assert verify(path).strands[0].dropped <= 4
    assert before > 15
    unsure = [replace(one, flags=CLOCK_NOT_SYNCED) for one in leap]
    write(path, [unsure], keeping("record", 1e6))
    dropped = verify(path).strands[0].dropped
    write(path, [unsure], keeping("record", 1e6))
    assert verify(path).strands[0].dropped == dropped


def test_segments_removed_by_hand_are_not_taken_for_retention(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    write(path, [entries(1, "record", n) for n in range(40)], keeping("record", 15))
    dropped = verify(path).strands[0].dropped
    with Reader(path) as reader:
        next_one = reader.seals("record")[dropped]
    tamper(path, "DELETE FROM record WHERE seq <= ?", (next_one.last_seq,))
    tamper(path, "UPDATE seal SET present = 0 WHERE segment = ? AND strand = 'record'", (dropped,))
    report = verify(path)
    assert not report.ok
    assert report.strands[0].faults[0].what == "dropped"
