"""The loop-check sheet: every signal and output with its instrument, its place on the wire, and how it stands."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from crumbmeter import __version__
from crumbmeter.field.opcua import TYPE_NAMES
from crumbmeter.field.plan import WireRow, wire_addresses
from crumbmeter.field.spec import WordType
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import quality
from crumbmeter.model.units import UNITS
from crumbmeter.qc.loop_checks import Look, Loop, LoopCheckRefusedError, LoopKind, LoopStanding, LoopState, failed_first
from crumbmeter.qc.loop_checks import standing as standings_of
from crumbmeter.qc.said import InForce
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number, time
from crumbmeter.report.figures import Value, moment
from crumbmeter.report.frame import Frame, RestsOn
from crumbmeter.report.sources import NoAnswerError, Sources, Span, head_text
from crumbmeter.site.loops import loops_of
from crumbmeter.site.quality import load_quality_plan
from crumbmeter.site.settings import Site

FAILED_NOTE = "A failed loop is looked at anew at every point once its cause is mended."
NO_RECORD = ("record entries", "rows read")
"""Lines of a document's identity that say nothing of a site without a record."""
_WAYS = {LoopKind.SIGNAL: "read", LoopKind.OUTPUT: "write"}


def standings(site: Site, said: InForce) -> tuple[LoopStanding, ...]:
    """Say how each loop of a site stands, in the order of the site file.

    Raises:
        NoAnswerError: an entry of the quality record about a loop check is none.
    """
    try:
        return standings_of(said.holding, loops_of(site))
    except LoopCheckRefusedError as refused:
        raise NoAnswerError(str(refused)) from refused


def loop_checks(sources: Sources, span: Span, _about: str) -> Document:
    """Answer the question how the loops of the site stand now."""
    return sheet(sources.frame(span), sources.site, standings(sources.site, sources.said))


def sheet_of(site: Site, said: InForce) -> Document:
    """Make the sheet of a site that may have no record of its plant yet.

    Raises:
        NoAnswerError: an entry of the quality record about a loop check is none.
        SiteRefusedError: the site's quality plan has faults.
        JournalUnreadableError: the quality record cannot be read.
    """
    made = sheet(_frame(site), site, standings(site, said))
    return replace(made, identity=tuple(one for one in made.identity if one[0] not in NO_RECORD))


def sheet(frame: Frame, site: Site, found: Sequence[LoopStanding]) -> Document:
    """Make the loop-check sheet."""
    passed = sum(one.state is LoopState.PASSED for one in found)
    words = f"{passed} of {len(found)} loops have passed"
    return frame.document("loop checks", "Loop-check sheet", words, _blocks(frame, site, found), wide=True)


def _frame(site: Site) -> Frame:
    plan = load_quality_plan(site)
    file, said_head = site.desk.quality_folder / quality.NAME, ""
    if file.exists():
        with Reader(file) as reader:
            said_head = head_text(reader.heads()["record"])
    rests_on = RestsOn(
        site.settings_id, plan.plan_id, __version__, plan.calendar.zone_edition, 0, 0, 0, head="", said_head=said_head
    )
    return Frame(
        site.title, site.params.simulated, site.units == "metric", plan.calendar.zone, rests_on, plan.place.project,
        plan.place.location,
    )  # fmt: skip


def _blocks(frame: Frame, site: Site, found: Sequence[LoopStanding]) -> Iterator[Block]:
    counts = {state: sum(one.state is state for one in found) for state in LoopState}
    yield Facts(tuple(Fact(state.value, count) for state, count in counts.items()), "Loops")
    yield _loops(site, failed_first(found))
    yield _looks(frame, failed_first(found))
    if counts[LoopState.FAILED]:
        yield Text(FAILED_NOTE)
    yield Signature(("Integrator", "Witness"))


def _loops(site: Site, found: Sequence[LoopStanding]) -> Table:
    params = site.params
    rows = wire_addresses(site.devices, params.sources, params.outputs)
    wire = {(kind, row.name): row for row, kind in zip(rows, _kinds(site), strict=True)}
    columns = (
        Column("loop"), Column("way"), Column("state"), Column("device"), number("unit"), Column("FC"),
        number("offset"), Column("type"), Column("range"), Column("missing, or why", below=True),
    )  # fmt: skip
    cells = []
    for one in found:
        row = wire[one.loop.kind, one.loop.name]
        cells.append(
            (
                one.loop.name, _WAYS[one.loop.kind], one.state.value, row.device_id, *_place(row),
                range_words(one.loop), _why(one),
            )
        )  # fmt: skip
    note = "Offsets are PDU offsets, counted from 0, as they go over the wire; FC is the function code that reads it. "
    devices = zip(site.devices, site.device_profiles, strict=True)
    note += "Devices: " + ", ".join(f"{one.device_id} {one.endpoint}, profile {profile}" for one, profile in devices)
    return Table("Loops, failed ones first", columns, cells, note + ".")


def _why(one: LoopStanding) -> str | None:
    """Say what the state by itself does not: that a loop was never checked, it does."""
    never = one.state is LoopState.NOT_CHECKED and not one.looks
    return None if never else one.missing or None


def _kinds(site: Site) -> list[LoopKind]:
    return [LoopKind.SIGNAL] * len(site.params.sources) + [LoopKind.OUTPUT] * len(site.params.outputs)


def wire_words(row: WireRow) -> str:
    """Say where a value is on the wire, as `check` does; the offset is counted from 0."""
    if row.node:
        return f"{_type_words(row)} node {row.node}"
    return f"unit {row.unit_id} FC {row.function_code:02d} offset {row.address} {_type_words(row)}"


def _place(row: WireRow) -> tuple[Value, ...]:
    """Return unit, function code, offset and type; of an OPC UA node type and id, whose namespace the profile has."""
    if row.node:
        return (None, "node", None, f"{_type_words(row)} {row.node.partition(';')[2] or row.node}")
    return (row.unit_id, f"{row.function_code:02d}", row.address, _type_words(row))


def _type_words(row: WireRow) -> str:
    if row.node:
        return TYPE_NAMES[WordType(row.word_type)]
    return f"{row.word_type} {row.order}" if row.order and row.count > 1 else row.word_type


def range_words(loop: Loop) -> str:
    """Say the range of a loop in its own unit."""
    if loop.is_contact:
        return "contact"
    unit = UNITS[loop.unit]
    return f"{unit.from_si(loop.low_si):.6g} to {unit.from_si(loop.high_si):.6g} {loop.unit}"


def _looks(frame: Frame, found: Sequence[LoopStanding]) -> Table:
    columns = (
        Column("loop"), Column("expected"), Column("read"), Column("within"), Column("verdict"), Column("by"),
        Column("witness"), time("when"), Column("entry"), Column("how"),
    )  # fmt: skip
    rows = [
        (
            one.loop.name, value_words(one.loop, look.expected_si), value_words(one.loop, look.read_si),
            None if one.loop.is_contact else difference_words(one.loop, look.tolerance_si),
            "passed" if look.passed else "failed", look.by, look.witness or None,
            moment(look.at_us, frame.zone), str(look.seq) if look.seq else None, look.how or None,
        )
        for one in found
        for look in one.looks
    ]  # fmt: skip
    note = "" if rows else "The quality record holds no loop check of this site as it is defined now."
    return Table("What was seen", columns, rows, note)


def value_words(loop: Loop, value_si: float | None) -> str | None:
    """Say a value in the loop's own unit; nothing where it is missing."""
    if value_si is None:
        return None
    if loop.is_contact:
        return "closed" if value_si >= 0.5 else "open"
    value = UNITS[loop.unit].from_si(value_si)
    return f"{value:.9g}" if loop.unit == "count" else f"{value:.5g} {loop.unit}"


def difference_words(loop: Loop, value_si: float) -> str:
    """Say a difference, such as a tolerance, in the loop's own unit: of a temperature without the unit's zero."""
    return f"{value_si / UNITS[loop.unit].factor:.3g} {loop.unit}"


def look_words(loop: Loop, look: Look) -> str:
    """Say one look in one line."""
    if not look.passed:
        return f"{loop.name}: FAILED: {look.why}"
    within = "" if loop.is_contact else f" within {difference_words(loop, look.tolerance_si)}"
    read, expected = value_words(loop, look.read_si) or "nothing", value_words(loop, look.expected_si)
    return f"{loop.name}: passed: reads {read}, expected {expected}{within} ({look.why})"
