"""The site in the commissioning report: instruments with their addresses, what may be written, versions."""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from crumbmeter.model.units import UNITS
from crumbmeter.qc.said import Said
from crumbmeter.report.document import Block, Column, Table, Text, number, time
from crumbmeter.report.figures import Value, moment, unit_words
from crumbmeter.report.frame import Frame
from crumbmeter.site import Site

MOST_WORDS: Final = 160
"""Letters of a version's own words."""


def site_blocks(frame: Frame, site: Site, versions: Sequence[Said]) -> Iterator[Block]:
    """Make them."""
    yield _devices(site)
    yield _signals(site)
    yield _outputs(site)
    yield Text(
        "Not on record: the quality record keeps no probes; what a probe identified is in the addresses above.",
        "Registers identified by a probe",
    )
    yield _files(site)
    if versions:
        yield _versions(frame, versions)
    else:
        yield Text("Not on record: no version was put in force with who and why.", "Versions of the site file")


def _devices(site: Site) -> Table:
    columns = (
        Column("device"), Column("profile"), Column("transport"), Column("at"), number("unit"),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for device, profile in zip(site.devices, site.device_profiles, strict=True):
        held: Any = device
        transport = str(getattr(getattr(held, "transport", ""), "value", getattr(held, "transport", "")))
        port = getattr(held, "port", None)
        rows.append(
            (held.device_id, profile, transport, f"{held.host}:{port}" if port else held.host,
             getattr(held, "unit_id", 0) or None)
        )  # fmt: skip
    return Table("Devices", columns, rows)


def _signals(site: Site) -> Table:
    columns = (
        Column("signal"), Column("register"), Column("where"), Column("type"), Column("scaling"), Column("unit"),
        number("range from", "", None), number("to", "", None),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for source, params, register in zip(site.params.sources, site.params.signals, site.registers, strict=True):
        unit = UNITS[source.unit]
        low, high = (
            None if value is None else _short(unit.from_si(value)) for value in (params.low_si, params.high_si)
        )
        rows.append((params.signal_id, register, *_where(source.register), unit_words(source.unit), low, high))
    note = "Addresses count from 0, as they go over the wire."
    return Table("Signals", columns, rows, note)


def _outputs(site: Site) -> Table:
    columns = (
        Column("output"), Column("register"), Column("where"), Column("type"), Column("scaling"), Column("unit"),
        number("limit from", "", None), number("to", "", None),
    )  # fmt: skip
    rows: list[tuple[Value, ...]] = []
    for one, register in zip(site.params.outputs, site.output_registers, strict=True):
        unit = UNITS[one.register.unit]
        rows.append(
            (one.role, register, *_where(one.register), unit_words(one.register.unit),
             _short(unit.from_si(one.low_si)), _short(unit.from_si(one.high_si)))
        )  # fmt: skip
    note = "No other register is ever written." if rows else "None: this site can only watch."
    return Table("Outputs: what may be written", columns, rows, note)


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def _where(register: Any) -> tuple[str, str, str]:
    """Say where a value lies, of which type it is, and how it is scaled; for either protocol."""
    node = str(getattr(register, "node", "") or "")
    if node:
        place = node
    else:
        bit = "" if register.bit is None else f" bit {register.bit}"
        place = f"{register.table.value} {register.address}{bit}"
    kind = getattr(register, "word_type", getattr(register, "type", ""))
    order = getattr(register, "order", None)
    words = str(getattr(kind, "value", kind))
    if order is not None and not node and words not in ("bit", "u16", "i16"):
        words = f"{words} {order.value}"
    scaling = f"x {register.scale:g}" if register.scale != 1.0 else ""
    scaling += f" {register.offset:+g}" if register.offset else ""
    return place, words, scaling.strip()


def _files(site: Site) -> Table:
    rows = [(one.name, len(one.content)) for one in site.files]
    note = f"Together they are the settings {site.params.settings_id}."
    return Table("Files of the site", (Column("file"), number("length", "byte")), rows, note)


def _versions(frame: Frame, versions: Sequence[Said]) -> Table:
    columns = (time("in force from"), Column("settings"), Column("by"), Column("what and why"), number("entry"))
    rows = [
        (
            moment(one.effective_us, frame.zone), one.about[:16], one.who,
            "; ".join(f"{key.replace('_', ' ')} {value}" for key, value in one.what.items())[:MOST_WORDS], one.seq,
        )
        for one in versions
    ]  # fmt: skip
    return Table("Versions of the site file", columns, rows)
