"""The verbs of a time line: what a scenario can make happen, each with its parameters.

Every verb takes `t_s`; those marked "lasting" also take `for_s`, after which their opposite happens by itself.
"""

import difflib
from dataclasses import dataclass, field
from typing import Any

NUMBER, WORD, FLAG = (int, float), (str,), (bool,)

REGISTER: dict[str, tuple[type, ...]] = {"server": WORD, "register": WORD}

# verb: (parameters, opposite verb of a lasting one)
VERBS: dict[str, tuple[dict[str, tuple[type, ...]], str]] = {
    # the plant
    "plant_start": ({"mix_short_ton_h": NUMBER}, ""),
    "plant_rate": ({"mix_short_ton_h": NUMBER}, ""),
    "recycle_share": ({"percent": NUMBER}, ""),
    "recipe": ({"mix": WORD}, ""),
    "gates_stop": ({}, "gates_start"),
    "gates_start": ({}, ""),
    "belts_stop": ({}, "belts_start"),
    "belts_start": ({}, ""),
    "drum_stop": ({}, "restart"),
    "silo_full": ({}, "restart"),
    "plant_stop": ({"run_out_s": NUMBER}, ""),
    "restart": ({}, ""),
    "emergency_stop": ({}, "emergency_reset"),
    "emergency_reset": ({}, ""),
    "wet_pile": ({"belt": WORD, "percent": NUMBER}, "dry_pile"),
    "dry_pile": ({"belt": WORD}, ""),
    "gate_shut": ({"belt": WORD}, "gate_open"),
    "gate_open": ({"belt": WORD}, ""),
    "binder_held": ({}, "binder_back"),
    "binder_back": ({}, ""),
    "fines": ({"percent": NUMBER}, "fines_even"),
    "fines_even": ({}, ""),
    "dump_drum": ({"percent": NUMBER}, ""),
    # a batch plant
    "batches_start": ({"count": NUMBER, "batch_kg": NUMBER}, "batches_stop"),
    "batches_stop": ({}, ""),
    "batch_size": ({"batch_kg": NUMBER}, ""),
    "batch_abort": ({}, ""),
    "batch_short": ({"percent": NUMBER}, ""),
    "batch_double": ({}, ""),
    "batch_asks_again": ({"seconds": NUMBER}, ""),
    "batch_counter_jump": ({"by": NUMBER}, ""),
    "when_rubber": ({"kg": NUMBER, "then": WORD, "lasts_s": NUMBER}, ""),
    "mixer_stop": ({}, "mixer_restart"),
    "mixer_restart": ({}, ""),
    "vessel_leak": ({"kg_s": NUMBER}, ""),
    "freeze_vessel": ({}, "thaw_vessel"),
    "thaw_vessel": ({}, ""),
    # instruments
    "freeze_scale": ({"belt": WORD}, "thaw_scale"),
    "thaw_scale": ({"belt": WORD}, ""),
    "freeze_binder": ({}, "thaw_binder"),
    "thaw_binder": ({}, ""),
    "zero_drift": ({"belt": WORD, "kg_m": NUMBER}, ""),
    "bump": ({"kg": NUMBER, "lasts_s": NUMBER}, ""),
    "freeze_hopper": ({}, "thaw_hopper"),
    "thaw_hopper": ({}, ""),
    # the weighing indicator
    "tare": ({"kg": NUMBER}, "clear_tare"),
    "clear_tare": ({}, ""),
    "zero_shift": ({"kg": NUMBER}, ""),
    "decimal_point": ({"digits": NUMBER}, ""),
    "indicator_setup": ({}, "indicator_run"),
    "indicator_run": ({}, ""),
    "load_cell_lost": ({}, "load_cell_back"),
    "load_cell_back": ({}, ""),
    "heartbeat_stop": ({}, "heartbeat_go"),
    "heartbeat_go": ({}, ""),
    # pulse counters and current loops
    "pulses_bad": ({"counter": WORD, "lost_share": NUMBER, "doubled_share": NUMBER}, "pulses_good"),
    "pulses_good": ({"counter": WORD}, ""),
    "counter_put": ({"counter": WORD, "count": NUMBER}, ""),
    "counter_glitch": ({"counter": WORD, "count": NUMBER}, "counter_right"),
    "counter_right": ({"counter": WORD}, ""),
    "loop_broken": ({"loop": WORD}, "loop_good"),
    "loop_short": ({"loop": WORD}, "loop_good"),
    "loop_good": ({"loop": WORD}, ""),
    # how a device answers; `behave` ends all of it, or what is named
    "ignore_writes": (REGISTER, "behave"),
    "clamp_writes": (REGISTER | {"low": NUMBER, "high": NUMBER}, "behave"),
    "round_writes": (REGISTER | {"step": NUMBER}, "behave"),
    "late_writes": (REGISTER | {"seconds": NUMBER}, "behave"),
    "overwrite": (REGISTER | {"raw": NUMBER, "seconds": NUMBER}, "behave"),
    "refuse": (REGISTER | {"code": NUMBER, "reads": FLAG, "writes": FLAG}, "behave"),
    "wrong_echo": (REGISTER | {"what": WORD}, "behave"),
    "hole": (REGISTER, "behave"),
    "read_limit": ({"server": WORD, "most": NUMBER}, "behave"),
    "force": (REGISTER | {"raw": NUMBER, "pattern": NUMBER}, "behave"),
    "freeze_registers": (REGISTER, "behave"),
    "torn": (REGISTER | {"first": NUMBER, "last": NUMBER}, "behave"),
    "point_switch": (REGISTER | {"point": WORD, "value": NUMBER}, "behave"),
    "behave": (REGISTER | {"was": WORD}, ""),
    # feeder and line
    "bag_hung_up": ({}, "clear"),
    "bridge": ({}, "clear"),
    "leak_gate": ({"kg_s": NUMBER}, "clear"),
    "crew_away": ({}, "crew_back"),
    "crew_back": ({}, ""),
    "hang_bag": ({}, ""),
    "plug_line": ({}, "clear"),
    "plug_builds": ({"seconds": NUMBER}, "clear"),
    "hose_off": ({}, "clear"),
    "clear": ({}, ""),
    "feeder_fault": ({}, "feeder_fault_reset"),
    "feeder_fault_reset": ({}, ""),
    "feeder_local": ({"rpm": NUMBER}, "feeder_remote"),
    "feeder_remote": ({}, ""),
    "diverter_catch": ({}, "diverter_drum"),
    "diverter_drum": ({}, ""),
    "blower_trip": ({}, "blower_reset"),
    "blower_reset": ({}, ""),
    # links
    "link_dead": ({"server": WORD}, "link_back"),
    "link_hang": ({"server": WORD}, "link_back"),
    "link_slow": ({"server": WORD, "delay_s": NUMBER}, "link_back"),
    "link_back": ({"server": WORD}, ""),
    "fault": (
        {
            "server": WORD, "kind": WORD, "share": NUMBER, "every": NUMBER, "direction": WORD,
            "seconds": NUMBER, "spread_s": NUMBER, "size": NUMBER,
        },
        "fault_over",
    ),
    "fault_over": ({"server": WORD, "kind": WORD}, ""),
    "power_dip": ({"plant": FLAG, "tared": FLAG}, "power_back"),
    "power_back": ({"tared": FLAG}, ""),
}  # fmt: skip
OPTIONAL = {
    "plant_start": {"mix_short_ton_h"},
    "batches_start": {"count", "batch_kg"},
    "when_rubber": {"lasts_s"},
    "plant_stop": {"run_out_s"},
    "feeder_local": {"rpm"},
    "power_dip": {"plant", "tared"},
    "power_back": {"tared"},
    "tare": {"kg"},
    "pulses_bad": {"lost_share", "doubled_share"},
    "counter_glitch": {"count"},
    "fault": {"share", "every", "direction", "seconds", "spread_s", "size"},
    "fault_over": {"kind"},
    "ignore_writes": {"register"},
    "late_writes": {"register", "seconds"},
    "overwrite": {"seconds"},
    "refuse": {"register", "reads", "writes"},
    "wrong_echo": {"register", "what"},
    "force": {"raw", "pattern"},
    "freeze_registers": {"register"},
    "torn": {"first", "last"},
    "behave": {"register", "was"},
}

DRUM_VERBS = (
    "plant_start", "plant_rate", "recycle_share", "gates_stop", "gates_start", "belts_stop", "belts_start", "drum_stop",
    "silo_full", "plant_stop", "wet_pile", "dry_pile", "freeze_scale", "thaw_scale", "freeze_binder", "thaw_binder",
    "zero_drift",
)  # fmt: skip
"""Those that only a drum plant knows."""
BATCH_VERBS = (
    "batches_start", "batches_stop", "batch_size", "batch_abort", "batch_short", "batch_double", "batch_asks_again",
    "batch_counter_jump", "when_rubber", "mixer_stop", "mixer_restart", "vessel_leak", "freeze_vessel", "thaw_vessel",
)  # fmt: skip
"""Those that only a batch plant knows."""


@dataclass(frozen=True, slots=True)
class Step:
    """One entry of a time line."""

    t_s: float
    do: str
    values: dict[str, Any] = field(default_factory=dict)
    for_s: float | None = None


def check_step(entry: Any, where: str) -> tuple[Step | None, list[str]]:
    """Check one `[[at]]` entry; return it, or what is wrong with it."""
    if not isinstance(entry, dict) or not isinstance(entry.get("t_s"), int | float) or entry.get("do") not in VERBS:
        given = entry.get("do") if isinstance(entry, dict) else entry
        near = difflib.get_close_matches(str(given), VERBS, 1)
        remedy = f"; did you mean {near[0]}?" if near else ""
        return None, [f"  {where}: needs t_s and a known `do`, found {given!r}{remedy}"]
    do = str(entry["do"])
    parameters, opposite = VERBS[do]
    problems: list[str] = []
    for key, value in entry.items():
        if key in ("t_s", "do") or (key == "for_s" and opposite):
            continue
        if key not in parameters:
            problems.append(f"  {where}.{key}: {do} takes no such key (takes: {', '.join(parameters) or 'none'})")
        elif not isinstance(value, parameters[key]) or (isinstance(value, bool) and parameters[key] is not FLAG):
            problems.append(f"  {where}.{key} = {value!r}: expected {parameters[key][-1].__name__}")
    missing = set(parameters) - set(entry) - OPTIONAL.get(do, set())
    problems += [f"  {where}: {do} needs {key}" for key in sorted(missing)]
    if problems:
        return None, problems
    values = {key: value for key, value in entry.items() if key in parameters}
    lasts = entry.get("for_s")
    return Step(float(entry["t_s"]), do, values, None if lasts is None else float(lasts)), []


def opposite_of(step: Step) -> Step | None:
    """Return what happens by itself when a lasting step is over."""
    if step.for_s is None:
        return None
    opposite = VERBS[step.do][1]
    values = {key: value for key, value in step.values.items() if key in VERBS[opposite][0]}
    if opposite == "behave":
        values["was"] = step.do
    return Step(step.t_s + step.for_s, opposite, values)
