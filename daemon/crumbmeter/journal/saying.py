"""What a verification found, in plain words and for scripts."""

import json
from typing import Any

from crumbmeter.journal.signatures import SignedUpTo, signed_lines
from crumbmeter.journal.verify import VerifyReport


def report_lines(report: VerifyReport) -> list[str]:
    """Say the result in plain words."""
    lines: list[str] = []
    for one in report.strands:
        span = f"entries {one.first_seq} to {one.head.seq}" if one.entries else "no entries"
        lines.append(
            f"{one.strand}: {span}, {one.segments} sealed segments"
            + (f" ({one.dropped} dropped by retention, their seals are here)" if one.dropped else "")
            + (": the chain holds" if one.ok else f": BROKEN, first at {one.first_bad_seq}")
        )
        lines += [f"  {fault.seq}: {fault.what}: {fault.detail}" for fault in one.faults]
        lines.append(f"  head {one.head}")
    if report.head_found is True:
        lines.append(f"published head: found, {report.head_detail}")
    elif report.head_found is False:
        lines.append(f"published head: NOT FOUND: {report.head_detail}")
    elif report.head_detail:
        lines.append(f"published head: cannot be checked: {report.head_detail}")
    return lines + signed_lines(report.signed)


def signed_json(signed: SignedUpTo) -> dict[str, Any]:
    """Say for a script how far the record is signed."""
    return {
        "signed_seals": signed.seals, "record_sequence": signed.record_seq, "day": signed.day,
        "public_keys": [key.hex() for key in signed.public_keys], "key_was_given": signed.asked,
        "seals_of_other_keys": signed.other_keys, "seals_of_other_journals": signed.foreign,
        "entries_not_covered": signed.uncovered,
    }  # fmt: skip


def report_json(report: VerifyReport) -> str:
    """Say the result for a script."""
    return json.dumps(
        {
            "path": str(report.path),
            "journal_id": report.journal_id,
            "ok": report.ok,
            "head_found": report.head_found,
            "head_detail": report.head_detail,
            "signed": signed_json(report.signed),
            "strands": [
                {
                    "strand": one.strand,
                    "ok": one.ok,
                    "entries": one.entries,
                    "first_seq": one.first_seq,
                    "head": str(one.head),
                    "segments": one.segments,
                    "dropped_segments": one.dropped,
                    "first_bad_seq": one.first_bad_seq,
                    "faults": [{"seq": f.seq, "what": f.what, "detail": f.detail} for f in one.faults],
                }
                for one in report.strands
            ],
        },
        indent=2,
    )
