"""State snapshots in the journal: where a replay can begin. They lie beside the scans and are kept as long as these."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

from crumbmeter.journal.chain import canonical_json
from crumbmeter.journal.entry import DeferredEntry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.snapshot import decode, encode
from crumbmeter.ledger.stamped import SNAPSHOT, Stamped

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Snapshot(Generic[S]):
    """The state of the core between two scans."""

    next_scan: int
    """Number, in this boot, of the scan that this state goes into."""
    settings_id: str
    """Settings in force for that scan."""
    state: S


def entry(snapshot: "Snapshot[S]", at: Stamped) -> DeferredEntry:
    """Make the entry of a snapshot; it is encoded in the writer thread (a frozen value can be read from there)."""

    def body() -> bytes:
        head = canonical_json({"next_scan": snapshot.next_scan, "settings_id": snapshot.settings_id, "v": 1})
        return head + b"\n" + encode(snapshot.state)

    return DeferredEntry("image", SNAPSHOT, body, at.mono_us, at.wall_us, at.flags)


def read(stored: Stored, kind: type[S]) -> "Snapshot[S]":
    """Read a snapshot back.

    Raises:
        SnapshotError: the state has changed its shape since; replay from a later one, or by the version that wrote it.
    """
    head, _, state = stored.body.partition(b"\n")
    told = json.loads(head)
    return Snapshot(told["next_scan"], told["settings_id"], decode(kind, state))


def iterate(reader: Reader, boot_id: str | None = None) -> Iterator[Stored]:
    """Iterate the entries of snapshots in order, of one boot or of all."""
    for stored in reader.entries("image", (SNAPSHOT,)):
        if boot_id is None or stored.boot_id == boot_id:
            yield stored
