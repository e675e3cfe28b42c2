"""The job and its rubber: what is still to be made, what rubber there is, how long it lasts, how many bags it takes.

Bags, wasted mix and notes are people's words: they go into the record with who said them, and change nothing that was
measured.
"""

from math import ceil

from crumbmeter.control.params import Params
from crumbmeter.model.commands import Command
from crumbmeter.model.events import Event, event
from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.model.reading import Reading
from crumbmeter.model.view import SupplyView, Totals

BAG_KG = (20.0, 2000.0)
"""[kg] What one bag may hold. Ours: a bulk bag of rubber has some 500 to 1000 kg."""
MOST_JOB_KG = 1e8
"""[kg] A larger job is an entry error."""
FLOWS_KG_S = 1e-3
"""[kg/s] Below this nothing is fed: the hopper does not run empty."""
LEAST_MIX_KG = 5000.0
"""[kg] So much mix must be booked before its rubber tells how much the rest takes."""


@dataclass(frozen=True, slots=True)
class JobState:
    """What people said of the job since its subtotal was last reset."""

    planned_kg: float = 0.0
    """[kg] Mix with rubber that the job is to have; 0: nobody said."""
    bags: int = 0
    bags_kg: float = 0.0
    """[kg] Rubber in them."""
    bag_kg: float = 0.0
    """[kg] In the last one; 0: none was loaded."""
    lot: str = ""
    """Of the last one."""
    wasted_kg: float = 0.0
    """[kg] Mix that left the drum and was marked as wasted; it stays in its parcels."""


class NotPossibleError(Exception):
    """What was asked for cannot be; the text says why."""


def retold(job: JobState, happened: Event) -> JobState:
    """Take one event of the job: as it happens, and again out of the record after a restart."""
    mass_kg, mix_kg = _kg(happened, "mass_kg"), _kg(happened, "mix_kg")
    match happened.name:
        case "job_planned":
            return replace(job, planned_kg=mix_kg)
        case "mix_wasted":
            return replace(job, wasted_kg=job.wasted_kg + mix_kg)
        case "bag_loaded":
            lot = str(happened.get("lot"))
            return replace(job, bags=job.bags + 1, bags_kg=job.bags_kg + mass_kg, bag_kg=mass_kg, lot=lot)
    return job


def _kg(happened: Event, key: str) -> float:
    value = happened.get(key)
    return float(value) if isinstance(value, float | int) else 0.0


def load_bag(job: JobState, command: Command) -> tuple[JobState, Event]:
    """Book a bulk bag that was hung up or emptied: its lot and the rubber in it.

    Raises:
        NotPossibleError: no lot, or no mass that a bag has.
    """
    lot, low_kg, high_kg = command.subject.strip(), *BAG_KG
    if not lot:
        raise NotPossibleError("the bag's lot is missing: scan or type what stands on its label")
    if not low_kg <= command.value <= high_kg:
        raise NotPossibleError(f"{command.value:g} kg is not between {low_kg:g} and {high_kg:g} kg, what one bag holds")
    happened = event("bag_loaded", lot=lot, mass_kg=command.value, bags_in_job=job.bags + 1, who=command.who)
    return retold(job, happened), happened


def plan_job(job: JobState, command: Command) -> tuple[JobState, Event]:
    """Say how much mix with rubber the job is to have; 0 takes it back.

    Raises:
        NotPossibleError: no mass that a job has.
    """
    if not 0.0 <= command.value <= MOST_JOB_KG:
        raise NotPossibleError(f"{command.value:g} kg of mix is not between 0 and {MOST_JOB_KG:g} kg")
    happened = event("job_planned", mix_kg=command.value, who=command.who)
    return retold(job, happened), happened


def waste_mix(job: JobState, command: Command, made: Totals) -> tuple[JobState, Event]:
    """Mark mix that has left the drum as wasted: a truck turned back, a silo's start.

    Args:
        job: Before.
        command: Its mass [kg] and why.
        made: Mix of the job.

    Raises:
        NotPossibleError: no mass, more than was made, or no reason.
    """
    left_kg = made.mix_g / 1000.0 - job.wasted_kg
    if not command.reason.strip():
        raise NotPossibleError("it must say why: the record keeps the reason")
    if not 0.0 < command.value <= left_kg:
        raise NotPossibleError(
            f"{command.value:g} kg of mix is not between 0 and {left_kg:.0f} kg, made in this job and not marked yet"
        )
    happened = event("mix_wasted", mix_kg=command.value, who=command.who, reason=command.reason)
    return retold(job, happened), happened


def hand_over(command: Command) -> Event:
    """Leave a note for the next shift.

    Raises:
        NotPossibleError: it is empty.
    """
    if not command.reason.strip():
        raise NotPossibleError("the note is empty")
    return event("hand_over_note", note=command.reason.strip(), who=command.who)


def supply_view(
    job: JobState,
    made: Totals,
    params: Params,
    wanted_per_mix: float | None,
    weights: tuple[Reading, Reading],
    fed_kg_s: float | None,
) -> SupplyView:
    """Reckon what rubber there is, and what the job still takes.

    Args:
        job: What people said.
        made: Mix and rubber of the job.
        params: Site.
        wanted_per_mix: [kg/kg] Rubber wanted over mix with rubber, as it is made now; None: none is made.
        weights: [kg] Of the weigh hopper and of the supply.
        fed_kg_s: [kg/s] Flow out of the weigh hopper; None: not known.
    """
    hopper, supply = weights
    # Below its low level the auger may run empty: what lies there is not reckoned with.
    over_kg = None if hopper.value is None else max(0.0, hopper.value - params.weighing.low_mass_kg)
    rate_kg_s = fed_kg_s if fed_kg_s is not None and fed_kg_s > FLOWS_KG_S else None
    here_kg = None if over_kg is None or supply.value is None else over_kg + supply.value
    left_kg = max(0.0, job.planned_kg - made.mix_with_dose_g / 1000.0) if job.planned_kg > 0.0 else None
    share = _share(made, wanted_per_mix)
    takes_kg = None if left_kg is None or share is None else left_kg * share
    short_kg = None if takes_kg is None or here_kg is None else max(0.0, takes_kg - here_kg)
    return SupplyView(
        hopper_empty_in_s=None if over_kg is None or rate_kg_s is None else over_kg / rate_kg_s,
        empty_in_s=None if here_kg is None or rate_kg_s is None else here_kg / rate_kg_s,
        here_kg=here_kg,
        planned_mix_kg=job.planned_kg if job.planned_kg > 0.0 else None,
        left_mix_kg=left_kg,
        takes_kg=takes_kg,
        bags_to_load=ceil(short_kg / job.bag_kg) if short_kg is not None and job.bag_kg > 0.0 else None,
        bags_loaded=job.bags,
        bags_kg=job.bags_kg,
        bag_lot=job.lot,
        wasted_mix_kg=job.wasted_kg,
    )


def _share(made: Totals, wanted_per_mix: float | None) -> float | None:
    """[kg/kg] Return rubber over mix: as it is made now, else as the job had it so far."""
    if wanted_per_mix is not None:
        return wanted_per_mix
    return made.target_rubber_g / made.mix_with_dose_g if made.mix_with_dose_g >= 1000.0 * LEAST_MIX_KG else None
