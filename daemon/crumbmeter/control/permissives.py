"""Conditions of the feed: what is met, what stops it at once, and what only holds it for a bounded time."""

from crumbmeter.control.line_state import Finding
from crumbmeter.control.line_table import Diagnosis
from crumbmeter.control.params import Params
from crumbmeter.control.sequence import RunState
from crumbmeter.control.state import FeedState
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.image import WriteStage, WriteStatus
from crumbmeter.model.outputs import MOVES_RUBBER
from crumbmeter.model.reading import Reading
from crumbmeter.model.view import PermissiveView

PRESSURE_HIGH = "line pressure high"
PRESSURE_LOW = "line pressure low"
NOT_CONFIRMED = "not confirmed by the feeder"
NOTHING_FOUND = Finding()


@dataclass(frozen=True, slots=True)
class Contacts:
    """Contacts as true, false or not known. A contact that the site does not have counts as met."""

    emergency_stop_ok: bool | None
    remote: bool | None
    blower_running: bool | None
    airlock_running: bool | None
    diverter_to_drum: bool | None
    fault_free: bool | None
    drum_turning: bool | None


def truth(readings: tuple[Reading, ...], index: int | None) -> bool | None:
    """Read a contact: None where it is Bad, true where there is none."""
    if index is None:
        return True
    value = readings[index].value
    return None if value is None else value > 0.5


def read_contacts(params: Params, readings: tuple[Reading, ...]) -> Contacts:
    """Read every contact that the sequence watches."""
    named = params.contacts
    fault = False if named.feeder_fault is None else truth(readings, named.feeder_fault)
    return Contacts(
        emergency_stop_ok=truth(readings, named.emergency_stop_ok),
        remote=truth(readings, named.remote),
        blower_running=truth(readings, named.blower_running),
        airlock_running=truth(readings, named.airlock_running),
        diverter_to_drum=truth(readings, named.diverter_to_drum),
        fault_free=None if fault is None else not fault,
        drum_turning=truth(readings, params.drum.turning),
    )


def required_signals(params: Params) -> tuple[int, ...]:
    """List the signals without which the feed cannot go on: Bad in one of them is input doubt."""
    named = params.contacts
    wanted = [stream.rate for stream in params.streams]
    wanted += [stream.belt_speed for stream in params.streams if stream.belt_speed is not None]
    wanted += [stream.belt_running for stream in params.streams if stream.belt_running is not None]
    wanted += [params.drum.turning, params.weighing.hopper_mass]
    optional: tuple[int | None, ...] = (
        params.weighing.auger_speed, named.emergency_stop_ok, named.remote, named.blower_running,
        named.airlock_running, named.diverter_to_drum, named.feeder_fault, named.line_pressure,
    )  # fmt: skip
    if params.batch is not None:
        batch = params.batch
        optional += (batch.wanted, batch.weighed, batch.discharging, batch.aborted, batch.counter, batch.vessel_mass)
    wanted += [index for index in optional if index is not None]
    return tuple(dict.fromkeys(wanted))


def inputs_in_doubt(params: Params, required: tuple[int, ...], readings: tuple[Reading, ...]) -> str:
    """Name the required inputs that are Bad; empty where all can be used."""
    lost = [params.signals[index].signal_id for index in required if readings[index].value is None]
    if not lost:
        return ""
    more = f" and {len(lost) - 3} more" if len(lost) > 3 else ""
    return ", ".join(lost[:3]) + more


def machine_doubt(
    state: RunState,
    contacts: Contacts,
    feed: FeedState,
    params: Params,
    writes: tuple[WriteStatus, ...],
    line: Finding = NOTHING_FOUND,
) -> tuple[str, bool]:
    """Find what stops the feed at once in this run state.

    Of what the watch over the line finds, only a hose off by the learned curve stops by itself; the fixed limits stop
    whatever it finds, after their own delay.

    Returns:
        The doubt in words (empty: none), and whether the line may still be blown clean after it.
    """
    line_open = state in (RunState.PURGE, RunState.READY, RunState.FEEDING)
    armed = state in (RunState.READY, RunState.FEEDING)
    delay_s = params.sequence.pressure_delay_s
    unconfirmed = _unconfirmed(params, writes) if armed else ""
    hose_off = line.diagnosis is Diagnosis.HOSE_OFF and line.expected_pa is not None
    low = feed.pressure_low_s > delay_s or hose_off
    # (holds, in words, line may be blown clean); the first that holds counts.
    doubts = (
        (contacts.emergency_stop_ok is False, "emergency stop", False),
        (contacts.fault_free is False, "feeder reports a fault", True),
        (line_open and contacts.blower_running is False, "blower not running", False),
        (armed and contacts.airlock_running is False, "airlock not running", True),
        (armed and contacts.diverter_to_drum is False, "diverter not on drum", True),
        (armed and feed.pressure_high_s > delay_s, _named(PRESSURE_HIGH, line, Diagnosis.PLUGGED), False),
        (state is RunState.FEEDING and low, _named(PRESSURE_LOW, line, Diagnosis.HOSE_OFF), False),
        (bool(unconfirmed), f"{unconfirmed} {NOT_CONFIRMED}", True),
    )
    return next(((why, air) for holds, why, air in doubts if holds), ("", False))


def _named(doubt: str, line: Finding, diagnosis: Diagnosis) -> str:
    return f"{doubt}: {diagnosis.value}" if line.candidate is diagnosis else doubt


def _unconfirmed(params: Params, writes: tuple[WriteStatus, ...]) -> str:
    for spec, status in zip(params.outputs, writes, strict=False):
        if spec.role in MOVES_RUBBER and status.stage is WriteStage.FAILED:
            return spec.role
    return ""


def doubt_before_start(contacts: Contacts) -> str:
    """Name what forbids a start from idle; empty: nothing."""
    if contacts.emergency_stop_ok is not True:
        return "emergency stop"
    if contacts.fault_free is not True:
        return "feeder reports a fault"
    if contacts.diverter_to_drum is not True:
        return "diverter not on drum"
    return ""


def views(
    contacts: Contacts,
    *,
    control_enabled: bool,
    weight_known: bool,
    in_service: bool,
    in_doubt: str,
    dosed: bool,
    material: bool,
    mixer: str = "drum",
) -> tuple[PermissiveView, ...]:
    """List every condition for people, with what is missing in words."""

    def one(name: str, met: bool | None, missing: str) -> PermissiveView:
        return PermissiveView(name, met, "" if met else ("reading is Bad" if met is None else missing))

    first = "" if weight_known else "the hopper is compared with a known weight, then "
    return (
        one("control enabled", control_enabled, f"monitor only: {first}an integrator enables control"),
        one("in service", in_service, "start the feed"),
        one("feeder in remote", contacts.remote, "set the selector at the feeder to remote"),
        one("emergency stop healthy", contacts.emergency_stop_ok, "an emergency stop is pressed"),
        one("feeder without fault", contacts.fault_free, "see the feeder's own panel"),
        one(f"diverter on {mixer}", contacts.diverter_to_drum, "diverter stands on catch"),
        one(f"{mixer} turning", contacts.drum_turning, "the plant stands"),
        one("blower proven", contacts.blower_running, "not running"),
        one("airlock running", contacts.airlock_running, "not running"),
        one("inputs good", not in_doubt, in_doubt),
        one("mix with rubber", dosed, "the mix chosen takes no rubber"),
        one("material on its way", material, "belts and drum are empty" if mixer == "drum" else "no batch is coming"),
    )
