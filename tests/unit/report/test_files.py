"""Files for other programs: what is written reads back, with units, times and what is missing."""

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pyarrow.parquet as pq
import pytest

from crumbmeter.report.document import Column, Table, number, time
from crumbmeter.report.files import csv_bytes, json_bytes, parquet_bytes, tsv_bytes
from crumbmeter.report.terminal import WIDTH, text
from tests.unit.report.sample_documents import EVIL, document, empty, table


def test_csv_after_rfc_4180() -> None:
    one = Table("t", (Column("a"), number("b", "kg", 1)), [('say "x", y', 4.65), ("line\nend", None), ("ö", 0)])
    assert csv_bytes(one) == 'a,b [kg]\r\n"say ""x"", y",4.6\r\n"line\nend",\r\nö,0.0\r\n'.encode()


@pytest.mark.parametrize(("write", "separator"), [(csv_bytes, ","), (tsv_bytes, "\t")])
def test_a_file_reads_back(write: Callable[[Table, tuple[str, ...]], bytes], separator: str) -> None:
    file = write(table(2), ("SIMULATE",))
    read = list(csv.reader(io.StringIO(file.decode(), newline=""), delimiter=separator))
    assert read == [
        ["sublot", "from", "from UTC", "mix [short_ton]", "n", "remark", "mark"],
        ["A-0", "2026-06-01T06:00:00-06:00", "2026-06-01T12:00:00Z", "4.6", "0", EVIL, "SIMULATE"],
        ["A-1", "2026-06-01T06:01:00-06:00", "2026-06-01T12:01:00Z", "5.6", "1", "", "SIMULATE"],
    ]


def test_an_empty_table_keeps_its_header() -> None:
    assert csv_bytes(Table("t", (time("at"), Column("x", "kg")), [])) == b"at,at UTC,x [kg]\r\n"


def test_parquet_holds_units_types_and_what_it_rests_on() -> None:
    one = document()
    read = pq.read_table(io.BytesIO(parquet_bytes(one.tables[0], one)))
    assert read.schema.field("mix [short_ton]").metadata == {b"unit": b"short_ton"}
    assert [str(each.type) for each in read.schema] == [
        "string", "string", "timestamp[us, tz=UTC]", "double", "int64", "string", "string"
    ]  # fmt: skip
    assert read.column("mix [short_ton]").to_pylist() == [4.6, 5.6, 6.6]
    assert read.column("remark").to_pylist() == [EVIL, None, None]
    assert read.column("from UTC").to_pylist()[0] == datetime(2026, 6, 1, 12, tzinfo=UTC)
    assert read.schema.metadata[b"head"].startswith(b"record:99:")
    assert read.schema.metadata[b"marks"] == b"SIMULATE"
    assert parquet_bytes(one.tables[0], one) == parquet_bytes(one.tables[0], one)


def test_parquet_of_an_empty_table_has_its_types() -> None:
    one = Table("t", (time("at"), number("x", "kg", 1), Column("y")), [])
    read = pq.read_table(io.BytesIO(parquet_bytes(one, empty())))
    assert (read.num_rows, [str(each.type) for each in read.schema]) == (
        0, ["string", "timestamp[us, tz=UTC]", "double", "string"]
    )  # fmt: skip


def test_json_is_the_content() -> None:
    assert json_bytes(empty()).startswith(b'{"blocks":[],"identity":[]')


def test_a_document_in_the_terminal() -> None:
    told = text(document())
    assert "*** SIMULATE ***" in told
    assert "A-0     2026-06-01 06:00:00-06:00        4.6  0  " in told
    assert all(len(line) <= WIDTH for line in told.splitlines() if line.startswith("A-"))
    assert text(empty()).splitlines()[4] == "There is nothing to report."


def test_names_stay_whole_where_narrow_gaps_make_room_and_a_narrow_terminal_is_kept_to() -> None:
    cells = ("n" * 32, "s" * 32, "d" * 32)
    one = replace(empty(), blocks=(Table("t", (Column("a"), Column("b"), Column("c")), [cells]),))
    assert " ".join(cells) in text(one, 98)  # two letters between them need 100
    assert max(len(line) for line in text(one, 80).splitlines() if line.startswith("n")) == 80


def test_no_text_reaches_the_terminal_as_a_command() -> None:
    assert not {"\x1b", "\x07", "\r", "\u202e"} & set(text(document(words="a\x1b[2J\x07\rb\u202e")))
