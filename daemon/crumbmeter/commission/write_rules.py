"""What a proof of a write may be: which output, which value, for how long, and what has to be so meanwhile.

Bounded on purpose: a slow speed proves a register as well as a fast one.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Final

from crumbmeter.control.params import Params
from crumbmeter.control.permissives import read_contacts
from crumbmeter.field.words import UnencodableError, encode_si
from crumbmeter.model.outputs import MOVES_RUBBER, OutputRole
from crumbmeter.model.reading import Reading
from crumbmeter.qc.loop_checks import Loop, LoopKind
from crumbmeter.report.loop_sheet import value_words
from crumbmeter.runtime.stopping import REST
from crumbmeter.site.loops import loops_of
from crumbmeter.site.settings import Site

MOST_S: Final = 120.0
"""[s] Longest proof."""
SMALL_SHARE: Final = 0.1
"""Of the range: a greater value has to be asked for in so many words."""
PROOF_REST: Final[Mapping[OutputRole, float]] = {
    **REST,
    OutputRole.BLOWER_RUN: 0.0,
    OutputRole.AIRLOCK_RUN: 0.0,
}
"""What each output is brought to at the end. Here nothing is in the line that air would have to clear."""
HAND_SHAKE: Final = (OutputRole.HEARTBEAT, OutputRole.OWNER)
"""Outputs whose value is not a person's to choose."""

CAUTIONS: Final = """\
A write moves machinery. Before you go on:
- Lock out and tag out whatever must not move, by your plant's own rules. This program is no lock, its stop no lock-out.
- Emergency stops are hard-wired. Have somebody stand at one, and try it first.
- Keep hands, tools and clothing away from auger, airlock and belts. Nobody reaches into the hopper.
- Set the diverter to catch, with its container in place. Keep clear of the line: it is under pressure while air blows.
- Rubber dust burns, and harms when breathed; hot mix burns. Local codes and licensed practice come first.
"""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a proof is to write."""

    role: OutputRole
    """That is proved."""
    value_si: float | None
    """[SI] None for heartbeat and owner: they have a value of their own."""
    seconds: float
    beyond: bool = False
    """A value beyond a small share of the range was asked for."""
    into_drum: bool = False
    """The diverter may stand to the drum."""
    beside: tuple[tuple[OutputRole, float], ...] = ()
    """[SI] Outputs that have to be on with it, such as airlock and run for an auger that is to turn."""

    @property
    def values(self) -> tuple[tuple[OutputRole, float], ...]:
        """[SI] Return what is written, the proved one last: what it needs is on before it."""
        own = () if self.value_si is None else ((self.role, self.value_si),)
        return (*self.beside, *own)

    @property
    def roles(self) -> tuple[OutputRole, ...]:
        """Return the outputs that are named."""
        return tuple(role for role, _ in self.values)


def hand_shake(params: Params, wish: Wish) -> tuple[OutputRole, ...]:
    """Return what has to be written beside the outputs that are named.

    That is the owner register, where the site has one, and the heartbeat, where a device of theirs listens to it: it
    also shows whoever reads the owner register that its owner lives.
    """
    has = {OutputRole(spec.role): spec.device for spec in params.outputs}
    devices = {has[role] for role in (wish.role, *wish.roles) if role in has}
    owned = OutputRole.OWNER in has
    beats = OutputRole.HEARTBEAT in has and (owned or has[OutputRole.HEARTBEAT] in devices)
    return (*((OutputRole.HEARTBEAT,) if beats else ()), *((OutputRole.OWNER,) if owned else ()))


def refusals(site: Site, wish: Wish) -> tuple[str, ...]:
    """Say everything for which a proof is not begun; empty where it may be.

    Args:
        site: Site.
        wish: What is to be written.
    """
    why = []
    if not site.params.control_allowed:
        why.append("control.allowed is false in this site file: it is monitor only, and nothing whatever is written")
    if not 0.0 < wish.seconds <= MOST_S:
        why.append(f"--for {wish.seconds:g}: a proof takes more than 0 and at most {MOST_S:g} s")
    loops = {one.name: one for one in loops_of(site) if one.kind is LoopKind.OUTPUT}
    why += _needs_value(wish)
    why += _must_be_meant(site.params, wish)
    if len(set(wish.roles)) != len(wish.roles):
        why.append("an output is named twice")
    for role, value_si in dict.fromkeys((*wish.values, *(((wish.role, 0.0),) if wish.value_si is None else ()))):
        if role.value not in loops:
            why.append(f"{role.value} is not among the outputs of this site: {', '.join(loops) or 'it has none'}")
        elif role not in HAND_SHAKE:
            why += _value_refusals(site, loops[role.value], value_si, beyond=wish.beyond)
    return tuple(why)


def _must_be_meant(params: Params, wish: Wish) -> list[str]:
    """Say where rubber may go into the mixer, and no signal can tell whether it does."""
    moving = [role for role in wish.roles if role in MOVES_RUBBER]
    if wish.into_drum or not moving:
        return []
    if OutputRole.RELEASE in moving:
        return ["release lets what lies in the vessel into the pugmill: say --into-drum where that is meant"]
    if params.contacts.diverter_to_drum is None:
        return ["no signal of this site says where rubber goes: say --into-drum where it may go into the mixer"]
    return []


def _needs_value(wish: Wish) -> list[str]:
    own = wish.role in HAND_SHAKE
    if own and wish.value_si is not None:
        return [f"{wish.role.value} has a value of its own: leave --value out"]
    if not own and wish.value_si is None:
        return [f"{wish.role.value}: --value is missing"]
    return [f"{role.value} is written by itself, where it is needed" for role, _ in wish.beside if role in HAND_SHAKE]


def _value_refusals(site: Site, loop: Loop, value_si: float, *, beyond: bool) -> list[str]:
    low_si, high_si = loop.low_si, loop.high_si
    if not isfinite(value_si) or not low_si <= value_si <= high_si:
        limits = f"{value_words(loop, low_si)} to {value_words(loop, high_si)}"
        return [f"{loop.name}: {value_si!r} (SI) is outside of its limits, {limits}"]
    spec = next(one for one in site.params.outputs if one.role == loop.name)
    try:
        encode_si(spec.register, value_si)
    except UnencodableError as fault:
        return [f"{loop.name}: {fault}"]
    most_si = low_si + SMALL_SHARE * (high_si - low_si)
    if not loop.is_contact and value_si > most_si and not beyond:
        most = f"{100.0 * SMALL_SHARE:g} % of its range ({value_words(loop, most_si)})"
        return [f"{loop.name}: {value_words(loop, value_si)} is beyond {most}; --beyond where it has to be"]
    return []


def watched(params: Params, roles: tuple[OutputRole, ...]) -> tuple[int, ...]:
    """List the signals that must be Good while these outputs are on: what says that the machine may move."""
    named = params.contacts
    wanted = [named.emergency_stop_ok, *((named.remote, named.feeder_fault) if _at_feeder(params, roles) else ())]
    if any(role in MOVES_RUBBER for role in roles):
        wanted += [named.diverter_to_drum, named.line_pressure]
    return tuple(dict.fromkeys(index for index in wanted if index is not None))


def _at_feeder(params: Params, roles: tuple[OutputRole, ...]) -> bool:
    """Tell whether one of these outputs lies in the device that has the selector between local and remote."""
    named = params.contacts
    marks = [params.sources[index].device for index in (named.remote, named.feeder_fault) if index is not None]
    return any(spec.device in marks for spec in params.outputs if OutputRole(spec.role) in roles)


def doubt(
    params: Params, roles: tuple[OutputRole, ...], readings: tuple[Reading, ...], *, into_drum: bool, fault_counts: bool
) -> str:
    """Say why these outputs must not be on now; empty where nothing speaks against it.

    Args:
        params: Site.
        roles: Outputs that are on.
        readings: Of this scan, in the order of the signals.
        into_drum: Rubber may go to the drum.
        fault_counts: Whether the feeder's fault counts already: until it has seen the heartbeat, it may show one.
    """
    needed = watched(params, roles)
    lost = [params.signals[index].signal_id for index in needed if readings[index].value is None]
    if lost:
        return f"not known: {', '.join(lost)}"
    seen = read_contacts(params, readings)
    if seen.emergency_stop_ok is False:
        return "emergency stop"
    if not _at_feeder(params, roles):
        return _in_the_way(params, roles, readings, into_drum=into_drum)
    if seen.remote is False:
        return "the feeder is not in remote: its own panel has it"
    if seen.fault_free is False and fault_counts:
        return "the feeder shows a fault: look at its panel, and reset it there"
    return _in_the_way(params, roles, readings, into_drum=into_drum)


def _in_the_way(
    params: Params, roles: tuple[OutputRole, ...], readings: tuple[Reading, ...], *, into_drum: bool
) -> str:
    """Say what of diverter and line speaks against rubber that moves."""
    if not any(role in MOVES_RUBBER for role in roles):
        return ""
    named, most_pa = params.contacts, params.sequence.pressure_high_pa
    to_drum = named.diverter_to_drum is not None and (readings[named.diverter_to_drum].value or 0.0) > 0.5
    if to_drum and not into_drum:
        return "the diverter stands to the drum: set it to catch, or say --into-drum"
    pressure_pa = None if named.line_pressure is None else readings[named.line_pressure].value
    if pressure_pa is not None and most_pa is not None and pressure_pa > most_pa:
        return "line pressure high"
    return ""


def actual_of(params: Params, role: OutputRole) -> int | None:
    """Return the signal that shows whether an output did something; None where the site has none."""
    named = params.contacts
    return {
        OutputRole.AUGER_SPEED: params.weighing.auger_speed,
        OutputRole.FEED_RUN: params.weighing.auger_speed,
        OutputRole.FEED_RATE: named.feed_rate,
        OutputRole.BLOWER_RUN: named.blower_running,
        OutputRole.AIRLOCK_RUN: named.airlock_running,
    }.get(role)


def fastest_change_si_s(params: Params, role: OutputRole) -> float | None:
    """[SI/s] Return how fast an output may change, as the site limits the feed; None: at once, as a contact."""
    if role is OutputRole.FEED_RATE:
        return params.feed.slew_kg_s2
    if role is OutputRole.AUGER_SPEED:
        return params.feed.slew_kg_s2 / params.weighing.feed_factor_kg_rev
    return None
