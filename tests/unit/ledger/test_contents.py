"""What rows say at an instant: a hopper's content by the median of the nearest, and each change of the diverter."""

from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from crumbmeter.journal.entry import Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import rows
from crumbmeter.ledger.contents import content_g, diverter_changes
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.quality import Quality

SECOND_US = 1_000_000
BEGIN_US = 1_790_000_000 * SECOND_US
LAYOUT = rows.Layout(("hopper_mass", "silo_diverter"))


def at(second: int) -> int:
    return BEGIN_US + second * SECOND_US


def diverter(second: int) -> float | None:
    """Silo 1, from 100 s silo 2, from 150 to 159 s not known, then 2 again, from 200 s silo 1."""
    if 150 <= second < 160:
        return None
    return 2.0 if 100 <= second < 200 else 1.0


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    path: Path = tmp_path_factory.mktemp("record") / "journal.db"
    journal = Journal(path, uuid4().hex, lambda: Stamp(0, BEGIN_US))
    journal.append_nowait([rows.layout_entry(LAYOUT, Stamped(0, BEGIN_US))])
    for second in range(300):
        weight = None if second < 5 else 300.0 - 0.1 * second + (50.0 if second == 12 else 0.0)
        values = (weight, diverter(second))
        qualities = tuple(Quality.BAD if value is None else Quality.GOOD for value in values)
        row = rows.Row(LAYOUT.layout_id, "feeding", values, qualities)
        journal.append_nowait([rows.entry(row, Stamped(second * SECOND_US, at(second)))])
    assert journal.flush(10)
    assert journal.close(10)
    with Reader(path) as opened:
        yield opened


def test_a_content_is_the_median_of_the_nearest_rows(reader: Reader) -> None:
    assert content_g(reader, "hopper_mass", at(0)) == 299_100  # of rows 5 to 15; a bump of 50 kg moves it by 0.1 kg
    assert content_g(reader, "hopper_mass", at(400)) == round(1000 * (300.0 - 0.1 * 294))


@pytest.mark.parametrize(("signal", "second"), [("no_such_signal", 100), ("hopper_mass", 2000), ("hopper_mass", -700)])
def test_what_no_row_tells_is_not_known(reader: Reader, signal: str, second: int) -> None:
    assert content_g(reader, signal, at(second)) is None


def test_every_change_of_the_diverter_and_where_it_stood_before(reader: Reader) -> None:
    found = list(diverter_changes(reader, "silo_diverter", at(0), at(300)))
    assert found == [(at(0), 1), (at(100), 2), (at(150), None), (at(160), 2), (at(200), 1)]
    assert next(diverter_changes(reader, "silo_diverter", at(120), at(121))) == (at(0), 1)
