"""A scan view as plain JSON values. Both MQTT's state and the local socket are made here, so they cannot disagree.

Every numeric key ends with its unit. A value that is missing is `null` beside its quality and reason (REQ-5); a number
that is not finite never gets out as a number (REQ-6).
"""

import math
from typing import Any

from crumbmeter.model.image import WriteStatus
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.reading import Reading
from crumbmeter.model.view import (
    AlarmView,
    BatchView,
    DoseView,
    PermissiveView,
    ScanView,
    StreamView,
    SupplyView,
    TotaliserView,
    Totals,
)
from crumbmeter.outward.origin import Names

Json = dict[str, Any]

ROLE_UNITS = {"auger_speed": "rev/s", "feed_rate": "kg/s", "heartbeat": "count", "owner": "count"}
"""Unit of each output's value; the others are contacts."""


def finite(value: float | None) -> float | None:
    """Return the value, or None where it is missing or not a finite number."""
    return value if value is not None and math.isfinite(value) else None


def reading_body(reading: Reading) -> Json:
    """Make the JSON of one reading: value, quality, reason and age never travel apart.

    The value is null exactly when the quality is Bad, even where a reading should break that rule on its way here.
    """
    value = finite(reading.value) if reading.quality is not Quality.BAD else None
    lost = value is None and reading.quality is not Quality.BAD
    return {
        "value": value,
        "quality": Quality.BAD.word if lost else reading.quality.word,
        "reason": Reason.NOT_FINITE.value if lost else reading.reason.value,
        "age_s": finite(reading.age_s),
    }


def summary_body(view: ScanView) -> Json:
    """Make the part of the view that answers how the rubber follows: about once a second over MQTT."""
    return {
        "run_state": str(view.run_state),
        "run_reason": view.run_reason,
        "control_enabled": view.control_enabled,
        "in_service": view.in_service,
        "mix_id": view.mix_id,
        "mix_at_injection": view.mix_at_injection,
        "dose_basis": str(view.dose_basis),
        "dose_target_fraction": finite(view.dose_target),
        "mix_rate_kg_s": finite(view.mix_rate_kg_s),
        "wanted_kg_s": finite(view.wanted_kg_s),
        "setpoint_kg_s": finite(view.setpoint_kg_s),
        "fed_kg_s": reading_body(view.fed),
        "fed_uncertainty_kg_s": finite(view.fed_uncertainty_kg_s),
        "feed_factor_kg_rev": finite(view.feed_factor_kg_rev),
        "learning": view.learning,
        "auger_speed_rev_s": reading_body(view.auger_speed),
        "hopper_mass_kg": reading_body(view.hopper_mass),
        "supply_mass_kg": reading_body(view.supply_mass),
        "line_pressure_pa": reading_body(view.line_pressure),
        "window_dose_fraction": finite(view.window_dose),
        "window_error_fraction": finite(view.window_error),
        "feed_error_fraction": finite(view.feed_error),
        "look_ahead_error_fraction": finite(view.look_ahead_error),
        "dose_uncertainty": None if view.proven is None else _dose(view.proven),
        "owed_kg": finite(view.owed_kg),
        "totals": _totals(view.totals),
        "job": _totals(view.job),
        "supply": _supply(view.supply),
        "order": {
            "kind": view.order.kind,
            "who": view.order.who,
            "age_s": finite(view.now_s - view.order.done_s) if view.order.kind else None,
        },
        "note": {
            "text": view.note.text,
            "who": view.note.who,
            "age_s": finite(view.now_s - view.note.left_s) if view.note.text else None,
        },
        "alarm_flood": view.alarm_flood,
        "narrowed": [{"stage": stage, "reason": reason} for stage, reason in view.narrowed],
        "permissives": [_permissive(item) for item in view.permissives],
        "alarms": [_alarm(item) for item in view.alarms],
        "streams": [_stream(item) for item in view.streams],
    }


def view_body(view: ScanView, names: Names) -> Json:
    """Make the whole view, with every signal and every write by name: the local socket's answer."""
    signals = zip(names.signal_ids, names.signal_units, view.readings, strict=True)
    writes = zip(names.output_roles, view.writes, strict=False)
    units = dict(zip(names.signal_ids, names.signal_units, strict=True))
    return (
        summary_body(view)
        | {
            "signals": [{"signal_id": name, "unit": unit, **reading_body(item)} for name, unit, item in signals],
            "outputs": {
                "write_enabled": view.outputs.write_enabled,
                "stop_now": view.outputs.stop_now,
                "values": [
                    {"role": role.value, "unit": ROLE_UNITS.get(role.value, "contact"), "value": finite(value)}
                    for role, value in view.outputs.values
                ],
            },
            "writes": [_write(role, status, view.now_s) for role, status in writes],
            "totalisers": [_totaliser(item, units) for item in view.totalisers],
            "trip": {
                "measuring": view.trip.measuring,
                "trip_s": finite(view.trip.trip_s),
                "resolution_s": view.trip.resolution_s,
                "why": view.trip.why,
            },
            "line": {
                "diagnosis": view.line.diagnosis,
                "expected_pa": finite(view.line.expected_pa),
                "spread_pa": finite(view.line.spread_pa),
                "load_kg": finite(view.line.load_kg),
                "soonest_s": finite(view.line.soonest_s),
                "latest_s": finite(view.line.latest_s),
            },
        }
        | ({} if view.batch is None else {"batch": _batch(view.batch)})
    )


def _batch(batch: BatchView) -> Json:
    """Make the part of a batch plant; a drum plant's view has none."""
    return {
        "phase": batch.phase,
        "reason": batch.reason,
        "batch_count": batch.counter,
        "rubber_wanted": batch.wanted,
        "window_s": finite(batch.window_s),
        "target_kg": finite(batch.target_kg),
        "need_kg": finite(batch.need_kg),
        "vessel_kg": finite(batch.vessel_kg),
        "batch_rubber_kg": finite(batch.batch_rubber_kg),
        "batch_target_kg": finite(batch.batch_target_kg),
        "last_error_fraction": finite(batch.last_error),
        "wasted_kg": finite(batch.wasted_kg),
    }


def _dose(dose: DoseView) -> Json:
    return {
        "dose_basis": str(dose.basis),
        "dose_fraction": finite(dose.dose),
        "expanded_fraction": finite(dose.expanded),
        "coverage_factor": finite(dose.coverage),
        "mix_kg": finite(dose.mix_kg),
        "quality": dose.quality.word,
        "largest": dose.largest,
        "assumed": list(dose.assumed),
    }


def _totals(totals: Totals) -> Json:
    return {
        "rubber_g": totals.rubber_g,
        "target_rubber_g": totals.target_rubber_g,
        "mix_g": totals.mix_g,
        "mix_with_dose_g": totals.mix_with_dose_g,
        "parcels_count": totals.parcels,
        "wasted_mix_g": totals.wasted_mix_g,
        "wasted_rubber_g": totals.wasted_rubber_g,
    }


def _supply(supply: SupplyView) -> Json:
    return {
        "hopper_empty_in_s": finite(supply.hopper_empty_in_s),
        "empty_in_s": finite(supply.empty_in_s),
        "here_kg": finite(supply.here_kg),
        "planned_mix_kg": finite(supply.planned_mix_kg),
        "left_mix_kg": finite(supply.left_mix_kg),
        "takes_kg": finite(supply.takes_kg),
        "bags_to_load_count": supply.bags_to_load,
        "bags_loaded_count": supply.bags_loaded,
        "bags_kg": finite(supply.bags_kg),
        "bag_lot": supply.bag_lot,
        "wasted_mix_kg": finite(supply.wasted_mix_kg),
    }


def _permissive(item: PermissiveView) -> Json:
    return {"name": item.name, "met": item.met, "why": item.why}


def _alarm(item: AlarmView) -> Json:
    return {
        "alarm_id": item.alarm_id,
        "state": str(item.state),
        "since_s": finite(item.since_s),
        "text": item.text,
        "remedy": item.remedy,
        "priority": item.priority,
        "first_out": item.first_out,
        "shelf_left_s": finite(item.left_s),
        "put_aside_by": item.who,
        "put_aside_why": item.why,
    }


def _stream(item: StreamView) -> Json:
    return {
        "stream_id": item.stream_id,
        "rate_kg_s": reading_body(item.rate),
        "dry_kg_s": finite(item.dry_kg_s),
        "moisture_fraction": finite(item.moisture),
        "at_injection_kg_s": finite(item.at_injection_kg_s),
    }


def _totaliser(item: TotaliserView, units: dict[str, str]) -> Json:
    """Make one totaliser in the unit of its signal; what the rate comes to stands beside what was counted."""
    return {
        "signal_id": item.signal_id,
        "unit": units.get(item.signal_id, ""),
        "open_gaps_count": item.open_gaps,
        "booked": {"value": finite(item.booked_si)},
        "settled": {"value": finite(item.settled_si)},
        "compared": {"value": finite(item.compared_si)},
        "by_rate": {"value": finite(item.by_rate_si)},
    }


def _write(role: str, status: WriteStatus, now_s: float) -> Json:
    ever = status.stamped_s > 0.0
    return {
        "role": role,
        "stage": status.stage.value,
        "requested_words": list(status.requested_words),
        "wear_fraction": status.wear_percent / 100.0,
        "read_back_words": None if status.read_back_words is None else list(status.read_back_words),
        "age_s": finite(now_s - status.stamped_s) if ever else None,
    }
