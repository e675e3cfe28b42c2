"""The words of `crumbmeter survey`: plausible decodings side by side, what moved, the manual's address."""

from collections.abc import Iterator, Sequence
from pathlib import Path

from crumbmeter.cli.check_text import table
from crumbmeter.cli.look_file import LookFile
from crumbmeter.field.look import Look, Stretch, stretches
from crumbmeter.field.movement import Movement, movement_of, plausible_views
from crumbmeter.field.ranking import rank
from crumbmeter.field.spec import Table
from crumbmeter.field.sweep import Ask, Sweep
from crumbmeter.field.telling import shifts
from crumbmeter.field.views import WordView

_MOVED = {Movement.STILL: "", Movement.COUNTS_UP: "up", Movement.MOVES: "moves", Movement.JUMPS: "jumps"}
KEEP = "\N{NO-BREAK SPACE}"


def survey_text(kept: LookFile, sweep: Sweep, manual: tuple[Table, int] | None, output: Path | None) -> str:
    """Write a look for the terminal.

    Args:
        kept: The look.
        sweep: What was asked, and what the device said.
        manual: Table and offset of the address that a person has from a manual.
        output: Where the look is kept.
    """
    found = stretches([kept.look])
    parts = [_head(kept, sweep)]
    parts += [_block(stretch) for stretch in found if not _seam(found, stretch)]
    parts += [_moved(found, len(kept.look.samples))]
    if manual is not None:
        parts.append(shift_text(kept.look, manual))
    if output is not None:
        parts.append(f"Kept in {output}. Look again at another load, then: crumbmeter identify LOOK LOOK2")
    return "\n\n".join(parts) + "\n"


def _head(kept: LookFile, sweep: Sweep) -> str:
    lines = [f"{kept.address} unit {kept.unit_id}: {len(kept.look.samples)} samples; only read, nothing written"]
    for what, asks in (("no such address", sweep.holes), ("silent", sweep.silent), ("not asked any more", sweep.left)):
        if asks:
            lines.append(f"  {what}: {', '.join(map(_span, asks))}")
    refused: dict[tuple[Table, int], list[Ask]] = {}
    for ask, code in sweep.refused:
        refused.setdefault((ask.table, code), []).append(ask)
    for (_, code), asks in refused.items():
        lines.append(f"  refused with exception {code:02d}: {', '.join(map(_span, asks))}")
    if kept.displays:
        lines.append(f"  the display showed {', '.join(kept.displays)}")
    return "\n".join(lines)


def _span(ask: Ask) -> str:
    last = ask.end - 1
    return f"{ask.table.value} {ask.address}" if last == ask.address else f"{ask.table.value} {ask.address}-{last}"


def _block(stretch: Stretch) -> str:
    rows = [["offset", "word", "", "could be: one word, then two and four from here on"]]
    newest = stretch.rows[-1]
    for at in range(len(newest)):
        moved = movement_of([row[at] for row in stretch.rows])
        if newest[at] == 0 and moved.movement is Movement.STILL and not any(newest[at : at + 2]):
            continue
        seen = [view for count in (1, 2, 4) for view in _longer(newest, at, count)]
        said = ", ".join(_said(view).replace(" ", KEEP) for view in seen)  # no line break inside a value
        rows.append([str(stretch.address + at), f"0x{newest[at]:04X}", _MOVED[moved.movement], said])
    last = stretch.address + len(newest) - 1
    title = f"{stretch.table.value} {stretch.address} to {last}, the last sample"
    if len(rows) == 1:
        return f"{title}: nothing but zeros that stand"
    return f"{title}; zeros that stand are left out\n{table(rows, 'r').replace(KEEP, ' ')}"


def _seam(found: Sequence[Stretch], one: Stretch) -> bool:
    """Tell whether a stretch begins within another: it is there for values that lie across."""
    return any(
        other.table is one.table and other.address < one.address < other.address + len(other.rows[0]) for other in found
    )


def _longer(words: Sequence[int], at: int, count: int) -> Iterator[WordView]:
    if at + count <= len(words) and any(words[at : at + count]):
        yield from plausible_views(words[at : at + count])


def _said(view: WordView) -> str:
    value = f"{view.value:.7g}" if isinstance(view.value, float) else str(view.value)
    order = "" if view.order == "ABCD" else f" {view.order}"
    return f"{view.word_type}{order} {value}"


def _moved(found: Sequence[Stretch], samples: int) -> str:
    if samples < 2:
        return "One sample only: what moves cannot be told."
    names: dict[Movement, list[str]] = {}
    told: set[str] = set()
    for stretch in found:
        for at in range(len(stretch.rows[0])):
            name = f"{stretch.table.value} {stretch.address + at}"
            if name not in told:
                moved = movement_of([row[at] for row in stretch.rows])
                names.setdefault(moved.movement, []).append(name)
            told.add(name)
    rows = [["", "registers"]]
    rows += [[kind.value, ", ".join(names[kind])] for kind in Movement if kind in names and kind is not Movement.STILL]
    if len(rows) == 1:
        return f"Nothing moved over {samples} samples."
    return f"What moved over {samples} samples\n{table(rows)}"


def shift_text(look: Look, manual: tuple[Table, int]) -> str:
    """Say whether the value that the display showed stands at a manual's address, or one beside it."""
    where, offset = manual
    if not look.readings:
        return "To tell whether the manual counts from 0 or 1, give what the display shows: --display '212.4 unit'."
    found = shifts(rank([look]), where, offset)
    if not found:
        return f"Around {where.value} offset {offset} nothing reads as the display does."
    lines = [
        f"The manual's address, taken at its word, is {where.value} offset {offset}. What reads as the display does:"
    ]
    for shift in found:
        one = shift.candidate
        beside = {-1: "one before it", 0: "right there", 1: "one after it"}[shift.step]
        lines.append(
            f"  {beside}, offset {one.where.address}: {one.where.word_type.value} {one.where.order.value} "
            f"times {one.scale:.7g}"
        )
    if found[0].step:
        lines.append(
            f"The manual counts otherwise: move its addresses by {found[0].step:+d}, if a second value agrees."
        )
    return "\n".join(lines)
