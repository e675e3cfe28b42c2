"""What the check of an exported record found, in plain words and for scripts."""

import json

from crumbmeter.journal.exported_check import ExportReport
from crumbmeter.journal.saying import signed_json
from crumbmeter.journal.signatures import signed_lines
from crumbmeter.journal.signed import utc_text


def export_lines(report: ExportReport) -> list[str]:
    """Say the result in plain words."""
    header = report.header
    asked = [None if one is None else utc_text(one) for one in (header.asked_from_us, header.asked_before_us)]
    period = f"{asked[0] or 'the beginning'} to {asked[1] or 'the end'}"
    lines = [
        f"journal {header.journal_id.hex()}: record {header.first_seq} to {report.head.seq}, {report.entries} entries",
        f"  asked for: {period}, up to record {header.asked_through_seq}; what follows is there for the signature",
        f"  recorded from {utc_text(report.began_us)} to {utc_text(report.ended_us)}",
    ]
    if header.first_seq > 1 and header.asked_from_us is not None and report.began_us >= header.asked_from_us:
        lines.append("  it does not show what was recorded just before: that was no longer kept, or was left out")
    lines += [f"  {fault}" for fault in report.faults]
    lines.append(f"  head {report.head}")
    if report.head_found is True:
        lines.append(f"published head: found, {report.head_detail}")
    elif report.head_found is False:
        lines.append(f"published head: NOT FOUND: {report.head_detail}")
    elif report.head_detail:
        lines.append(f"published head: cannot be checked: {report.head_detail}")
    return [*lines, *signed_lines(report.signed), _verdict(report)]


def _verdict(report: ExportReport) -> str:
    if report.faults:
        first = report.faults[0]
        return f"This is NOT what was recorded. It breaks at line {first.line}, {first.fault.strand} {first.fault.seq}."
    if report.head_found is False:
        return "This is NOT what was recorded: the published head does not belong to it."
    if not report.signed.ok:
        return "The chain holds, but the key you gave has signed nothing of it: it proves nothing against a forger."
    return "This range is whole: every entry is as it was written, in order, with nothing put in or left out."


def export_json(report: ExportReport) -> str:
    """Say the result for a script."""
    return json.dumps(
        {
            "path": str(report.path),
            "journal_id": report.header.journal_id.hex(),
            "ok": report.ok,
            "first_sequence": report.header.first_seq,
            "asked_through_sequence": report.header.asked_through_seq,
            "entries": report.entries,
            "head": str(report.head),
            "head_found": report.head_found,
            "head_detail": report.head_detail,
            "signed": signed_json(report.signed),
            "faults": [
                {"line": one.line, "sequence": one.fault.seq, "what": one.fault.what, "detail": one.fault.detail}
                for one in report.faults
            ],
        },
        indent=2,
    )
