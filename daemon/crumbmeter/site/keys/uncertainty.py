"""Keys of a site that say how exact its instruments are, and what the daemon assumes where the site does not say."""

from typing import Annotated, ClassVar

from pydantic import Field

from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.model.units import TONNE_KG, UNITS
from crumbmeter.site.keys.base import Choice, Keys, choice
from crumbmeter.site.keys.plant import ControlKeys

ASSUMED = UncertaintyParams()
PRACTICE = "common practice, no source"

Percent = Annotated[float, Field(gt=0, le=20)]
SiloLevel = Annotated[float, Field(gt=0, le=500)]
Window = Annotated[float, Field(gt=0, le=2000)]


def _assumed(within: Within, why: str) -> str:
    return f" Not stated: {100.0 * within.half_width:g} % ({why})."


class UncertaintyKeys(Keys):
    """How exactly things are known: a true value lies within so much of the shown one, anywhere in between.

    What is not stated is assumed, counts as known to a quarter of itself (GUM G.4.2), and is said to be assumed.
    """

    hopper_scale_percent: Percent | None = Field(
        default=None,
        description="Span of the weigh hopper's scale, by its last check. Not stated: `control.known_weight_percent`, "
        "which is what the check with a known weight proves.",
    )
    aggregate_scale_percent: Percent | None = Field(
        default=None,
        description="Scales of virgin material. Several count as one that is all wrong the same way."
        + _assumed(ASSUMED.aggregate_scale, "Ohio DOT CMS 402.06: plant calibration accurate within 1.0 %"),
    )
    aggregate_moisture_percent: Percent | None = Field(
        default=None,
        description="Water of virgin material, in percent of dry mass: the figure in force, whoever takes it off."
        + _assumed(ASSUMED.aggregate_moisture, PRACTICE),
    )
    recycle_scale_percent: Percent | None = Field(
        default=None,
        description="Scales of recycle." + _assumed(ASSUMED.recycle_scale, "Ohio DOT CMS 402.06, as above"),
    )
    recycle_moisture_percent: Percent | None = Field(
        default=None,
        description="Water of recycle, in percent of dry mass." + _assumed(ASSUMED.recycle_moisture, PRACTICE),
    )
    recycle_binder_percent: Percent | None = Field(
        default=None,
        description="Binder in recycle, in percent of its dry mass." + _assumed(ASSUMED.recycle_binder, PRACTICE),
    )
    binder_meter_percent: Percent | None = Field(
        default=None,
        description="Meter of virgin binder."
        + _assumed(ASSUMED.binder_meter, "AASHTO M 156-13, 4.3.3: within 1 percent of the actual weight"),
    )
    travel_s: Annotated[float, Field(gt=0, le=120)] | None = Field(
        default=None,
        description="Travel of the material against that of the rubber. It matters where the rate changes. "
        f"Not stated: {ASSUMED.travel_s.half_width:g} s ({PRACTICE}).",
    )
    ticket_scale_percent: Percent | None = Field(
        default=None,
        description="Scale of the load tickets. For `crumbmeter reconcile`."
        + _assumed(ASSUMED.ticket_scale, "Iowa DOT IM 514: 0.2 % for pay-quantity scales"),
    )
    bag_scale_percent: Percent | None = Field(
        default=None,
        description="Net mass of bulk bags, all from one scale. For `crumbmeter reconcile`."
        + _assumed(ASSUMED.bag_scale, PRACTICE),
    )
    supply_scale_percent: Percent | None = Field(
        default=None,
        description="Scale of the supply hopper. For `crumbmeter reconcile`."
        + _assumed(ASSUMED.supply_scale, PRACTICE),
    )
    waste_percent: Percent | None = Field(
        default=None,
        description="What is entered as wasted or caught. For `crumbmeter reconcile`."
        + _assumed(ASSUMED.waste, PRACTICE),
    )
    silo_level_tonne: SiloLevel | None = Field(
        default=None,
        description="One reading of what the mix silos hold. For `crumbmeter reconcile`. "
        f"Not stated: {ASSUMED.silo_level_kg.half_width / TONNE_KG:g} tonne ({PRACTICE}).",
    )
    silo_level_short_ton: SiloLevel | None = Field(default=None, description="The same in short tons.")
    window_tonne: Window | None = Field(
        default=None,
        description="Mix over which the dose is shown with its uncertainty. "
        f"Not stated: {ASSUMED.window_kg / TONNE_KG:g} tonne.",
    )
    window_short_ton: Window | None = Field(default=None, description="The same in short tons.")

    choices: ClassVar[dict[str, Choice]] = {
        "silo_level": choice(required=False, silo_level_tonne="tonne", silo_level_short_ton="short_ton"),
        "window": choice(required=False, window_tonne="tonne", window_short_ton="short_ton"),
    }


def build_uncertainty(keys: UncertaintyKeys, control: ControlKeys) -> UncertaintyParams:
    """Build what the site knows of its instruments, with the daemon's assumptions where it does not say."""
    proven = Within(UNITS["percent"].to_si(control.known_weight_percent))
    window_kg = keys.si_or_none("window")
    return UncertaintyParams(
        hopper_scale=_percent(keys.hopper_scale_percent, proven),
        aggregate_scale=_percent(keys.aggregate_scale_percent, ASSUMED.aggregate_scale),
        aggregate_moisture=_percent(keys.aggregate_moisture_percent, ASSUMED.aggregate_moisture),
        recycle_scale=_percent(keys.recycle_scale_percent, ASSUMED.recycle_scale),
        recycle_moisture=_percent(keys.recycle_moisture_percent, ASSUMED.recycle_moisture),
        recycle_binder=_percent(keys.recycle_binder_percent, ASSUMED.recycle_binder),
        binder_meter=_percent(keys.binder_meter_percent, ASSUMED.binder_meter),
        travel_s=_stated(keys.travel_s, ASSUMED.travel_s),
        ticket_scale=_percent(keys.ticket_scale_percent, ASSUMED.ticket_scale),
        bag_scale=_percent(keys.bag_scale_percent, ASSUMED.bag_scale),
        supply_scale=_percent(keys.supply_scale_percent, ASSUMED.supply_scale),
        waste=_percent(keys.waste_percent, ASSUMED.waste),
        silo_level_kg=_stated(keys.si_or_none("silo_level"), ASSUMED.silo_level_kg),
        window_kg=ASSUMED.window_kg if window_kg is None else window_kg,
    )


def _percent(percent: float | None, assumed: Within) -> Within:
    return _stated(None if percent is None else UNITS["percent"].to_si(percent), assumed)


def _stated(value: float | None, assumed: Within) -> Within:
    return assumed if value is None else Within(value, stated=True)
