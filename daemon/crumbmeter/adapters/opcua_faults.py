"""Why an exchange with an OPC UA server failed, in words that a person can act on."""

from asyncua import ua
from asyncua.ua.uaerrors import UaStatusCodeError

from crumbmeter.field.spec import DeviceSpec


def cause_of(error: Exception, device: DeviceSpec, skew_s: float | None) -> str:
    """Name the real cause of a fault.

    Args:
        error: What the library raised.
        device: Whose connection it was.
        skew_s: [s] How far the server's clock is known to be ahead.
    """
    del device, skew_s
    if isinstance(error, UaStatusCodeError):
        status = ua.StatusCode(ua.UInt32(error.code))
        return f"{status.name}: {status.doc}"
    return str(error) or type(error).__name__
