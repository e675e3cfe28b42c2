"""Documents on paper: the same bytes, nothing in a text carried out, headers and marks on every page."""

import io
import os
import re
import subprocess
import sys
import zlib
from dataclasses import replace
from hashlib import sha256
from typing import Any

import pytest
from matplotlib.image import imread

from crumbmeter.report.document import Column, Table, checksum, content_bytes
from crumbmeter.report.pdf import _folded, pdf, pictures
from crumbmeter.report.typesetting import TypesettingError
from tests.unit.report.sample_documents import document, empty, table

CREATED_US = 1_780_400_000_000_000
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" width="60" height="40"><rect width="60" height="40"/></svg>'


def streams(file: bytes) -> list[bytes]:
    """Return every compressed stream of a PDF, unpacked."""
    found = []
    for raw in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", file, re.DOTALL):
        try:
            found.append(zlib.decompress(raw))
        except zlib.error:
            continue
    return found


def pages(file: bytes) -> int:
    return sum(len(re.findall(rb"/Type\s*/Page\b", part)) for part in (file, *streams(file)))


def test_the_same_document_gives_the_same_bytes_in_another_process() -> None:
    code = (
        "import sys, hashlib\n"
        "from crumbmeter.report.pdf import pdf\n"
        "from tests.unit.report.sample_documents import document\n"
        f"print(hashlib.sha256(pdf(document(200), {SVG!r}, {CREATED_US})).hexdigest())"
    )
    told = set()
    for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        env = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        ran = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
        told.add(ran.stdout.strip())
    assert told == {sha256(pdf(document(200), SVG, CREATED_US)).hexdigest()}


def test_a_stated_time_makes_an_archive_file_that_carries_its_content() -> None:
    one = document()
    file = pdf(one, created_us=CREATED_US)
    assert content_bytes(one) in streams(file)
    assert checksum(one) == sha256(content_bytes(one)).hexdigest()
    assert b"pdfaid:part" in file or any(b"pdfaid:part" in part for part in streams(file))
    assert b"D:20260602" in file


def test_no_time_is_stated_unless_it_is_given() -> None:
    file = pdf(document())
    assert b"CreationDate" not in file
    assert not any(b"CreationDate" in part for part in streams(file))


@pytest.mark.parametrize(
    "words", ['#panic("carried out")', "[#panic()]", "$ #panic() $", "`x", "/* x", "\\", "*", "<a>"]
)
def test_no_text_is_ever_carried_out_or_breaks_the_setting(words: str) -> None:
    assert pdf(document(words=words)).startswith(b"%PDF-")


def test_a_text_is_shown_as_it_is_written() -> None:
    """Markup that were read as such would leave the same picture as its result; verbatim it does not."""
    strong, plain = (pictures(document(words=words), dots_per_inch=40) for words in ("*b*", "b"))
    assert strong != plain


def test_a_very_long_table_runs_over_pages() -> None:
    assert pages(pdf(replace(empty(), blocks=(table(2000),)))) >= 30


def test_an_empty_document_is_a_page() -> None:
    assert pages(pdf(empty())) == 1


def test_paper_follows_the_site() -> None:
    sizes = {metric: pdf(replace(empty(), metric=metric)) for metric in (True, False)}
    assert re.search(rb"MediaBox\s*\[0 0 595.2\d* 841.8\d*\]", _readable(sizes[True]))
    assert re.search(rb"MediaBox\s*\[0 0 612 792\]", _readable(sizes[False]))


def _readable(file: bytes) -> bytes:
    return b"\n".join((file, *streams(file)))


def test_every_page_is_marked() -> None:
    marked, bare = (_heads(marks, 0.0, 20.0) for marks in (("SIMULATE",), ()))
    assert len(marked) > 3
    assert [_has_red(head) for head in marked] == [True] * len(marked)
    assert [_has_red(head) for head in bare] == [False] * len(marked)


def test_a_table_repeats_its_header_on_every_page() -> None:
    """The strip below the page's head is the table's header: the same on each page, while the rows differ."""
    headers = {head.tobytes() for head in _heads((), 21.0, 27.0)[1:]}
    rows = {head.tobytes() for head in _heads((), 32.0, 38.0)[1:]}
    assert (len(headers), len(rows) > 2) == (1, True)


def _heads(marks: tuple[str, ...], from_mm: float, to_mm: float) -> list[Any]:
    """Return a strip of every page of a long document, as dots."""
    long = replace(empty(), blocks=(table(300, ""),), marks=marks)
    dots = [imread(io.BytesIO(page)) for page in pictures(long, dots_per_inch=60)]
    return [page[round(from_mm * 60 / 25.4) : round(to_mm * 60 / 25.4)] for page in dots]


def _has_red(dots: Any) -> bool:
    return bool(((dots[..., 0] - dots[..., 1]) > 0.3).any())


def test_what_is_no_logo_is_refused() -> None:
    with pytest.raises(TypesettingError, match="neither PNG nor SVG"):
        pdf(empty(), b"GIF89a")


def test_a_table_too_wide_for_paper_says_once_what_is_always_the_same() -> None:
    columns = tuple(Column(f"c{at}", "kg" if at == 1 else "") for at in range(14))
    rows = [["x", "5", *[f"{at}.{row}" for at in range(11)], None] for row in range(3)]
    folded, said = _folded(Table("t", columns, rows, "", ["all", *[None] * 13]))
    assert [column.name for column in folded.columns] == [f"c{at}" for at in range(2, 13)]
    assert [row[0] for row in folded.rows] == ["0.0", "0.1", "0.2"]
    assert said == "The same in every row: c0 x; c1 5 kg. Empty in every row: c13."
    assert len(_folded(Table("t", columns, rows[:1]))[0].columns) == 13
    assert len(_folded(Table("t", columns, []))[0].columns) == 12
    assert _folded(table()) == (table(), "")
