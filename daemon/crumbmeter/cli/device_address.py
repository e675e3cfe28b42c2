"""A device that no site knows yet, as one writes it at the command line: `tcp://host:port`, `rtu:///dev/ttyUSB0?baud=9600`.

`rtu+tcp://host:port` is a serial bus behind a gateway that passes its frames through.
"""

from urllib.parse import parse_qsl, urlsplit

from crumbmeter.field.spec import DeviceSpec, Transport

_TRANSPORTS = {"tcp": Transport.TCP, "rtu": Transport.RTU, "rtu+tcp": Transport.RTU_OVER_TCP}
_PARITIES = ("even", "odd", "none")
_BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
EXAMPLES = "tcp://10.0.0.5:502, rtu:///dev/ttyUSB0?baud=9600&parity=none, rtu+tcp://10.0.0.5:4001"
_SERIAL_KEYS = {"baud", "parity", "stop"}


class AddressError(ValueError):
    """What was typed is no address of a device."""


def device_at(text: str, unit: int, timeout_s: float, gap_s: float) -> DeviceSpec:
    """Make the device of an address, for reads alone.

    Args:
        text: As typed.
        unit: Unit id.
        timeout_s: [s] For one exchange.
        gap_s: [s] Silence between two requests.

    Raises:
        AddressError: it is none.
    """
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as error:
        raise AddressError(f"{text!r}: {error}; expected such as {EXAMPLES}") from error
    transport = _TRANSPORTS.get(parts.scheme)
    if transport is None:
        raise AddressError(f"{text!r} is no address of a device; expected such as {EXAMPLES}")
    keys = dict(parse_qsl(parts.query, keep_blank_values=True))
    unknown = sorted(set(keys) - (_SERIAL_KEYS if transport is Transport.RTU else set()))
    if unknown:
        raise AddressError(f"{text!r}: {unknown[0]!r} is not known here; baud, parity and stop go with rtu:///dev/...")
    if transport is Transport.RTU:
        if parts.netloc or not parts.path.startswith("/dev/"):
            raise AddressError(f"{text!r}: expected three slashes and the port's file, such as rtu:///dev/ttyUSB0")
        return _spec(text, parts.path, 0, transport, unit, timeout_s, gap_s, keys)
    if not parts.hostname or parts.path not in ("", "/"):
        raise AddressError(f"{text!r}: expected a host and a port, such as {parts.scheme}://10.0.0.5:502")
    return _spec(text, parts.hostname, port or 502, transport, unit, timeout_s, gap_s, keys)


def _spec(
    text: str, host: str, port: int, transport: Transport, unit: int, timeout_s: float, gap_s: float,
    keys: dict[str, str],
) -> DeviceSpec:  # fmt: skip
    parity = keys.get("parity", "even")
    baud, stop = keys.get("baud", "19200"), keys.get("stop", "2" if parity == "none" else "1")
    if not baud.isdecimal() or int(baud) not in _BAUDS or parity not in _PARITIES or stop not in ("1", "2"):
        raise AddressError(
            f"{text!r}: expected baud one of {', '.join(map(str, _BAUDS))}, parity even, odd or none, stop 1 or 2"
        )
    if transport.serial_frames and not 1 <= unit <= 247:
        raise AddressError(f"unit id {unit}: expected 1 to 247 on a serial bus (0 is a broadcast)")
    return DeviceSpec(
        device_id="device", host=host, port=port, unit_id=unit, timeout_s=timeout_s, read_retries=0,
        connect_timeout_s=max(2.0, timeout_s), backoff_min_s=0.5, backoff_max_s=5.0, max_words=125, max_bits=2000,
        max_gap=0, request_gap_s=gap_s, transport=transport, baud=int(baud), parity=parity, stop_bits=int(stop),
    )  # fmt: skip
