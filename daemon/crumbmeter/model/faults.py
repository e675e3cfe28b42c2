"""Exceptions, classified by what the caller can do (R18). Expected outcomes are values, not exceptions."""


class CrumbmeterError(Exception):
    """Root of all errors that crumbmeter raises on purpose."""

    link_sound: bool = False
    """Of a failed exchange: the connection has been cleared of whatever may still come, and may be used on."""
    withheld: bool = False
    """Of a failed exchange: nothing was sent."""


class RetryLaterError(CrumbmeterError):
    """The device is busy or slow; the same request may succeed later on the same connection."""


class ReconnectError(CrumbmeterError):
    """The connection cannot be trusted any more: discard the client object and build a new one (REQ-2, REQ-12)."""


class BadReplyError(ReconnectError):
    """A reply came that does not answer the request. Nothing from it may be used."""

    def __init__(self, what: str, *, endpoint: str, unit: int, address: int, evidence: str, kind: str = "") -> None:
        super().__init__(f"{endpoint} unit {unit} address {address}: {what} ({evidence})")
        self.kind = kind
        self.endpoint = endpoint
        self.unit = unit
        self.address = address
        self.evidence = evidence


class DeviceExceptionError(CrumbmeterError):
    """The device gave a valid reply that says no: a Modbus exception code, or an OPC UA status."""

    def __init__(self, code: int, *, endpoint: str, unit: int, address: int) -> None:
        super().__init__(f"{endpoint} unit {unit} address {address}: Modbus exception {code:02d}")
        self.code = code


class StatusRefusedError(DeviceExceptionError):
    """An OPC UA server answered that it does not do exactly this: its status code is `code`, its name `status`."""

    def __init__(self, code: int, status: str, *, endpoint: str, node: str) -> None:
        super().__init__(code, endpoint=endpoint, unit=0, address=0)
        self.status = status
        self.args = (f"{endpoint} {node}: {status} (0x{code:08X})",)


class BugError(CrumbmeterError):
    """An invariant of the program itself is broken. Outputs go safe and the process exits."""
