"""The output image: what the core wants written. A value; only the writer touches the field, after the step (R3)."""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class OutputRole(StrEnum):
    """Every thing crumbmeter may ever write. The site file gives a register to those it allows; no other is written."""

    AUGER_SPEED = "auger_speed"
    """[rev/s] Speed mode: setpoint of the metering auger."""
    FEED_RATE = "feed_rate"
    """[kg/s] Rate mode: setpoint of the feeder's own controller."""
    FEED_RUN = "feed_run"
    """[contact] Auger may turn."""
    BLOWER_RUN = "blower_run"
    AIRLOCK_RUN = "airlock_run"
    START_WARNING = "start_warning"
    """[contact] Horn or beacon before machinery starts."""
    HEARTBEAT = "heartbeat"
    """[count] Advances on healthy scans only."""
    PLANT_HEALTHY = "plant_healthy"
    """[contact] Fail-safe stop request to the plant: energised means no request."""
    RELEASE = "release"
    """[contact] Batch plant: opens the valve under the transfer vessel. Only ever closed inside the dry-mix window."""
    CHARGE_READY = "charge_ready"
    """[contact] Batch plant: the charge for the next batch lies in the vessel, weighed."""
    CHARGE_DELIVERED = "charge_delivered"
    """[contact] Batch plant: the batch has its rubber; the plant may go on to wet mix."""
    REFILL = "refill"
    """[contact] Batch plant: the feeder may fill its weigh hopper now."""
    OWNER = "owner"
    """[count] Who writes: the number of this run. Another one's number there means: hands off (REQ-54)."""


TURNS_THE_AUGER = (OutputRole.AUGER_SPEED, OutputRole.FEED_RATE, OutputRole.FEED_RUN)
MOVES_RUBBER = (*TURNS_THE_AUGER, OutputRole.RELEASE)


@dataclass(frozen=True, slots=True)
class OutputImage:
    """Engineering values in SI for every output role, and whether they may be written at all."""

    write_enabled: bool
    """False in monitor only: then nothing whatever is written."""
    stop_now: bool
    """True for a stop or trip: past every slew limit, ahead of anything queued."""
    values: tuple[tuple[OutputRole, float], ...]
    paused: bool = False
    """What has no value is left as it is for now: the feeder is not heard. Else it is not ours to write."""

    def value(self, role: OutputRole) -> float | None:
        """Return the value wanted for a role, or None where the core has none for it."""
        for name, value in self.values:
            if name is role:
                return value
        return None


MONITOR_ONLY = OutputImage(write_enabled=False, stop_now=False, values=())
