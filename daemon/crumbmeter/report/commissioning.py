"""The commissioning report: what was proved of a plant before it made mix, what failed or is open, and who signs it.

What is open stands on top. What nobody did is said to be not on record; it is never left out.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from crumbmeter.ledger.quality import Proof
from crumbmeter.qc.acceptance import Acceptance, Signed
from crumbmeter.qc.loop_checks import LoopKind, LoopStanding, LoopState, failed_first
from crumbmeter.qc.said import Said
from crumbmeter.qc.timing import Basis, Timing
from crumbmeter.report import acceptance as acceptance_paper
from crumbmeter.report.calibration import Standing, standing_table
from crumbmeter.report.commissioning_site import site_blocks
from crumbmeter.report.document import Block, Column, Document, Fact, Facts, Signature, Table, Text, number, time
from crumbmeter.report.figures import Value, iso, moment
from crumbmeter.report.frame import Frame
from crumbmeter.report.timing import doubt_blocks, timing_blocks
from crumbmeter.site import Site

NOT_ON_RECORD: Final = "Not on record"
ROLES: Final = ("integrator", "witness")


@dataclass(frozen=True, slots=True)
class Commissioning:
    """All that the report is made of."""

    site: Site
    run: Acceptance | None
    run_proof: Proof | None
    """Where the run's entry stands, and the seal that covers it."""
    loops: Sequence[LoopStanding]
    calibrations: Sequence[Standing]
    calibrations_table: Table
    timings: Sequence[Timing]
    versions: Sequence[Said]
    signatures: Sequence[tuple[Signed, Proof | None]]
    later: Sequence[Said]
    """What was said of the commissioning after the last signature."""


def build(frame: Frame, held: Commissioning) -> Document:
    """Make the report."""
    run = held.run
    result = "no acceptance run" if run is None else acceptance_paper.verdict_words(run)
    period = "no acceptance run on record" if run is None else frame.span(run.begin_us, run.end_us)
    simulated = any(one.simulated for one in held.timings) or (run is not None and run.simulated)
    return frame.document(
        "commissioning", f"Commissioning report: {result}", period, _blocks(frame, held), simulated=simulated, wide=True
    )


def _blocks(frame: Frame, held: Commissioning) -> Iterator[Block]:
    yield _head(frame, held)
    yield _open_table(held)
    yield from _plan(held.run)
    yield from site_blocks(frame, held.site, held.versions)
    yield from _loops(frame, held.loops)
    if held.calibrations or held.calibrations_table.rows:
        yield standing_table(frame, held.calibrations, "Calibrations: how each instrument stands")
        yield held.calibrations_table
    else:
        yield Text(f"{NOT_ON_RECORD}: no instrument has been calibrated.", "Calibrations")
    yield from doubt_blocks(held.timings)
    yield from timing_blocks(held.timings)
    if held.run is None:
        yield Text(f"{NOT_ON_RECORD}: no acceptance run (`crumbmeter accept SITE`).", "Acceptance run")
    else:
        yield from acceptance_paper.blocks(frame, held.run)
    yield _evidence(frame, held)
    yield from _signatures(frame, held)


def _head(frame: Frame, held: Commissioning) -> Facts:
    run = held.run
    loops = [one.state for one in held.loops]
    passed = sum(one is LoopState.PASSED for one in loops)
    figures = [one for timing in held.timings for one in timing.figures]
    return Facts(
        (
            Fact("acceptance", "not on record" if run is None else acceptance_paper.verdict_words(run)),
            Fact("specification", None if run is None else run.specification_title),
            Fact("loops proved", f"{passed} of {len(loops)}"),
            Fact("calibrations in order", f"{sum(one.in_order for one in held.calibrations)} of "
                                          f"{len(held.calibrations)}"),
            Fact("times identified", f"{sum(one.basis is Basis.IDENTIFIED for one in figures)} of {len(figures)}"),
            Fact("integrator", None if run is None else run.by),
            Fact("witness", (run.witness if run is not None else "") or "none was named"),
            Fact("signed by", ", ".join(f"{one.who} ({one.role})" for one, _ in held.signatures) or "nobody yet"),
            Fact("site file", held.site.params.settings_id[:16]),
            Fact("simulated", frame.simulated),
        )
    )  # fmt: skip


def _open_table(held: Commissioning) -> Table:
    rows = list(_open_points(held))
    columns = (Column("part"), Column("what failed or is open"))
    note = "" if rows else "Nothing failed, and nothing is open."
    return Table("Failed or open", columns, rows, note)


def _open_points(held: Commissioning) -> Iterator[tuple[str, str]]:
    for one in failed_first(held.loops):
        if one.state in (LoopState.FAILED, LoopState.CHECK_AGAIN):
            yield "loops", f"{one.loop.name}: {one.state.value}: {one.missing}"
    unchecked = [one.loop.name for one in held.loops if one.state is LoopState.NOT_CHECKED]
    if unchecked:
        yield "loops", _listed(f"{len(unchecked)} of {len(held.loops)} loops not proved", unchecked)
    if not held.calibrations:
        yield "calibrations", NOT_ON_RECORD
    for standing in held.calibrations:
        if not standing.in_order:
            yield "calibrations", f"{standing.instrument}, {standing.test}: {standing.standing}"
    if not held.timings:
        yield "timing", NOT_ON_RECORD
    for timing in held.timings:
        yield from (("timing", words) for words in _doubts(timing))
    yield from _open_run(held)


def _doubts(timing: Timing) -> Iterator[str]:
    for one in timing.figures:
        if one.agrees is False:
            found = f"found {one.low_s:.1f} to {one.high_s:.1f} s"
            yield f"{timing.about}, {one.what}: the site file has {one.in_force_s:g} s, {found}"
        elif one.basis is Basis.ASSUMED:
            yield f"{timing.about}, {one.what}: assumed"


def _open_run(held: Commissioning) -> Iterator[tuple[str, str]]:
    run = held.run
    if run is None:
        yield "acceptance", NOT_ON_RECORD
        return
    for words in run.open_points:
        yield "acceptance", words
    if run.settings_id != held.site.params.settings_id:
        yield "site file", f"the run was judged with {run.settings_id[:16]}; the file is another one now"
    signed_roles = {one.role for one, _ in held.signatures}
    for role in ROLES:
        if role not in signed_roles and (role == "integrator" or run.witness):
            yield "signatures", f"the {role} has not signed"
    if held.later:
        yield "signatures", f"{len(held.later)} entries of the commissioning came after the last signature"


def _listed(words: str, names: Sequence[str], most: int = 8) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return f"{words}: {', '.join(names[:most])}{more}"


def _plan(run: Acceptance | None) -> Iterator[Block]:
    if run is None or run.plan is None:
        yield Text(f"{NOT_ON_RECORD}: no plan file was given (`crumbmeter accept --plan FILE`).", "Plan")
        return
    plan = run.plan
    facts = [Fact("plan", plan.name), Fact("for", plan.period or None), Fact("SHA-256 of the file", plan.sha256[:16])]
    yield Facts((*facts, *(Fact(label, value) for label, value in plan.facts)), "Plan")
    rows = [(one,) for one in plan.failed]
    yield Table("Checks of the plan that failed", (Column("check"),), rows)


def _loops(frame: Frame, loops: Sequence[LoopStanding]) -> Iterator[Block]:
    if not any(one.looks for one in loops):
        yield Text(f"{NOT_ON_RECORD}: no loop has been checked.", "Loop checks")
        return
    columns = (
        Column("loop"), Column("kind"), Column("state"), number("looks"), Column("expected"), Column("read"),
        Column("still needs"), time("last"), Column("by"), Column("witness"), number("entry"),
    )  # fmt: skip
    yield Table("Loop checks, failed ones first", columns, [_loop(frame, one) for one in failed_first(loops)])


def _loop(frame: Frame, one: LoopStanding) -> tuple[Value, ...]:
    last = one.last
    kind = "contact" if one.loop.is_contact else "value" if one.loop.kind is LoopKind.SIGNAL else "output"
    head: tuple[Value, ...] = (one.loop.name, kind, one.state.value, len(one.looks))
    if last is None:
        return (*head, None, None, one.missing, None, None, None, None)
    expected = ", ".join(f"{look.expected_si:g}" for look in one.looks)
    seen = ", ".join("none" if look.read_si is None else f"{look.read_si:.6g}" for look in one.looks)
    return (
        *head, f"{expected} (SI)", seen, one.missing or None, moment(last.at_us, frame.zone), last.by,
        last.witness or None, last.seq,
    )  # fmt: skip


def _evidence(frame: Frame, held: Commissioning) -> Table:
    run, proof = held.run, held.run_proof
    rows: list[tuple[Value, ...]] = [("software", frame.rests_on.version if run is None else run.version)]
    if run is not None:
        rows += [
            ("settings judged by", run.settings_id),
            ("period of the plant's record", frame.span(run.begin_us, run.end_us)),
            ("entries of the plant's record", f"{run.first_seq} to {run.last_seq}"),
            ("head of the plant's record then", run.head),
            ("runs of the daemon", ", ".join(one[:8] for one in run.boot_ids)),
        ]
    if proof is not None:
        sealed = "not yet" if proof.seal_seq is None else f"by the signed seal in entry {proof.seal_seq}"
        rows += [
            ("entry of the run in the quality record", f"{proof.seq}"),
            ("its hash", proof.hash),
            ("sealed", sealed),
            ("public key of the quality record", proof.public_key or None),
            ("fingerprint of that key", proof.fingerprint or None),
        ]
    return Table("Evidence", (Column("what"), Column("value")), rows)


def _signatures(frame: Frame, held: Commissioning) -> Iterator[Block]:
    yield Text(
        "A signature in the quality record stands over its head just before it: over every loop check, calibration,"
        " timing and run that had been said by then. `crumbmeter export-record FOLDER --quality -o FILE` and"
        " `crumbmeter verify FILE --key PUBLIC` prove it on any machine. This report promises nothing about safety:"
        " crumbmeter is no safety function, and a software stop is not lock-out.",
        "Signatures",
    )
    recorded = []
    for one, proof in held.signatures:
        hashed = "" if proof is None else f", hash {proof.hash}"
        sealed = "" if proof is None or proof.seal_seq is None else f", sealed with key {proof.fingerprint}"
        said = iso(moment(one.at_us, frame.zone))
        over = one.signed_over.rpartition(":")[0]
        recorded.append((f"{one.who}, {one.role}", f"{said}, entry {one.seq}{hashed}{sealed}; over {over}"))
    roles = {one.role for one, _ in held.signatures}
    wanted = tuple(role.capitalize() for role in ROLES if role not in roles)
    yield Signature(wanted, tuple(recorded))
