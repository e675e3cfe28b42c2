"""Quality of a value, after the three levels of OPC UA (Part 8), with a reason a person can act on."""

from enum import IntEnum, StrEnum


class Quality(IntEnum):
    """How far a value may be trusted. The order is meant: the worst of several is `min(...)`."""

    BAD = 0
    UNCERTAIN = 1
    GOOD = 2

    @property
    def word(self) -> str:
        """Return the word of OPC UA: Good, Uncertain or Bad."""
        return self.name.capitalize()


class Reason(StrEnum):
    """Why a value is not Good, or why it is. Names follow the sub-codes of OPC UA where one fits."""

    OK = "ok"
    NOT_YET_READ = "not yet read"
    NO_COMMUNICATION = "no communication"
    BAD_REPLY = "bad reply"
    DEVICE_EXCEPTION = "device exception"
    STALE = "stale"
    FROZEN = "frozen"
    NOT_FINITE = "not finite"
    SENTINEL = "device says no value"
    OUT_OF_RANGE = "out of range"
    NOT_CONFIGURED = "not configured"
    INITIAL_VALUE = "initial value"
    LAST_USABLE_VALUE = "last usable value"
    SENSOR_FAILURE = "sensor failure"
    RATE_OF_CHANGE = "changes faster than it can"
    INVALID_DIGITS = "half-bytes that are no decimal digits"
    SCALE_UNKNOWN = "power of ten not believable"
    ENGINEERING_UNITS_EXCEEDED = "engineering units exceeded"
    OVER_RANGE = "scale over its range"
    UNDER_RANGE = "scale under its range"
    NOT_WEIGHING = "scale is not weighing"
    IN_MOTION = "scale in motion"
    STATUS_UNKNOWN = "status of the scale not known"
    BASELINE_DOUBT = "zero or tare may have changed"
    GATE_LEAKS = "refill gate leaks"
    HOLD_TOO_LONG = "held for too long"
    NO_VALUE = "device sends no value"
    OTHER_TYPE = "another type than described"
    SAYS_BAD = "device says bad"
    SAYS_CONFIGURATION_ERROR = "device says bad: configuration error"
    SAYS_NOT_CONNECTED = "device says bad: not connected"
    SAYS_DEVICE_FAILURE = "device says bad: device failure"
    SAYS_SENSOR_FAILURE = "device says bad: sensor failure"
    SAYS_OUT_OF_SERVICE = "device says bad: out of service"
    SAYS_NO_COMMUNICATION = "device says bad: no communication"
    SAYS_WAITING = "device says bad: waiting for initial data"
    SAYS_NO_SUCH_NODE = "device says bad: no such node"
    SAYS_NOT_READABLE = "device says bad: not readable, or not for this user"
    SAYS_UNCERTAIN = "device says uncertain"
    SAYS_LAST_USABLE = "device says uncertain: last usable value"
    SAYS_SUBSTITUTE = "device says uncertain: substitute value"
    SAYS_INITIAL = "device says uncertain: initial value"
    SAYS_NOT_ACCURATE = "device says uncertain: sensor not accurate"
    SAYS_EXCEEDED = "device says uncertain: engineering units exceeded"
    SAYS_SUB_NORMAL = "device says uncertain: sub-normal"
    LOCAL_OVERRIDE = "local override"


GOOD_REASONS = frozenset({Reason.OK, Reason.LOCAL_OVERRIDE})
"""Beside a value they leave it Good."""
SAID_UNCERTAIN = frozenset(
    {
        Reason.SAYS_UNCERTAIN,
        Reason.SAYS_LAST_USABLE,
        Reason.SAYS_SUBSTITUTE,
        Reason.SAYS_INITIAL,
        Reason.SAYS_NOT_ACCURATE,
        Reason.SAYS_EXCEEDED,
        Reason.SAYS_SUB_NORMAL,
    }
)
"""The device itself is not sure of the value: shown, and for control only where the site says so (REQ-38)."""
