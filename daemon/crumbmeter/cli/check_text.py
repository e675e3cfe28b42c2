"""The words of `crumbmeter check`: an explained site as plain text no wider than the terminal, or 100 columns."""

import textwrap
from collections.abc import Sequence

from crumbmeter.cli.check_batch import charges_text, hand_shake_text, ingredients_text
from crumbmeter.cli.screen import columns
from crumbmeter.field.opcua import TYPE_NAMES
from crumbmeter.field.plan import WireRow
from crumbmeter.field.spec import WordType
from crumbmeter.site import Site, warnings_text
from crumbmeter.site.explain import DoseWords, Explanation, StreamWords

_BASES = (
    ("total_mix", "% of mix"),
    ("added_to_mix", "% added"),
    ("total_binder", "% of binder"),
    ("binder_rubber_blend", "% of blend"),
    ("virgin_binder", "% of virgin"),
    ("dry_aggregate", "% of dry agg"),
)


def site_text(site: Site, words: Explanation, proof: str) -> str:
    """Write the whole explanation.

    Args:
        site: Site.
        words: What is explained.
        proof: What the site can prove, written already.
    """
    parts = (
        _head(site),
        *_made_of(site, words),
        _section("Signals: what is read and what becomes of it", _signals(words)),
        *_asked(site, words),
        *(
            [_section("Conveying line: planning only, plus or minus 50 %", _conveying(words))]
            if words.conveying
            else []
        ),
        *([] if site.params.batch else [_section("What this site can prove: the dose and its uncertainty", proof)]),
        _section("Read plan: what is asked over the wire", _plan(site, words)),
        _section("Where each value is on the wire", addresses_text(words.addresses)),
        _section("Registers that may be written; no other one ever is", _writes(words)),
        _section("Control", _control(site)),
        _section("Where it goes", _places(site)),
        _section(f"Warnings: {len(site.warnings)}", warnings_text(site.warnings) or "  none"),
    )
    return "\n\n".join(parts) + "\n"


def _made_of(site: Site, words: Explanation) -> tuple[str, ...]:
    if words.batch is not None:
        ingredients = ingredients_text(words.batch, fill)
        hand_shake = hand_shake_text(words.batch, fill, table)
        return (
            _section("Ingredients: what is weighed, and what is corrected", ingredients),
            _section("Hand-shake with the plant's batch controls", hand_shake),
        )
    title = "Streams: what is measured, what is corrected, how long it travels"
    return (_section(title, _streams(site, words)),)


def _asked(site: Site, words: Explanation) -> tuple[str, ...]:
    if words.batch is not None:
        return (_section("Rubber for three sizes of batch", charges_text(words.batch, fill, table)),)
    return (_section("Doses at three rates of the plant", _doses(site, words)),)


def _section(title: str, body: str) -> str:
    return f"{title}\n{'-' * len(title)}\n{body}"


def fill(text: str, indent: int = 2) -> str:
    """Fill a paragraph."""
    pad = " " * indent
    return textwrap.fill(text, columns(), initial_indent=pad, subsequent_indent=pad, break_on_hyphens=False)


def table(rows: Sequence[Sequence[str]], right: str = "", indent: int = 2) -> str:
    """Align columns; the last one is wrapped to what is left of the width.

    Args:
        rows: Cells, the header first.
        right: For each column `r` for right-aligned, anything else for left.
        indent: Spaces before each line.
    """
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    before = indent + sum(widths[:-1]) + 2 * (len(widths) - 1)
    last = max(16, columns() - before)
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if right[column : column + 1] == "r" else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row[:-1], widths[:-1], strict=True))
        ]
        wrapped = textwrap.wrap(row[-1], last, break_on_hyphens=False) or [""]
        if right[len(row) - 1 : len(row)] == "r":
            wrapped = [wrapped[0].rjust(widths[-1])]
        lines.append((" " * indent + "  ".join([*cells, wrapped[0]])).rstrip())
        lines += [" " * before + more for more in wrapped[1:]]
    return "\n".join(lines)


def _head(site: Site) -> str:
    params = site.params
    mark = "SIMULATED: everything recorded carries this mark. " if params.simulated else ""
    return "\n".join(
        (
            f"{site.path.as_posix()}: this site is good.",
            f"  {site.title} ({params.site_id})",
            f"  settings id {site.settings_id}",
            fill(
                f"{mark}{len(site.devices)} devices, {len(params.signals)} signals, {len(params.outputs)} outputs. "
                f"A scan every {params.scan_period_s * 1000:g} ms; a parcel is {_parcel(site)}."
            ),
        )
    )


def _parcel(site: Site) -> str:
    return "a batch" if site.params.batch else f"{site.params.parcel_kg:g} kg of mix"


def _streams(site: Site, words: Explanation) -> str:
    params = site.params
    tail = (
        f"Rubber leaving the auger is {params.line.travel_s:g} s in the line, after {params.feed.auger_lag_s:g} s of "
        f"the auger's own. From the injection point to the drum's outlet the mix takes "
        f"{params.drum.outlet_residence_s:g} s. The line's travel and the way to the outlet are geometry until they "
        f"are identified."
    )
    return "\n".join([*(_stream(stream) for stream in words.streams), fill(tail)])


def _in_hand(in_hand_s: float) -> str:
    if in_hand_s >= 0.0:
        return f"The setpoint waits {in_hand_s:.1f} s of these."
    late = f"{-in_hand_s:.1f} s"
    return f"That is {late} less than the rubber takes: its rate is taken to go on, and a step is met so much late."


def _stream(stream: StreamWords) -> str:
    lines = [f"  {stream.stream_id} ({stream.kind}): {stream.signal}, from {stream.register} in {stream.unit}"]
    lines.append(fill("corrected: " + ("; ".join(stream.corrections) or "nothing"), 6))
    if stream.left_alone:
        lines.append(fill("not corrected: " + "; ".join(stream.left_alone), 6))
    lines.append(fill(f"below {stream.low_flow:g} {stream.unit} it counts as empty", 6))
    if stream.belt_length_m > 0.0:
        travel = (
            f"travel: belts {stream.belt_length_m:g} m at {stream.belt_speed_m_s:g} m/s = {stream.belt_s:.1f} s, "
            f"less {stream.scale_filter_s:g} s for the scale's averaging, then {stream.drum_s:g} s (spread "
            f"{stream.drum_spread_s:.1f} s) in the drum: {stream.to_injection_s:.1f} s to the injection point. "
            f"{_in_hand(stream.in_hand_s)}"
        )
        lines.append(fill(travel, 6))
    elif stream.drum_s > 0.0:
        lines.append(fill(f"travel: {stream.drum_s:g} s in the drum to the injection point", 6))
    if stream.measured:
        lines.append(fill("measured: " + ", ".join(stream.measured), 6))
    lines.append(fill("geometry: " + ", ".join(stream.geometry), 6))
    return "\n".join(lines)


def _signals(words: Explanation) -> str:
    rows = [["signal", "unit", "corrected", "used for"]]
    rows += [[one.signal_id, one.unit, one.brief, ", ".join(one.used_for)] for one in words.signals]
    return table(rows)


def _doses(site: Site, words: Explanation) -> str:
    blocks = []
    for mix in site.params.mixes:
        rows = [row for row in words.doses if row.mix_id == mix.mix_id]
        blocks.append(_mix(mix.title, mix.mix_id, f"{mix.dose_basis.value} {mix.dose * 100:g} %", rows))
    note = (
        "Rates are of mix without rubber, from the streams' normal_flow; virgin binder is what the job mix formula "
        "asks for. lb/short_ton and kg/t are of mix with rubber. Auger speed is by the feed factor of the site file."
    )
    return "\n".join([*blocks, fill(note)])


def _mix(title: str, mix_id: str, dose: str, rows: Sequence[DoseWords]) -> str:
    if all(row.rubber_kg_min == 0.0 for row in rows):
        return f"  {mix_id}: {title}. No rubber."
    first = rows[0]
    columns: list[list[str]] = [["plant rate", *(row.rate for row in rows)]]
    columns.append(["mix, short_ton/h", *(f"{row.mix_short_ton_h:.1f}" for row in rows)])
    columns.append(["mix, tonne/h", *(f"{row.mix_tonne_h:.1f}" for row in rows)])
    columns.append(["rubber, lb/min", *(f"{row.rubber_lb_min:.2f}" for row in rows)])
    columns.append(["rubber, kg/min", *(f"{row.rubber_kg_min:.2f}" for row in rows)])
    columns.append(["auger, rpm", *(f"{row.auger_rpm:.2f}" for row in rows)])
    replaced = first.binder_replacement
    same = [f"{_number(first.lb_per_short_ton, 3)} lb/short_ton", f"{_number(first.kg_per_tonne, 3)} kg/t"]
    same += [f"{_percent(first.bases[basis])} {name}" for basis, name in _BASES]
    lines = [f"  {mix_id}: {title} ({dose})", table(columns, "lrrr", 6), fill("at every rate: " + ", ".join(same), 6)]
    if replaced is not None and replaced > 0.0:
        lines.append(fill(f"recycle brings {replaced * 100:.1f} % of the binder (RBR)", 6))
    lines += [fill(f"at the {row.rate} rate: {row.note}", 6) for row in rows if row.note]
    return "\n".join(lines)


def _conveying(words: Explanation) -> str:
    rows = [["rubber, kg/h", "air, m/s", "saltation (Rizk, +-50 %), m/s", "ratio", "loading", "outcome"]]
    for one in words.conveying:
        speeds = [f"{one.velocity_m_s:.1f}", f"{one.saltation_m_s:.1f}", f"{one.margin:.2f}"]
        rows.append([f"{one.rubber_kg_s * 3600.0:.0f}", *speeds, f"{one.loading:.2f}", one.outcome.value])
    density = words.conveying[0].density_kg_m3
    note = (
        f"At the auger's lowest speed and at the feeder's hard limit. Air of {density:.3f} kg/m3 where the rubber "
        "enters, at the fixed limit of pressure: there it is slowest. Such correlations are wrong by half, both ways, "
        "and this one was never fitted on rubber: from 1.5 on, and with no more than 10 kg of rubber in a kg of air, "
        "the line is clearly above saltation; else it is not proven. A restart with rubber lying in the line needs "
        "more. It stops nothing and releases nothing while the plant runs."
    )
    return "\n".join((table(rows, "rrrrr"), fill(note)))


def _number(value: float | None, digits: int) -> str:
    return "---" if value is None else f"{value:.{digits}f}"


def _percent(fraction: float | None) -> str:
    return "---" if fraction is None else f"{fraction * 100:.4f}"


def _plan(site: Site, words: Explanation) -> str:
    rows = [["device", "unit", "FC", "offset", "count", "every", "what"]]
    for row in words.plan:
        what = ", ".join([*row.signal_ids, *(f"{role} (read back)" for role in row.roles)])
        where = ["-", "Read", "-"] if row.of_nodes else [str(row.unit_id), f"{row.function_code:02d}", str(row.address)]
        cells = [row.device_id, *where, str(row.count)]
        rows.append([*cells, f"{row.period_s:g} s", what])
    loads = [["endpoint", "reads/s", "load"]]
    loads += [[load.endpoint, f"{load.requests_per_s:.1f}", f"{load.share:.1%}"] for load in site.loads]
    note = "Offsets are PDU offsets, counted from 0, as they go over the wire. At most 70 % load is allowed."
    return "\n".join((table(rows, "lrrrrr"), fill(note), table(loads, "lrr")))


def addresses_text(addresses: Sequence[WireRow]) -> str:
    """Write the table of wire addresses: what a person compares with the maker's manual (REQ-14)."""
    nodes = [row for row in addresses if row.node]
    rows = [["value", "device", "unit", "FC", "offset", "hex", "count", "type", "order", "read with"]]
    for row in addresses:
        if row.node:
            continue
        first, last = row.with_addresses
        alone = (first, last) == (row.address, row.address + row.count - 1)
        cells = [row.name, row.device_id, str(row.unit_id), f"{row.function_code:02d}", str(row.address)]
        cells += [f"{row.address:04X}", str(row.count), row.word_type, row.order or "-"]
        rows.append([*cells, "" if alone else f"{first} to {last}"])
    parts = [table(rows, "llrrrrr")] if len(rows) > 1 or not nodes else []
    if nodes:
        described = [["value", "device", "type", "OPC UA node"]]
        spaces: dict[str, str] = {}
        for row in nodes:
            space, _, identifier = row.node.removeprefix("nsu=").rpartition(";")
            spaces[row.device_id] = space
            described.append([row.name, row.device_id, node_type(row.word_type), identifier])
        parts.append(table(described, "lll"))
        parts.append(table([["device", "namespace of its nodes"], *map(list, spaces.items())], "l"))
    return "\n\n".join(parts)


def node_type(word_type: str) -> str:
    """Name the built-in type of OPC UA that a node's words are of."""
    return TYPE_NAMES[WordType(word_type)]


def _writes(words: Explanation) -> str:
    if not words.writes:
        return "  none: this site can only watch."
    rows = [["output", "register", "unit", "FC", "offset", "limits", "rules"]]
    for write in words.writes:
        contact = write.unit == "contact"
        limits = "0 or 1" if contact else f"{write.low:g} to {write.high:g} {write.unit}"
        rules = [f"read back within {write.confirm_within_s:g} s"]
        if write.min_interval_s:
            rules.append(f"at most every {write.min_interval_s:g} s")
        if write.deadband_counts:
            rules.append(f"not for {write.deadband_counts} counts or less")
        where = [str(write.unit_id), f"{write.function_code:02d}", str(write.address)]
        cells = [write.role, write.register, *(["-", "Write", "-"] if write.node else where)]
        rows.append([*cells, limits, ", ".join(rules)])
    return table(rows, "llrrr")


def _control(site: Site) -> str:
    params = site.params
    if not params.control_allowed:
        return fill(
            "control.allowed is false: MONITOR ONLY. crumbmeter reads, computes, checks and records, and nothing "
            "whatever is written to any register, not even the heartbeat. Control cannot be enabled at run time."
        )
    doubt = "nothing is dosed or released" if params.batch else "the last setpoint is held"
    mode = "by auger speed" if params.feed.mode.value == "speed" else "by rate, through the feeder's own controller"
    return fill(
        f"control.allowed is true. The daemon still starts in MONITOR ONLY: it reads, computes, checks and records, "
        f"and writes nothing whatever. {_known_weight(site)}Once an integrator has enabled control for exactly this "
        f"settings id, it meters "
        f"{mode} and writes the registers above. A changed file has another id and needs enabling again. On input "
        f"doubt {doubt} for {params.feed.input_hold_s:g} s, then the feed stops; on machine doubt it "
        f"stops at once. This is not a safety function."
    )


def _known_weight(site: Site) -> str:
    params = site.params
    if not params.weight_reading:
        return ""
    name = params.signals[params.weighing.hopper_mass].signal_id
    return (
        f"{name} must first agree with a known weight within {100.0 * params.known_weight_band:g} % "
        f'(`crumbmeter do confirm-weight {name} KG --reason "20 kg test weight"`); whatever changes how it is read '
        f"asks for that again. "
    )


def _places(site: Site) -> str:
    mqtt, metrics, journal = site.publish.mqtt, site.publish.metrics, site.journal
    where = "nowhere"
    if mqtt is not None:
        kind = "embedded broker" if mqtt.embedded else "broker"
        where = f"{kind} {mqtt.host}:{mqtt.port}, topics {mqtt.topic_root}/..."
    kept = f"records {journal.record_days:g} days, raw images {journal.image_days:g} days"
    if journal.backup_folder is not None:
        kept += f", backup watched in {journal.backup_folder.as_posix()}"
    return table(
        [
            ["journal", f"{journal.folder.as_posix()}, {kept}, at most {journal.max_bytes / 1e6:g} MB"],
            ["socket", site.socket.as_posix()],
            ["MQTT", where],
            ["metrics", f"http://{metrics.address}:{metrics.port}/metrics" if metrics else "nowhere"],
            ["for the plant's controller", _offered(site)],
            ["clock", f"{site.clock_rate:g} x real time"],
            ["shown in", "short ton, lb/min, psi, degF" if site.units == "us" else "tonne, kg/min, kPa, degC"],
        ]
    )


def _offered(site: Site) -> str:
    """Say where the plant's controller reads the state, who is let in, and what it may ask for."""
    keys = site.publish.modbus
    if keys is None:
        return "nothing"
    who = ", ".join(keys.clients) or "whoever reaches it"
    asks = ", ".join(keys.allow) or "nothing"
    return f"Modbus TCP {keys.address}:{keys.port}, unit {keys.unit_id}, for {who}; may ask for: {asks}"
