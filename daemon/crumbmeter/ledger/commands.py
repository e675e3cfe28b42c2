"""Commands in the journal: who asked for what. What became of it stands in the events that follow."""

from dataclasses import asdict

from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.ledger.stamped import COMMAND, Stamped, body_of, record
from crumbmeter.model.commands import Command, CommandKind


def entry(command: Command, at: Stamped) -> Entry:
    """Make the entry of a command, in the scan that took it."""
    body = asdict(command) | {"kind": command.kind.value}
    if not command.reason:
        del body["reason"]  # as in entries from before there were reasons
    if not command.since_s:
        del body["since_s"]
    return record(COMMAND, body, at)


def read(stored: Stored) -> Command:
    """Read a command back."""
    body = body_of(stored, COMMAND)
    return Command(**(body | {"kind": CommandKind(body["kind"])}))
