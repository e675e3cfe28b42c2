"""One variable of the OPC UA server: what a bank's register shows, with its type and its status."""

import struct
from typing import Any

from asyncua import ua
from asyncua.ua.status_codes import StatusCodes

from crumbmeter_sim.bank import Bank
from crumbmeter_sim.codec import Register, pack, unpack
from crumbmeter_sim.device.unruly import UnrulyBank
from crumbmeter_sim.pdu import BankError

AnyBank = Bank | UnrulyBank

TYPES = {
    "bit": ua.VariantType.Boolean,
    "i16": ua.VariantType.Int16,
    "u16": ua.VariantType.UInt16,
    "i32": ua.VariantType.Int32,
    "u32": ua.VariantType.UInt32,
    "i64": ua.VariantType.Int64,
    "u64": ua.VariantType.UInt64,
    "f32": ua.VariantType.Float,
    "f64": ua.VariantType.Double,
}
STATES = {
    "": StatusCodes.Good,
    "sensor failure": StatusCodes.BadSensorFailure,
    "out of service": StatusCodes.BadOutOfService,
    "range exceeded": StatusCodes.UncertainEngineeringUnitsExceeded,
}
"""Status by what the instrument says of itself (OPC 10000-8, annex A; OPC 10000-4, 7.39)."""
_REFUSED = {
    1: StatusCodes.BadNotSupported,
    2: StatusCodes.BadNodeIdUnknown,
    3: StatusCodes.BadOutOfRange,
    6: StatusCodes.BadResourceUnavailable,
    0x0A: StatusCodes.BadNoCommunication,
    0x0B: StatusCodes.BadNoCommunication,
}
"""Status by the exception with which a bank refuses; all others are a failure of the device."""

Look = tuple[tuple[int, ...], int]
"""Words and status code."""


class Variable:
    """A register of a bank as a variable."""

    def __init__(self, bank: AnyBank, register: Register) -> None:
        self.register = register
        self.type = TYPES[register.kind]
        self._bank = bank
        self._told: Look | None = None

    def changed(self) -> bool:
        """Look at the register; tell whether it shows something else than at the last look."""
        look = self._look()
        if look == self._told:
            return False
        self._told = look
        return True

    def forget(self) -> None:
        """Take it that the server no longer holds what was seen last."""
        self._told = None

    def value(self, stamp: ua.DateTime) -> ua.DataValue:
        """Return what was seen last, stamped as its source would."""
        words, code = self._told or self._look()
        status = ua.StatusCode(ua.UInt32(code))
        if not words or status.is_bad():
            return ua.DataValue(ua.Variant(None, ua.VariantType.Null), status, stamp)
        return ua.DataValue(ua.Variant(number_of(self.register, words), self.type), status, stamp)

    def take(self, value: ua.DataValue) -> int:
        """Write what a client wrote; return the status code of it. The server has seen to type and access before."""
        status = value.StatusCode
        if value.Value is None or value.Value.is_array or (status is not None and not status.is_good()):
            return int(StatusCodes.BadTypeMismatch)
        if value.Value.VariantType != self.type or value.Value.Value is None:
            return int(StatusCodes.BadTypeMismatch)
        try:
            self._bank.write(self.register.table, self.register.address, words_of(self.register, value.Value.Value))
        except BankError as error:
            return _REFUSED.get(error.code, int(StatusCodes.BadDeviceFailure))
        return int(StatusCodes.Good)

    def _look(self) -> Look:
        register = self.register
        try:
            words = self._bank.read(register.table, register.address, register.count)
        except BankError as error:
            return (), _REFUSED.get(error.code, int(StatusCodes.BadDeviceFailure))
        return words, STATES[self._bank.state(register.name)]


def number_of(register: Register, words: tuple[int, ...]) -> Any:
    """Return the raw number in words, as its built-in type has it."""
    if register.kind == "bit":
        return bool(words[0])
    if register.kind in ("f32", "f64"):
        return unpack(register.kind, "ABCD", words)
    return int.from_bytes(struct.pack(f">{len(words)}H", *words), "big", signed=register.kind[0] == "i")


def words_of(register: Register, raw: Any) -> tuple[int, ...]:
    """Lay a raw number out as words: the inverse of `number_of`."""
    return (int(raw),) if register.kind == "bit" else pack(register.kind, "ABCD", raw)
