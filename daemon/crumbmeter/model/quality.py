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
