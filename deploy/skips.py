#!/usr/bin/env python3
"""Say which tests were skipped and why, from pytest's JUnit files; with --strict, fail where CI could have run them.

Standard library only. A skip that no machine of CI can avoid starts its reason with `ALLOWED`; DEVELOPERS.md tells
when that is right.
"""

import argparse
import collections
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

ALLOWED = "not in CI:"


def skips(report: Path) -> collections.Counter[str]:
    """Count the tests skipped for each reason. An expected failure is no skip."""
    found: collections.Counter[str] = collections.Counter()
    for skipped in ET.parse(report).iter("skipped"):  # noqa: S314 - the file is pytest's own
        if skipped.get("type") == "pytest.skip":
            found[skipped.get("message", "")] += 1
    return found


def main() -> int:
    """Return 1 when --strict is given and a skip is not allowed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("reports", type=Path, nargs="+")
    parser.add_argument("--strict", action="store_true")
    arguments = parser.parse_args()
    avoidable = False
    found = sum((skips(report) for report in arguments.reports), collections.Counter[str]())
    for reason, count in sorted(found.items()):
        wrong = arguments.strict and not reason.startswith(ALLOWED)
        avoidable = avoidable or wrong
        sys.stdout.write(f"{'AVOIDABLE SKIP' if wrong else 'skipped'} {count}: {reason}\n")
    return int(avoidable)


if __name__ == "__main__":
    sys.exit(main())
