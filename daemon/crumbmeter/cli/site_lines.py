"""Lines for site file and device profile of a register that was identified: text that the loader takes as it stands."""

import math
import re

from crumbmeter.cli.device_address import device_at
from crumbmeter.field.ranking import Candidate
from crumbmeter.field.spec import Transport

NAME = re.compile(r"[a-z][a-z0-9_]{0,47}")


def profile_text(profile: str, register: str, one: Candidate, unit: str, comment: str) -> str:
    """Write a device profile with one register; addresses are offsets, as on the wire.

    Args:
        profile: Its name, and that of its file.
        register: Name of the register.
        one: What it is.
        unit: Code of the unit that `scale * raw + offset` is in.
        comment: Said above the register; may be several lines.
    """
    lines = [
        f'profile = "{profile}"',
        f'title = "Found by survey and identify: {profile}"',
        'notation = "offset"          # addresses as on the wire, from 0',
        "max_words = 64",
        "max_gap = 0",
        "",
    ]
    return "\n".join(lines) + register_text(register, one, unit, comment)


def register_text(register: str, one: Candidate, unit: str, comment: str) -> str:
    """Write `[registers.NAME]`."""
    where = one.where
    lines = [*(f"# {line}" for line in comment.splitlines()), f"[registers.{register}]"]
    lines += [f'table = "{where.table.value}"', f"address = {where.address}", f'type = "{where.word_type.value}"']
    lines.append(f'order = "{where.order.value}"')
    if one.scale != 1.0:
        lines.append(f"scale = {number(one.scale)}")
    if one.offset != 0.0:
        lines.append(f"offset = {number(one.offset)}")
    lines.append(f'unit = "{unit}"')
    return "\n" + "\n".join(lines) + "\n"


def number(value: float) -> str:
    """Write a number as TOML does a float, without the dust of binary fractions where fewer digits mean the same."""
    for digits in range(1, 18):
        short = float(f"{value:.{digits}g}")
        if math.isclose(short, value, rel_tol=1e-13):
            return repr(short)
    return repr(value)


def site_text(address: str, unit_id: int, device: str, profile: str, signal: str, most: float, least: float) -> str:
    """Write `[devices.X]` and `[signals.NAME]` for the site file.

    Args:
        address: Of the device, as it was surveyed.
        unit_id: Its unit id.
        device: Its name in the site.
        profile: Of its register map.
        signal: Name of signal and register.
        most: [unit] Largest reading seen.
        least: [unit] Smallest reading seen.
    """
    spec = device_at(address, unit_id, 1.0, 0.0)
    lines = [f"[devices.{device}]", f'profile = "{profile}"']
    if spec.transport is Transport.RTU:
        lines += ['transport = "rtu"', f'serial_port = "{spec.host}"', f"baud = {spec.baud}"]
        lines += [f'parity = "{spec.parity}"', f"stop_bits = {spec.stop_bits}"]
    else:
        if spec.transport is not Transport.TCP:
            lines.append(f'transport = "{spec.transport.value}"')
        lines += [f'host = "{spec.host}"', f"port = {spec.port}"]
    lines += [f"unit_id = {unit_id}", "poll_period_s = 0.5", "timeout_s = 0.5", ""]
    span = 10.0 ** math.floor(math.log10(max(abs(most), abs(least), 1e-6)))
    high = max(span, math.ceil(1.5 * most / span) * span)
    low = min(0.0, math.floor(1.5 * least / span) * span)
    lines += [
        f"[signals.{signal}]",
        f'source = "{device}.{signal}"',
        f"low = {number(low)}    # set both to the instrument's range",
        f"high = {number(high)}",
        "max_age_s = 2.0",
    ]
    return "\n".join(lines) + "\n"
