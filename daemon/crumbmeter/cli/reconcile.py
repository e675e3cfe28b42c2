"""`crumbmeter reconcile JOURNAL --entries FILE`: do scales, feeder, bags and load tickets of a period agree?"""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from crumbmeter.cli.entries_file import EntriesRefusedError, NoMomentError, ReadEntries, moment, parse_entries
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.kept_site import SettingsGoneError, kept_site
from crumbmeter.cli.reconcile_text import Account, account_json, account_text
from crumbmeter.cli.recorded import journal_file
from crumbmeter.estimation.algebra import SingularError
from crumbmeter.estimation.balances import Reconciled
from crumbmeter.estimation.plant_balance import Entered, plant_balance
from crumbmeter.estimation.reconciliation import reconcile as reconcile_problem
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots
from crumbmeter.ledger.period import Span, read_period
from crumbmeter.ledger.stamped import BOOT
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.site import Site, SiteRefusedError, report


class NothingToReconcileError(CrumbmeterError):
    """The journal has no run, or the period no mix."""


def reconcile(
    journal: Path, entries: Path | None, from_when: str = "", to_when: str = "", *, as_json: bool = False
) -> int:
    """Reconcile one period.

    Args:
        journal: The journal's file, or its folder.
        entries: File of tickets, bags, waste and levels; None: nobody entered any.
        from_when: Beginning, as a date and time with its zone; empty: that of the journal.
        to_when: End, likewise.
        as_json: Print JSON instead of words.

    Returns:
        Exit code: 0 every balance that can be tested closes, 1 one does not or the period is not closed, 2 refused.
    """
    try:
        span = Span(moment("--from", from_when), moment("--to", to_when))
        read = _entries(entries, span)
        with Reader(journal_file(journal)) as reader:
            account = _account(reader, span, read)
    except EntriesRefusedError as refused:
        return _refuse(
            as_json, [asdict(problem) for problem in refused.problems], f"{refused}\nNothing was reconciled."
        )
    except SingularError:
        words = "a balance in which everything is exact; give at least one of its entries a `within` above 0"
        return _refuse(as_json, [words], f"cannot reconcile: {words}")
    except (JournalUnreadableError, NothingToReconcileError, NoMomentError, SettingsGoneError) as problem:
        return _refuse(as_json, [str(problem)], f"cannot reconcile: {problem}")
    except SiteRefusedError as refused:
        words = "cannot reconcile: this version refuses the settings of that run\n" + report(refused.problems)
        return _refuse(as_json, [str(problem) for problem in refused.problems], words)
    if as_json:
        sys.stdout.write(json.dumps(account_json(account), indent=2, allow_nan=False) + "\n")
    else:
        sys.stdout.write(account_text(account) + "\n")
    return OK if account.agrees else FAILED


def _refuse(as_json: bool, problems: list[object], words: str) -> int:
    if as_json:
        sys.stdout.write(json.dumps({"ok": False, "problems": problems}, indent=2) + "\n")
    else:
        sys.stderr.write(words + "\n")
    return REFUSED


def _entries(path: Path | None, span: Span) -> ReadEntries:
    if path is None:
        return ReadEntries(Entered(), 0, 0)
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as problem:
        raise NothingToReconcileError(
            f"{path}: {problem}; expected a CSV file in UTF-8 (docs/uncertainty.md shows one)"
        ) from problem
    return parse_entries(text, path.as_posix(), span.from_wall_us, span.before_wall_us)


def _account(reader: Reader, span: Span, read: ReadEntries) -> Account:
    site = _site_of(reader, span)
    period = read_period(reader, site.params, span)
    if period is None:
        raise NothingToReconcileError("no mix was booked in that period; look at --from and --to, with their zones")
    balance = plant_balance(site.params.uncertainty, period.recorded, read.entered)
    against = period.why_not_closed
    outcome = None if against else reconcile_problem(balance.problem)
    return Account(
        site_id=site.params.site_id,
        units=site.units,
        period=period,
        read=read,
        balance=balance,
        against=against,
        outcome=outcome,
        agrees=isinstance(outcome, Reconciled),
    )


def _site_of(reader: Reader, span: Span) -> Site:
    """Return the site as it was at the end of the period."""
    for stored in reader.entries("record", (BOOT,), before_wall_us=span.before_wall_us, newest_first=True):
        return kept_site(reader, boots.read(stored).settings_id)
    raise NothingToReconcileError("the journal has no run before the end of that period")
