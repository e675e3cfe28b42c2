"""One full view, and scans made of it: what the tests of all outward surfaces start from."""

from dataclasses import replace
from typing import Any

from crumbmeter.model.events import Event
from crumbmeter.model.image import NOT_WRITTEN, RawImage, WriteStage, WriteStatus
from crumbmeter.model.outputs import OutputImage, OutputRole
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import NOT_CONFIGURED, Reading, bad, good
from crumbmeter.model.scan import ScanResult
from crumbmeter.model.view import AlarmView, DoseView, PermissiveView, ScanView, StreamView, Totals
from crumbmeter.outward.origin import Names, Origin, Stamp

ORIGIN = Origin("demo_drum", "b00t", "5e771d", simulated=True)
STAMP = Stamp(7, 1_764_054_000_123_456, 100.0)
NAMES = Names(
    signal_ids=("belt_rate", "hopper_mass", "blower_running"),
    signal_units=("kg/s", "kg", "contact"),
    output_roles=("auger_speed", "heartbeat"),
)

VIEW = ScanView(
    now_s=100.0,
    run_state="feeding",
    run_reason="all permissives met",
    control_enabled=True,
    in_service=True,
    mix_id="surface_10",
    mix_at_injection="surface_10",
    dose_basis="total_mix",
    dose_target=0.005,
    mix_rate_kg_s=50.0,
    wanted_kg_s=0.2513,
    setpoint_kg_s=0.25,
    fed=good(0.249, 0.2),
    fed_uncertainty_kg_s=0.004,
    feed_factor_kg_rev=0.35,
    auger_speed=good(0.714, 0.1),
    hopper_mass=Reading(412.0, Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE, 1.5),
    supply_mass=NOT_CONFIGURED,
    line_pressure=good(21_000.0, 0.3),
    window_dose=0.00498,
    window_error=-0.004,
    feed_error=-0.004,
    owed_kg=0.12,
    look_ahead_error=0.013,
    totals=Totals(125_000, 125_500, 25_000_000, 25_000_000, 100),
    job=Totals(12_500, 12_550, 2_500_000, 2_500_000, 10),
    narrowed=(("slew", "0.2513 kg/s asked, 0.25 reachable"),),
    permissives=(
        PermissiveView("drum turns", met=True, why="contact closed"),
        PermissiveView("blower proven", met=None, why="blower_running is Bad: stale"),
    ),
    alarms=(AlarmView("HOPPER_LOW", "unacknowledged", 90.0, "Hopper is low", "Hang the next bag"),),
    streams=(StreamView("virgin", good(51.5, 0.1), 50.0, 0.03, 49.5),),
    readings=(good(51.5, 0.1), bad(Reason.STALE, 12.0), good(1.0, 0.2)),
    outputs=OutputImage(write_enabled=True, stop_now=False, values=((OutputRole.AUGER_SPEED, 0.714),)),
    writes=(WriteStatus(WriteStage.CONFIRMED, (714,), (714,), 99.0, 99.4), NOT_WRITTEN),
    proven=DoseView(
        basis="total_mix",
        dose=0.00506,
        expanded=0.0001,
        coverage=2.0,
        mix_kg=18_200.0,
        quality=Quality.GOOD,
        largest="hopper scale",
        assumed=("recycle binder", "travel"),
    ),
)

PARCEL = Parcel(
    number=100,
    began_s=95.0,
    ended_s=100.0,
    mix_id="surface_10",
    dose_basis="total_mix",
    dose_target=0.005,
    target_rubber_g=1_256,
    rubber_g=1_250,
    rubber_uncertainty_g=20,
    dry_aggregate_g=200_000,
    recycle_g=38_000,
    recycle_binder_g=1_900,
    virgin_binder_g=10_500,
    quality=Quality.GOOD,
    worst_state="feeding",
    controlled=True,
    simulated=True,
)


def view(**changes: Any) -> ScanView:
    """Make a view that differs from the sample."""
    return replace(VIEW, **changes)


def scan(number: int = 1, *, began_s: float = 100.0, events: tuple[Event, ...] = (), **changes: Any) -> ScanResult:
    """Make a finished scan with that view."""
    return ScanResult(
        number=number,
        wall_us=1_764_054_000_000_000 + number * 200_000,
        due_s=began_s - 0.001,
        began_s=began_s,
        ended_s=began_s + 0.002,
        skipped=0,
        dt_s=0.2,
        image=RawImage(began_s, ()),
        commands=(),
        events=events,
        parcels=(),
        view=view(now_s=began_s, **changes),
    )
