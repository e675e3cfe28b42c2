"""Pages drawn from the tables that the core runs by: the run sequence and the alarms. What they say is what it does."""

import json

from crumbmeter.alarms import catalogue, flood, life
from crumbmeter.control.batch_cycle import TRANSITIONS as CYCLE
from crumbmeter.control.batch_cycle import Cue
from crumbmeter.control.batch_state import Phase
from crumbmeter.control.line_table import (
    ALARM_OF,
    ROWS,
    Diagnosis,
    Row,
)
from crumbmeter.control.params import SequenceParams
from crumbmeter.control.sequence import TRANSITIONS, RunState, SequenceState, Trigger, drives
from crumbmeter.site.reference import MADE

_PURPOSE: dict[RunState, str] = {
    RunState.MONITOR: "Only watches; nothing is written. The state after a start, and whenever control is not enabled.",
    RunState.IDLE: "Control is enabled; everything stands. Waits for somebody to start the feed, and for material.",
    RunState.LOCAL: "The selector at the feeder stands on local: the machine is in other hands.",
    RunState.START_WARNING: "Horn or beacon, before machinery starts without anybody beside it.",
    RunState.BLOWER_START: "Air first: waits for the blower to be proven.",
    RunState.PURGE: "Air alone through the line; the airlock starts.",
    RunState.READY: "The line is up and the auger stands: the feed begins when the drum turns and all inputs are good.",
    RunState.FEEDING: "The auger follows the setpoint.",
    RunState.CLEAN_OUT: "The auger stands, air blows the line clean, then all is switched off.",
    RunState.STOPPED: "Stopped by itself. Stays so until somebody starts the feed anew, with the cause gone.",
}
_EVENTS: dict[life.Change, str] = {
    life.Change.RAISED: "the condition has held for the on-delay",
    life.Change.CLEARED: "it has been gone, by a good value, for the off-delay",
    life.Change.ACKNOWLEDGE: "somebody acknowledges it",
    life.Change.RESET: "somebody resets it",
    life.Change.SHELVE: "somebody shelves it for a time, and says why",
    life.Change.UNSHELVE: "the time is over, or somebody takes it back",
    life.Change.SUPPRESS: "it means nothing in the plant's state",
    life.Change.UNSUPPRESS: "it means something again",
    life.Change.REMOVE: "somebody takes it out of service, and says why",
    life.Change.RETURN: "somebody returns it to service",
}
_ANY_TIMES = SequenceParams(0.0, 0.0, 0.0, 1.0, 0.0, 0.0, None, None, 0.0)


def run_sequence_page() -> str:
    """Draw docs/run-sequence.md from the table of transitions."""
    lines = [
        "# Run sequence",
        "",
        MADE.format(what="run-sequence"),
        "",
        "This is no safety function: emergency stops and guards are hard-wired, and a software stop is not lock-out.",
        "",
        "## States",
        "",
        "| state | what it is for | blower | airlock | warning | auger |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for state in RunState:
        run = drives(SequenceState(state), _ANY_TIMES)
        turns = " | ".join("on" if on else "" for on in (run.blower, run.airlock, run.warning, run.auger))
        lines.append(f"| {state.value} | {_PURPOSE[state]} | {turns} |")
    lines += [
        "",
        "In *stopped*, blower and airlock go on for the time of the clean-out where the cause lets air through the",
        "line. A machine in doubt (an emergency stop, a fault of the feeder) ends the service in every state: when it",
        "is over, only a new start begins anything.",
        "",
        "## Transitions",
        "",
        "Of all triggers that hold in a scan, the first one in this order that the present state knows moves it.",
        "A pair that is not in the table moves nothing.",
        "",
        "| trigger, most urgent first | from | to |",
        "| --- | --- | --- |",
    ]
    for trigger in Trigger:
        reached: dict[RunState, list[str]] = {}
        for (start, moves), end in TRANSITIONS.items():
            if moves is trigger:
                reached.setdefault(end, []).append(start.value)
        for end, starts in reached.items():
            came_from = "any other" if len(starts) == len(RunState) - 1 else ", ".join(starts)
            lines.append(f"| {trigger.value} | {came_from} | {end.value} |")
    lines += ["", *batch_cycle_lines()]
    return "\n".join(lines) + "\n"


def batch_cycle_lines() -> list[str]:
    """Draw the cycle of a charge at a batch plant from its own table."""
    lines = [
        "## Cycle of a charge",
        "",
        "At a [batch plant](batch.md), inside the state *feeding*. Read as above: the first cue that holds moves it.",
        "While the feed does not run, it is at rest, whatever else holds.",
        "",
        "| cue, most urgent first | from | to |",
        "| --- | --- | --- |",
    ]
    for cue in Cue:
        ends: dict[Phase, list[str]] = {}
        for (begin, moved_by), to in CYCLE.items():
            if moved_by is cue:
                ends.setdefault(to, []).append(begin.value)
        for to, begins in ends.items():
            came_from = "any other" if len(begins) == len(Phase) - 1 else ", ".join(begins)
            lines.append(f"| {cue.value} | {came_from} | {to.value} |")
    return lines


def alarm_catalogue() -> str:
    """Write config/alarm-catalogue.json, for programs: every alarm, what follows, what to do and how long there is."""
    rows = [
        {
            "alarm_id": spec.alarm_id,
            "priority": spec.priority.name.lower(),
            "cause": spec.text,
            "consequence": spec.consequence,
            "remedy": spec.remedy,
            "time_to_act_s": spec.time_s,
            "on_delay_s": spec.on_delay_s,
            "off_delay_s": spec.off_delay_s,
            "first_out_group": spec.group,
            "latches": spec.latches,
            "suppressed_while_drum_stands": spec.with_mix,
        }
        for spec in catalogue.CATALOGUE
    ]
    return json.dumps(rows, indent=1) + "\n"


def alarms_page() -> str:
    """Draw docs/alarms.md from the catalogue and the table of states."""
    lines = [
        "# Alarms",
        "",
        MADE.format(what="alarms"),
        "",
        "What needs nobody's hand is no alarm but an [event](events.md). Delays are those of the catalogue; a site may",
        "set its own ([site file](site-file.md)).",
        "",
        "Time is how long there is to act before what follows has followed: an estimate of ours for a plant of common",
        "size. Of alarms that follow from each other (`feed` in the last column) the first is marked. One that latches",
        "stays until somebody has reset it; one that goes with mix is suppressed while the drum stands.",
        "",
        "| alarm | priority | what is wrong | what follows | what to do | time | on-delay s | off-delay s | |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| `{spec.alarm_id}` | {spec.priority.name.lower()} | {spec.text}. | {spec.consequence} | {spec.remedy} "
        f"| {_time(spec.time_s)} | {spec.on_delay_s:g} | {spec.off_delay_s:g} | {_marks(spec)} |"
        for spec in catalogue.CATALOGUE
    ]
    return "\n".join([*lines, *_life()]) + "\n"


def _life() -> list[str]:
    """Draw the table of states, and what happens with many alarms at once."""
    lines = [
        "",
        "## Life of an alarm",
        "",
        "After ISA-18.2 / IEC 62682, as one table of nine states. An input that is Bad leaves an alarm as it is: it",
        "clears on a good value only.",
        "A delay starts anew whenever the condition turns back. An alarm that is raised twice within a minute stays",
        "until its condition has been gone for a minute: it calls no oftener, whatever a reading does.",
        "",
        "| state | when | next state |",
        "| --- | --- | --- |",
    ]
    lines += [
        f"| {state.value} | {_EVENTS[change]} | {end.value} |" for (state, change), end in life.TRANSITIONS.items()
    ]
    lines += [
        f"| {state.value}, one that latches | {_EVENTS[change]} | {end.value} |"
        for (state, change), end in life.LATCHING.items()
    ]
    lines += [
        "",
        "Coming back from a shelf, from suppression or from out of service an alarm begins at normal and is raised",
        "anew where its condition holds: never silently back to acknowledged. What people do with an alarm is in the",
        "record with who and why, and holds through a restart.",
        "",
        "## Too many at once",
        "",
        f"More than {flood.BEGINS_ABOVE} new alarms in ten minutes are a flood; it ends when such a window holds fewer",
        f"than {flood.ENDS_BELOW}. `crumbmeter alarms JOURNAL` tells how many there were, by hour and by alarm, which",
        "chatter, and which are stale.",
    ]
    return lines


def _time(time_s: float) -> str:
    for name, length_s in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if time_s >= length_s:
            return f"{time_s / length_s:.3g} {name}"
    return f"{time_s:g} s"


def _marks(spec: catalogue.AlarmSpec) -> str:
    marks = (spec.group, "latches" if spec.latches else "", "with mix" if spec.with_mix else "")
    return ", ".join(mark for mark in marks if mark)


def line_diagnosis_page() -> str:
    """Draw docs/line-diagnosis.md from the table by which the line is watched."""
    lines = [
        "# What is wrong with line or feed",
        "",
        MADE.format(what="line-diagnosis"),
        "",
        "Pressure, auger, weight and flow switch together, once a second. The first row that fits counts, and an empty",
        "cell fits anything. How the pressure is judged is in [conveying.md](conveying.md). Only a hose off stops the",
        "feed by this table; the fixed limits of pressure stop it whatever the table says.",
        "",
        "| auger | weight | line pressure | weigh hopper | blower | flow switch | for s | then | alarm |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    lines += ["| " + " | ".join(_cells(row)) + " |" for row in ROWS]
    lines += [
        "",
        f"`{Diagnosis.NONE.value}` is said of a line at rest.",
    ]
    return "\n".join(lines) + "\n"


def _cells(row: Row) -> tuple[str, ...]:
    def either(value: bool | None, yes: str, no: str) -> str:
        return "" if value is None else yes if value else no

    seen = {True: "sees rubber", False: "sees none", None: "none fitted"}
    alarm = ALARM_OF.get(row.diagnosis)
    return (
        either(row.auger, "turns", "stands"),
        ", or ".join(row.weight),
        ", or ".join(row.pressure),
        either(row.hopper_low, "low", "not low"),
        either(row.air, "proven", "not proven"),
        ", or ".join(seen[value] for value in row.flow_switch),
        f"{row.after_s:g}",
        row.diagnosis.value,
        f"`{alarm}`" if alarm else "",
    )
