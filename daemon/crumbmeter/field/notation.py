"""How a manual writes an address -> the PDU offset that goes over the wire (REQ-14). Strict: no guess, no heuristic."""

import re

from crumbmeter.field.spec import Table

NOTATIONS = ("offset", "modicon5", "modicon6", "hex")
_DIGITS = {Table.COIL: 0, Table.DISCRETE: 1, Table.INPUT: 3, Table.HOLDING: 4}
_LAST_OFFSET = 0xFFFF


class NotationError(ValueError):
    """An address does not fit its notation or its table. `expected` says what would, for a message of its own."""

    def __init__(self, expected: str, found: int | str) -> None:
        super().__init__(f"{expected}, found {found!r}")
        self.expected = expected


def pdu_offset(notation: str, table: Table, address: int | str) -> int:
    """Turn a written address into a PDU offset, counted from 0.

    Args:
        notation: `offset` (0 to 65535), `modicon5` (40001 is holding offset 0), `modicon6` (400001), `hex` ("0x0010").
        table: The table that the profile names; a Modicon digit must agree with it.
        address: As written. Text is needed for hex, since a bare number does not show its base.

    Raises:
        NotationError: it does not fit.
    """
    if notation == "offset":
        return _within(_number(address), address)
    if notation == "hex":
        return _within(_hex(address), address)
    if notation in ("modicon5", "modicon6"):
        return _modicon(5 if notation == "modicon5" else 6, table, address)
    raise NotationError(f"expected one of the notations {', '.join(NOTATIONS)}", notation)


def _number(address: int | str) -> int:
    if isinstance(address, bool) or not isinstance(address, int):
        raise NotationError("expected a whole number", address)
    return address


def _hex(address: int | str) -> int:
    if not isinstance(address, str) or not re.fullmatch(r"0x[0-9a-fA-F]{1,4}", address):
        raise NotationError('expected text such as "0x0010"', address)
    return int(address, 16)


def _within(offset: int, address: int | str) -> int:
    if not 0 <= offset <= _LAST_OFFSET:
        raise NotationError(f"expected an offset from 0 to {_LAST_OFFSET}", address)
    return offset


def _modicon(digits: int, table: Table, address: int | str) -> int:
    if isinstance(address, str):
        if not re.fullmatch(rf"[0-9]{{{digits}}}", address):
            raise NotationError(f"expected {digits} digits", address)
        address = int(address)
    span = int(10 ** (digits - 1))
    digit, number = divmod(_number(address), span)
    expected = _DIGITS[table]
    last = min(span - 1, _LAST_OFFSET + 1)
    if digit != expected or not 1 <= number <= last:
        low, high = expected * span + 1, expected * span + last
        raise NotationError(f"table {table.value} is written {low:0{digits}d} to {high:0{digits}d} here", address)
    return number - 1


def written(notation: str, table: Table, offset: int) -> str:
    """Say a PDU offset in the notation of its device, for pages and messages."""
    if notation == "hex":
        return f"0x{offset:04X}"
    if notation in ("modicon5", "modicon6"):
        digits = 5 if notation == "modicon5" else 6
        return f"{_DIGITS[table] * 10 ** (digits - 1) + offset + 1:0{digits}d}"
    return str(offset)
