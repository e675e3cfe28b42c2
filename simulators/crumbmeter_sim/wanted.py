"""How much rubber a stretch of mix wants: the dose, in whatever basis, turned into kilograms."""

from crumbmeter_sim.plantfile import MixTruth


def rubber_kg(mix: MixTruth, virgin_kg: float, recycle_kg: float, carried_kg: float, binder_kg: float) -> float:
    """Return the rubber that these masses want in a mix [kg].

    Args:
        mix: Dose and its basis.
        virgin_kg: [kg] Dry virgin aggregate.
        recycle_kg: [kg] Dry recycle without its binder.
        carried_kg: [kg] Binder in the recycle.
        binder_kg: [kg] Virgin binder.
    """
    dose = mix.dose_percent / 100.0
    if mix.dose_basis == "total_mix":
        return dose / (1.0 - dose) * (virgin_kg + recycle_kg + carried_kg + binder_kg)
    if mix.dose_basis == "added_to_mix":
        return dose * (virgin_kg + recycle_kg + carried_kg + binder_kg)
    if mix.dose_basis == "total_binder":
        return dose * (carried_kg + binder_kg)
    if mix.dose_basis == "binder_rubber_blend":
        return dose / (1.0 - dose) * (carried_kg + binder_kg)
    if mix.dose_basis == "virgin_binder":
        return dose * binder_kg
    return dose * virgin_kg
