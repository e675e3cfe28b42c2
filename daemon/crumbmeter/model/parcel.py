"""The mix parcel: about 250 kg of mix as it left the drum. The unit of record; nothing else is summed twice."""

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality


@dataclass(frozen=True, slots=True)
class Parcel:
    """One quantity of mix at the drum's outlet. Masses are whole grams: they add without rounding for ever."""

    number: int
    """Counts up by one from the first parcel of this journal; never reused."""
    began_s: float
    """[s] Process time at which its first mass passed the outlet."""
    ended_s: float
    """[s] Process time at which its last mass passed the outlet."""
    mix_id: str
    """The mix that governed the greatest share of it."""
    dose_basis: str
    dose_target: float
    """Dose of that mix as a fraction in `dose_basis`; 0 for a mix without rubber."""
    target_rubber_g: int
    """[g] Rubber that the dose asked for, for the indicated masses."""
    rubber_g: int
    """[g] Rubber in it by the estimator, without correction."""
    rubber_uncertainty_g: int
    """[g] Standard uncertainty of `rubber_g` (k=1)."""
    dry_aggregate_g: int
    """[g] Sum of the virgin dry streams."""
    recycle_g: int
    """[g] Dry recycle (RAP and RAS), with the binder they carry."""
    recycle_binder_g: int
    """[g] Binder carried by the recycle; part of `recycle_g`."""
    virgin_binder_g: int
    quality: Quality
    """Worst quality of any input that made it."""
    worst_state: str
    """Run state that governed its worst rubber."""
    controlled: bool
    """Whether crumbmeter wrote the setpoint (true) or only watched (false)."""
    simulated: bool
    """Whether any input came from a simulator: such a parcel never enters a statistic."""

    @property
    def mix_without_rubber_g(self) -> int:
        """[g] Dry aggregate, recycle and virgin binder."""
        return self.dry_aggregate_g + self.recycle_g + self.virgin_binder_g

    @property
    def mix_g(self) -> int:
        """[g] All of it."""
        return self.mix_without_rubber_g + self.rubber_g
