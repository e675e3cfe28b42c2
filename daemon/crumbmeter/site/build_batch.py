"""Turn the part of a checked site file that describes a batch plant into frozen settings in SI."""

from collections.abc import Mapping

from crumbmeter.model.outputs import OutputRole
from crumbmeter.process.dose import Mix
from crumbmeter.process.params import BatchParams, DrumParams, IngredientParams, StreamKind
from crumbmeter.site.figures import normal_batch
from crumbmeter.site.keys.batch import BatchKeys, IngredientKeys
from crumbmeter.site.keys.site import SiteFile


def build_batch(file: SiteFile) -> BatchParams | None:
    """Build the batch plant; None for a drum plant."""
    if file.batch is None:
        return None
    at = {name: index for index, name in enumerate(file.signals)}
    keys = file.batch
    return BatchParams(
        ingredients=tuple(_ingredient(name, part, at) for name, part in file.ingredients.items()),
        wanted=at[keys.rubber_wanted],
        weighed=at[keys.weighed],
        discharging=at[keys.discharging],
        aborted=None if keys.aborted is None else at[keys.aborted],
        counter=at[keys.counter],
        counter_modulus=keys.counter_wraps_at,
        longest_window_s=keys.longest_window_s,
        vessel_mass=at[keys.vessel_mass],
        vessel_empty_kg=keys.si("vessel_empty"),
        vessel_full_kg=keys.si("vessel_full"),
        vessel_lag_s=keys.vessel_lag_s,
        dose_kg_s=keys.si("dose_rate"),
        dribble_kg_s=keys.si("dribble_rate"),
        dribble_kg=keys.si("dribble"),
        settle_s=keys.settle_s,
        release_kg_s=keys.si("release_rate"),
        release_lag_s=keys.release_lag_s,
        tail_s=keys.tail_s,
        run_down_s=keys.blower_run_down_s,
        charge_band=keys.charge_percent / 100.0,
        agree_band=keys.agree_percent / 100.0,
        refill=OutputRole.REFILL.value in file.outputs,
    )


def _ingredient(name: str, keys: IngredientKeys, at: Mapping[str, int]) -> IngredientParams:
    return IngredientParams(
        ingredient_id=name,
        kind=StreamKind(keys.kind),
        weighed=at[keys.mass],
        announced=None if keys.announced is None else at[keys.announced],
        moisture=(keys.moisture_percent or 0.0) / 100.0,
        binder_content=(keys.binder_percent or 0.0) / 100.0,
    )


def build_sizes(file: SiteFile) -> dict[str, tuple[Mix, ...]]:
    """Build, for each mix, the parts of the smallest, the normal and the largest batch."""
    if file.batch is None:
        return {}
    normal_kg = file.batch.si("normal_mix")
    shares = (file.plant.lowest_rate_percent / 100.0, 1.0, file.plant.highest_rate_percent / 100.0)
    parts = tuple(file.ingredients.values())
    return {
        name: tuple(normal_batch(parts, normal_kg * share, mix.total_binder_percent / 100.0) for share in shares)
        for name, mix in file.mixes.items()
    }


def pugmill(keys: BatchKeys, at: Mapping[str, int]) -> DrumParams:
    """Let the pugmill stand in for the drum: its turning is what the run sequence watches. The rest is not used."""
    return DrumParams(
        turning=at[keys.mixer_running], speed=None, nominal_speed_rev_s=1.0, outlet_residence_s=1.0, outlet_stages=1
    )
