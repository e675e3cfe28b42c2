"""Every alarm in one table: the source of its evaluation, of docs/alarms.md and of the labels of the metrics (R17).

What has no consequence and needs nobody's hand is an event, not an alarm.
"""

from enum import IntEnum

from crumbmeter.model.frozen import dataclass


class Priority(IntEnum):
    """How soon somebody must act."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3


@dataclass(frozen=True, slots=True)
class AlarmSpec:
    """One alarm."""

    alarm_id: str
    priority: Priority
    text: str
    consequence: str
    remedy: str
    """What the operator does about it."""
    on_delay_s: float
    """[s] The condition must hold for so long."""
    off_delay_s: float
    """[s] The condition must be gone for so long. A Bad input never clears it."""
    time_s: float
    """[s] So long there is to act before what follows has followed. Ours, for a plant of common size."""
    group: str = ""
    """Alarms that follow from each other; the first of them is marked."""
    latches: bool = False
    """It stays until a person has reset it, though its condition is gone."""
    with_mix: bool = False
    """It means nothing while the drum stands, and is then suppressed by design."""


_H, _M, _L = Priority.HIGH, Priority.MEDIUM, Priority.LOW

CATALOGUE: tuple[AlarmSpec, ...] = (
    AlarmSpec(
        "feed_stopped", _H, "The rubber feed has stopped by itself",
        "Mix leaves the drum without rubber.",
        "Read the cause, put it right at the machine, then start the feed again.", 0.0, 0.0, 60.0, group="feed",
    ),
    AlarmSpec(
        "input_lost", _H, "A reading that the feed needs is Bad",
        "The last setpoint is held for a short time; then the feed stops.",
        "Look at the named signal: cable, power, instrument.", 0.0, 2.0, 60.0, group="feed",
    ),
    AlarmSpec(
        "dose_out", _H, "Rubber content of the last mix is outside its alarm band",
        "These tons are off specification.",
        "Tell QC; see which trucks carry it; look for the cause below.", 0.0, 0.0, 300.0, with_mix=True,
    ),
    AlarmSpec(
        "dose_warning", _L, "Rubber content of the last mix is outside its warning band",
        "It may leave the alarm band.",
        "Watch the trend; look at hopper and line.", 0.0, 0.0, 600.0, with_mix=True,
    ),
    AlarmSpec(
        "feed_off_setpoint", _M, "The feed does not follow its setpoint",
        "The rubber content will follow it out of band.",
        "Look for bridging in the weigh hopper, a worn auger, a wrong feed factor.", 10.0, 10.0, 120.0,
    ),
    AlarmSpec(
        "no_rubber_flow", _H, "The auger turns but the hopper does not lose weight",
        "Mix leaves the drum without rubber.",
        "Stop and lock out before opening; break the bridge in the weigh hopper.", 5.0, 5.0, 60.0, group="feed",
    ),
    AlarmSpec(
        "total_off", _M, "Rubber fed for this job is off by more than the total's band",
        "The job's rubber will not agree with the job's mix.",
        "Check the calibration; compare with bags used.", 0.0, 60.0, 1800.0,
    ),
    AlarmSpec(
        "rubber_late", _M, "The plant holds a batch in dry mix and waits for rubber",
        "It aborts the batch, or goes on without the rubber, when it has waited long enough.",
        "See what holds the charge back: weigh hopper, supply, run state.", 0.0, 0.0, 30.0,
    ),
    AlarmSpec(
        "charge_doubtful", _H, "Weigh hopper and transfer vessel disagree over the charge",
        "Neither ready nor delivered is said; the plant waits.",
        "Look for a leaking valve, a stuck charge, a changed zero. Stop and start the feed to go by the vessel.",
        2.0, 5.0, 60.0,
    ),
    AlarmSpec(
        "hopper_low", _H, "The weigh hopper runs empty",
        "The auger will soon feed nothing.",
        "See whether rubber comes from the supply hopper; hang a new bag.", 2.0, 5.0, 60.0, group="feed",
    ),
    AlarmSpec(
        "refill_slow", _M, "The weigh hopper does not fill up",
        "It will run empty.",
        "Bag hung up, gate stuck, or supply empty: look at the supply hopper.", 0.0, 5.0, 120.0, group="feed",
    ),
    AlarmSpec(
        "refill_gate_leaks", _M, "Rubber trickles through the shut refill gate",
        "More is fed than the weight shows: uncorrected, the rubber content is too high by what trickles in.",
        "Lock out and clean or mend the gate before the next fill; tell QC when it began.", 0.0, 0.0, 1800.0,
    ),
    AlarmSpec(
        "feed_factor_fell", _L, "A turn of the auger carries markedly less than in the cycles before",
        "Lighter rubber, which is fed rightly, or a leaking refill gate, which overfeeds: the weight cannot tell.",
        "At the next stop see whether the weigh hopper gains; look at the gate and at the bag.", 0.0, 0.0, 3600.0,
    ),
    AlarmSpec(
        "supply_low", _L, "The supply hopper is low",
        "A bag change is due.",
        "Hang the next bag.", 5.0, 5.0, 900.0,
    ),
    AlarmSpec(
        "pressure_high", _H, "Line pressure is high",
        "The conveying line is plugging; the feed stops.",
        "Pressurised line: let it blow down, lock out, then clear it.", 0.0, 5.0, 60.0, group="feed",
    ),
    AlarmSpec(
        "pressure_low", _H, "Line pressure is low while feeding",
        "Rubber may be leaving the line before the drum; the feed stops.",
        "Look for an open or burst hose before anyone starts again.", 0.0, 5.0, 30.0, group="feed",
    ),
    AlarmSpec(
        "line_plugging", _M, "Line pressure is above what was learned at this loading",
        "The conveying line may plug; the feed then stops.",
        "Stop the feed in time and let air clean the line. Never open it under pressure: lock out first.",
        3.0, 10.0, 120.0, group="feed",
    ),
    AlarmSpec(
        "rubber_not_arriving", _H, "Rubber leaves the auger, and the line carries none",
        "Mix leaves the drum without rubber.",
        "Look for a hose off near the drum, an airlock that stands, rubber on the ground.",
        0.0, 5.0, 30.0, group="feed",
    ),
    AlarmSpec(
        "line_air_low", _M, "Pressure of air alone is below what was learned",
        "The air may not carry the rubber.",
        "Look at blower, filter and relief valve, and for an open hose. If the air was changed, learn the line anew.",
        2.0, 5.0, 300.0,
    ),
    AlarmSpec(
        "flow_switch", _M, "The flow switch does not agree with the rest",
        "One of the witnesses that rubber arrives cannot be believed.",
        "Look at the flow switch, and at the line's pressure transmitter.", 5.0, 5.0, 3600.0,
    ),
    AlarmSpec(
        "write_not_confirmed", _H, "The feeder does not hold what was written",
        "The feed may not be what the screen says; the feed stops.",
        "Look for a second master, a selector in local, or a changed limit in the device.",
        0.0, 2.0, 60.0, group="feed",
    ),
    AlarmSpec(
        "recipe_differs", _M, "The plant's recipe number is not the mix chosen here",
        "The dose may be that of another mix.",
        "Choose the mix that the plant makes.", 5.0, 2.0, 60.0,
    ),
    AlarmSpec(
        "scan_late", _M, "The scan is late",
        "The feed stops when it is late for too long.",
        "Look at the load of this computer.", 0.0, 10.0, 600.0, group="feed",
    ),
    AlarmSpec(
        "weight_baseline", _M, "Zero or tare of a scale may have changed",
        "The content shown may be wrong; the feed goes on by what the scale loses.",
        "Look at the scale: zero, tare, net or gross. Then accept the weight.", 0.0, 0.0, 1800.0,
    ),
    AlarmSpec(
        "total_undecided", _L, "A totaliser has a gap that cannot be decided",
        "Its total lacks what was counted in the gap.",
        "Find out what was counted, and settle the total with it.", 0.0, 0.0, 28800.0,
    ),
    AlarmSpec(
        "other_master", _H, "Another master writes to the feeder",
        "crumbmeter only watches; nobody knows which setpoint rules.",
        "Find the other master and switch it off, or take control away from this one.",
        0.0, 5.0, 60.0, group="feed", latches=True,
    ),
    AlarmSpec(
        "writes_spent", _M, "An output has used up its writes for this hour or day",
        "The device keeps an older value; only a stop is still written.",
        "Widen the deadband, or have the register made volatile.", 0.0, 60.0, 1800.0,
    ),
    AlarmSpec(
        "writes_half_worn", _L, "An output has used half of the writes that its memory endures",
        "The device's memory will fail one day.",
        "Have the register made volatile, or plan to replace the device.", 0.0, 60.0, 604800.0,
    ),
    AlarmSpec(
        "writes_worn", _M, "An output has used 80 % of the writes that its memory endures",
        "The device may soon lose its settings.",
        "Replace the device, or have the register made volatile.", 0.0, 60.0, 86400.0,
    ),
)  # fmt: skip

BY_ID: dict[str, AlarmSpec] = {spec.alarm_id: spec for spec in CATALOGUE}
