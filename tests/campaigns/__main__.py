"""`python -m tests.campaigns`: the long proofs of the field links. Each writes its figures to docs/benchmarks/."""

import argparse
import sys

from tests.campaigns import anomalies, eight_units, mismatch, outages, page, restarts, writes
from tests.campaigns.common import say


def _mismatch(given: argparse.Namespace) -> int:
    result = mismatch.campaign(given.transport, given.transactions, given.seed, given.processes)
    for key in ("outcomes", "not_sent", "set_aside", "faults"):
        for name, count in result[key].items():
            say(f"  {key:10} {name:40} {count:>9}")
    for shown in result["wrong_shown"]:
        say(f"  WRONG {shown}")
    return 1 if result["wrong"] else 0


def _writes(given: argparse.Namespace) -> int:
    result = writes.campaign(given.transport, given.writes, given.seed, given.processes)
    for shown in result["shown"]:
        say(f"  DIFFERENT {shown}")
    return 1 if any(result["differences"].values()) else 0


def _outages(given: argparse.Namespace) -> int:
    return 1 if outages.campaign(given.each, given.seed)["not_recovered_in_time"] else 0


def _units(given: argparse.Namespace) -> int:
    return 0 if eight_units.campaign(given.period, given.periods)["kept"] else 1


def _restarts(given: argparse.Namespace) -> int:
    result = restarts.campaign(given.restarts, given.seed, given.processes)
    for shown in result["shown"]:
        say(f"  JUMP {shown}")
    return 1 if result["jumps"] or result["early"] else 0


def _anomalies(given: argparse.Namespace) -> int:
    return 1 if any(count.seen for count in anomalies.campaign(given.seed)) else 0


def _page(_: argparse.Namespace) -> int:
    page.write()
    return 0


def main() -> int:
    """Read the command line and run what it names."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns", description=__doc__)
    commands = parser.add_subparsers(required=True)
    one = commands.add_parser("mismatch", help="no reply is booked to another register")
    one.add_argument("--transport", choices=("tcp", "rtu", "rtu_over_tcp"), required=True)
    one.add_argument("--transactions", type=int, default=1_000_000)
    one.add_argument("--seed", type=int, default=1)
    one.add_argument("--processes", type=int, default=2)
    one.set_defaults(run=_mismatch)
    one = commands.add_parser("writes", help="what the writer believes is what the device holds")
    one.add_argument("--transport", choices=("tcp", "rtu", "rtu_over_tcp"), default="tcp")
    one.add_argument("--writes", type=int, default=10_000)
    one.add_argument("--seed", type=int, default=1)
    one.add_argument("--processes", type=int, default=2)
    one.set_defaults(run=_writes)
    one = commands.add_parser("outages", help="every link comes back by itself, and nothing piles up")
    one.add_argument("--each", type=int, default=500)
    one.add_argument("--seed", type=int, default=1)
    one.set_defaults(run=_outages)
    one = commands.add_parser("units", help="units of one bus keep their period whoever dies")
    one.add_argument("--period", type=float, default=1.0, help="[s] real time")
    one.add_argument("--periods", type=int, default=15, help="length of a phase")
    one.set_defaults(run=_units)
    one = commands.add_parser("restarts", help="whatever restarts, the setpoint on the wire never jumps")
    one.add_argument("--restarts", type=int, default=1000)
    one.add_argument("--seed", type=int, default=1)
    one.add_argument("--processes", type=int, default=2)
    one.set_defaults(run=_restarts)
    one = commands.add_parser("anomalies", help="the sixteen counts of the field lessons")
    one.add_argument("--seed", type=int, default=1)
    one.set_defaults(run=_anomalies)
    one = commands.add_parser("page", help="put the figures into docs/field-lessons.md")
    one.set_defaults(run=_page)
    given = parser.parse_args()
    return int(given.run(given))


if __name__ == "__main__":
    sys.exit(main())
