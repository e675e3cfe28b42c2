"""What the arithmetic of the plant needs to know: streams, drum, line, mixes."""

from enum import StrEnum

from crumbmeter.model.frozen import dataclass


class StreamKind(StrEnum):
    """What a stream carries."""

    AGGREGATE = "aggregate"
    RECYCLE = "recycle"
    """RAP, RAS: material that carries binder."""
    FILLER = "filler"
    BINDER = "binder"
    """Virgin binder, metered by mass."""


class DoseBasis(StrEnum):
    """What the dose is a share of. Each has its own formula and inverse (process/dose.py)."""

    TOTAL_MIX = "total_mix"
    """R / (M0 + R)"""
    ADDED_TO_MIX = "added_to_mix"
    """R / M0"""
    TOTAL_BINDER = "total_binder"
    """R / Bt"""
    BINDER_RUBBER_BLEND = "binder_rubber_blend"
    """R / (Bt + R)"""
    VIRGIN_BINDER = "virgin_binder"
    """R / Bv"""
    DRY_AGGREGATE = "dry_aggregate"
    """R / D, D being virgin dry aggregate (with filler)"""


@dataclass(frozen=True, slots=True)
class StreamParams:
    """One material stream into the drum."""

    stream_id: str
    kind: StreamKind
    rate: int
    """Index of the signal with its mass flow [kg/s]."""
    wet: bool
    """Whether the signal is of wet material (moisture still to be taken off)."""
    moisture: float
    """Water as a fraction of DRY mass (AASHTO T 255), until a moisture entry says otherwise. 0 where `wet` is false."""
    binder_content: float
    """Binder as a fraction of dry mass; 0 for virgin material."""
    low_flow_kg_s: float
    """[kg/s] Below this the belt is empty: a drifting zero makes neither tons nor rubber."""
    belt_length_m: float
    """[m] From the scale to the drum (the sum over all belts). 0 where material is metered at the drum."""
    belt_speed: int | None
    """Index of the signal with the belt speed [m/s]."""
    belt_running: int | None
    """Index of the contact "belt runs". With neither signal it is taken to run while its rate is above low flow."""
    nominal_belt_speed_m_s: float
    """[m/s] Used where no speed is read."""
    scale_filter_s: float
    """[s] Mean delay of the scale's own averaging: material is that much further along than its rate says."""
    drum_residence_s: float
    """[s] Mean travel from where it enters the drum to the injection point, at nominal drum speed. 0: metered there."""
    drum_stages: int
    """Stirred stages in series that stand for the spread of that travel (variance = mean^2 / stages)."""
    binder_belt_s: float = 0.0
    """[s] The plant controller's delay from this scale to the binder, the part that runs with the belt."""
    binder_drum_s: float | None = None
    """[s] The part of it that runs with the drum. None: not known, the binder is taken to come with the material."""
    binder_lag_s: float = 0.0
    """[s] Mean delay of pump and meter."""
    wasted_fines: float = 0.0
    """Fraction of its dry mass that leaves with the air before the injection point and is not given back."""

    def entering(self, flow: float) -> float:
        """Return what of an indicated flow [kg/s] enters the mix: water (as the site file says it) and fines off."""
        return flow / (1.0 + self.moisture if self.wet else 1.0) * (1.0 - self.wasted_fines)


@dataclass(frozen=True, slots=True)
class DrumParams:
    """The drum between the injection point and its outlet. A batch plant's pugmill stands in for it."""

    turning: int
    """Index of the contact "drum turns"."""
    speed: int | None
    """Index of the signal with its speed [rev/s]."""
    nominal_speed_rev_s: float
    outlet_residence_s: float
    """[s] Mean travel from the injection point to the outlet, at nominal speed."""
    outlet_stages: int
    load_effect: float = 0.0
    """How much faster, as a share, material moves in a drum that holds twice its normal content (process/load.py)."""
    normal_dry_kg_s: float = 0.0
    """[kg/s] Dry material through it for which the residences hold. 0: not known, and no load effect."""
    discharge_current: int | None = None
    """Index of the signal with the current [A] of the conveyor behind the drum; to find travel from a record."""
    discharge_temperature: int | None = None
    """Index of the signal with the temperature [degC] of the mix there."""
    discharge_travel_s: float = 0.0
    """[s] From the outlet to where the two show the mix."""
    discharge_current_lag_s: float = 0.0
    """[s] Time constant of the current's instrument."""
    discharge_temperature_lag_s: float = 0.0


@dataclass(frozen=True, slots=True)
class LineParams:
    """The conveying line from the airlock to the injection point."""

    travel_s: float
    """[s] From the auger's end to the injection point while the blower runs."""
    pressure_lag_s: float = 0.5
    """[s] Time constant of the pressure's instrument; to find travel from a record."""


@dataclass(frozen=True, slots=True)
class MixParams:
    """One mix that the plant makes."""

    mix_id: str
    title: str
    dose_basis: DoseBasis
    dose: float
    """Fraction in that basis. 0: a mix without rubber."""
    total_binder_content: float
    """Total binder as a fraction of the mix without rubber, by the job mix formula."""
    plant_recipe: int | None
    """The plant's own number for it, compared with the plant's recipe signal where there is one."""


@dataclass(frozen=True, slots=True)
class IngredientParams:
    """One ingredient of a batch and the weigh hopper that it is weighed in."""

    ingredient_id: str
    kind: StreamKind
    weighed: int
    """Index of the signal with the mass on its weigh hopper [kg]."""
    announced: int | None
    """Index of the signal with what the plant says that the next batch will take [kg]."""
    moisture: float
    """Water as a fraction of DRY mass; 0 for what is weighed dry, as hot bins are."""
    binder_content: float
    """Binder as a fraction of dry mass."""


@dataclass(frozen=True, slots=True)
class BatchParams:
    """A batch plant: its hand-shake, its transfer vessel, and how a charge is dosed and blown in."""

    ingredients: tuple[IngredientParams, ...]
    wanted: int
    """Index of the contact "rubber wanted": the dry-mix window is open."""
    weighed: int
    """Index of the contact "all of the next batch is weighed"."""
    discharging: int
    """Index of the contact "pugmill gate open"."""
    aborted: int | None
    """Index of the contact "the batch is thrown away"."""
    counter: int
    """Index of the signal with the batch counter."""
    counter_modulus: int
    longest_window_s: float
    """[s] The plant holds the dry mix for so long at most."""
    vessel_mass: int
    """Index of the signal with the mass in the transfer vessel [kg]."""
    vessel_empty_kg: float
    """[kg] Below this it is empty."""
    vessel_full_kg: float
    vessel_lag_s: float
    """[s] Averaging of the vessel's scale: a release is seen so late."""
    dose_kg_s: float
    """[kg/s] Rate of the most of a charge."""
    dribble_kg_s: float
    """[kg/s] Rate of the last part."""
    dribble_kg: float
    """[kg] That last part, which must hold the slowing down."""
    settle_s: float
    """[s] After a charge the weight comes to rest within this."""
    release_kg_s: float
    """[kg/s] Out of the vessel with its valve open."""
    release_lag_s: float
    """[s] From the command to the valve's being shut."""
    tail_s: float
    """[s] The last dust arrives so long after the line's travel."""
    run_down_s: float
    """[s] The blower's way from full speed to rest: rubber goes on moving meanwhile."""
    charge_band: float
    """A charge is right within this share of its target."""
    agree_band: float
    """Hopper and vessel agree within this share of the charge."""
    refill: bool
    """Whether the feeder's refill gate waits for an order: then it fills between charges only."""
