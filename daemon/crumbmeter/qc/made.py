"""What was made over a run of parcels: masses exact in grams, dose, its windows, and how far it may be trusted.

The same value serves a sublot, a lot, a shift and a day. Masses are sums of integers, so that the parts of a lot are
the lot. The dose of a run is its rubber over its mix, never a mean of doses; its scatter is that of windows of a stated
size, one behind the other, because a single parcel is smaller than what the drum mixes.
"""

from collections.abc import Iterable, Sequence
from math import sqrt

from crumbmeter.model.frozen import dataclass
from crumbmeter.process.dose import Mix, dose_of
from crumbmeter.process.params import DoseBasis
from crumbmeter.qc.within import mean_and_s

US_PER_S = 1_000_000
ONE_REFILL_US = 600 * US_PER_S
"""[us] Within this the weighing errors of parcels are one and add up: about one refill falls in it. The same rule as in
the closure of a period (estimation.budget.ONE_REFILL_S; tests/unit/qc/test_made.py holds the two together)."""


@dataclass(frozen=True, slots=True)
class Masses:
    """[g] Sums of parcels: integers, exact."""

    dry_aggregate_g: int = 0
    recycle_g: int = 0
    """[g] Dry recycle with the binder it carries."""
    recycle_binder_g: int = 0
    """[g] Binder carried by the recycle; part of `recycle_g`."""
    virgin_binder_g: int = 0
    rubber_g: int = 0
    target_rubber_g: int = 0

    @property
    def mix_g(self) -> int:
        """[g] Return all of the mix, with its rubber."""
        return self.dry_aggregate_g + self.recycle_g + self.virgin_binder_g + self.rubber_g

    @property
    def binder_g(self) -> int:
        """[g] Return the virgin binder and that of the recycle."""
        return self.virgin_binder_g + self.recycle_binder_g

    @property
    def rubber_error_g(self) -> int:
        """[g] Return rubber over what was asked for; negative where it is short."""
        return self.rubber_g - self.target_rubber_g

    def __add__(self, other: "Masses") -> "Masses":
        return Masses(*[mine + yours for mine, yours in zip(self.grams, other.grams, strict=True)])

    def __sub__(self, other: "Masses") -> "Masses":
        return Masses(*[mine - yours for mine, yours in zip(self.grams, other.grams, strict=True)])

    @property
    def grams(self) -> tuple[int, int, int, int, int, int]:
        """[g] Return the masses in the order of the fields."""
        return (
            self.dry_aggregate_g, self.recycle_g, self.recycle_binder_g, self.virgin_binder_g,
            self.rubber_g, self.target_rubber_g,
        )  # fmt: skip

    def dose(self, basis: DoseBasis) -> float | None:
        """Return the dose made, a fraction in a basis; None where there is nothing to relate the rubber to."""
        return dose_of(basis, self.rubber_g, self._mix())

    def target_dose(self, basis: DoseBasis) -> float | None:
        """Return the dose that was asked for, a fraction in a basis."""
        return dose_of(basis, self.target_rubber_g, self._mix())

    def _mix(self) -> Mix:
        return Mix(self.dry_aggregate_g, self.recycle_g, self.recycle_binder_g, self.virgin_binder_g)


@dataclass(frozen=True, slots=True)
class Window:
    """One window of mix with dose, and its dose."""

    first_parcel: int
    last_parcel: int
    last_seq: int
    """Entry of its last parcel in the record."""
    ended_us: int
    """[us] UTC since 1970 at which its last mass passed the outlet."""
    mix_g: int
    rubber_g: int
    target_rubber_g: int
    basis: DoseBasis
    dose: float
    """Fraction in `basis`."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Doses of windows, all in one basis."""

    n: int
    mean: float
    s: float | None
    """Standard deviation with n - 1; None for one window."""
    least: float
    greatest: float


def scatter_of(windows: Sequence[Window]) -> Scatter | None:
    """Return the scatter of the windows' doses; None without windows, or where they are of several bases."""
    if not windows or len({window.basis for window in windows}) > 1:
        return None
    doses = [window.dose for window in windows]
    mean, s = mean_and_s(doses) if len(doses) > 1 else (doses[0], None)
    return Scatter(len(doses), mean, s, min(doses), max(doses))


@dataclass(frozen=True, slots=True)
class Made:
    """What the record says of a run of parcels."""

    first_parcel: int
    last_parcel: int
    first_seq: int
    """Entry of its first parcel in the record."""
    last_seq: int
    began_us: int
    """[us] UTC since 1970 at which its first mass passed the outlet."""
    ended_us: int
    parcels: int
    masses: Masses
    """Of all parcels, whatever they are: parts add up to the whole."""
    judged: Masses
    """Of mix with dose, without what was left out and without simulated parcels of a real site: what the dose is of."""
    left_out: Masses
    """Of parcels that quality control left out (waste, by its word)."""
    good_g: int
    """[g] Mix of which every input was Good."""
    bad_g: int
    """[g] Mix with a Bad input."""
    simulated_g: int
    """[g] Mix with an input from a simulator."""
    uncontrolled_g: int
    """[g] Mix made while crumbmeter only watched."""
    clock_doubtful: int
    """Parcels whose times may not be trusted."""
    mix_ids: tuple[str, ...]
    """In the order in which they first appear."""
    bases: tuple[DoseBasis, ...]
    """Bases in which its judged mix was dosed, or the one that was asked for."""
    settings_ids: tuple[str, ...]
    errors_g: tuple[tuple[int, int], ...]
    """Weighing uncertainty: number of each ten minutes, and the sum [g] of its parcels' standard uncertainties."""
    windows: tuple[Window, ...]

    @property
    def mix_g(self) -> int:
        """[g] Return all of the mix."""
        return self.masses.mix_g

    @property
    def dosed_g(self) -> int:
        """[g] Return the mix with dose that is judged."""
        return self.judged.mix_g

    @property
    def good_percent(self) -> float:
        """[%] Return the share of the mix of which every input was Good; 0 where there is none."""
        return 100.0 * self.good_g / self.mix_g if self.mix_g else 0.0

    @property
    def basis(self) -> DoseBasis | None:
        """Return the basis of the dose; None where there are none or several: then there is no one dose."""
        return self.bases[0] if len(self.bases) == 1 else None

    @property
    def mean_dose(self) -> float | None:
        """Return rubber over mix of all that is judged, a fraction in `basis`."""
        return None if self.basis is None else self.judged.dose(self.basis)

    @property
    def target_dose(self) -> float | None:
        """Return what was asked for over the same mix."""
        return None if self.basis is None else self.judged.target_dose(self.basis)

    @property
    def relative_error(self) -> float | None:
        """Return the rubber over what was asked for, less one; it needs no basis. None where none was asked for."""
        return self.judged.rubber_error_g / self.judged.target_rubber_g if self.judged.target_rubber_g else None

    @property
    def scatter(self) -> Scatter | None:
        """Return the scatter of the windows."""
        return scatter_of(self.windows)

    @property
    def rubber_uncertainty_g(self) -> float:
        """[g] Return the standard uncertainty (k=1) of all its rubber by weighing, without the hopper scale's span.

        Errors of parcels add up within ten minutes and are independent beyond (see `ONE_REFILL_US`).
        """
        return sqrt(sum([error_g * error_g for _, error_g in self.errors_g]))


def joined(parts: Sequence[Made]) -> Made:
    """Put runs that follow each other together.

    Raises:
        ValueError: there are none.
    """
    if not parts:
        raise ValueError("nothing to put together: a run has at least one parcel")
    errors: dict[int, int] = {}
    for part in parts:
        for number, error_g in part.errors_g:
            errors[number] = errors.get(number, 0) + error_g
    first, last = parts[0], parts[-1]
    return Made(
        first_parcel=first.first_parcel,
        last_parcel=last.last_parcel,
        first_seq=first.first_seq,
        last_seq=last.last_seq,
        began_us=first.began_us,
        ended_us=last.ended_us,
        parcels=sum(part.parcels for part in parts),
        masses=sum((part.masses for part in parts), Masses()),
        judged=sum((part.judged for part in parts), Masses()),
        left_out=sum((part.left_out for part in parts), Masses()),
        good_g=sum(part.good_g for part in parts),
        bad_g=sum(part.bad_g for part in parts),
        simulated_g=sum(part.simulated_g for part in parts),
        uncontrolled_g=sum(part.uncontrolled_g for part in parts),
        clock_doubtful=sum(part.clock_doubtful for part in parts),
        mix_ids=_each_once(name for part in parts for name in part.mix_ids),
        bases=tuple(dict.fromkeys(basis for part in parts for basis in part.bases)),
        settings_ids=_each_once(name for part in parts for name in part.settings_ids),
        errors_g=tuple(errors.items()),
        windows=tuple(window for part in parts for window in part.windows),
    )


def _each_once(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))
