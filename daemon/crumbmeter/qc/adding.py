"""Adding parcels up, one after the other: the inner loop of every lot, shift and day, kept fast and exact."""

from crumbmeter.model.quality import Quality
from crumbmeter.process.params import DoseBasis
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.made import ONE_REFILL_US, Made, Masses, Window

Sums = tuple[int, int, int, int, int, int]
_NONE: Sums = (0, 0, 0, 0, 0, 0)


class UnknownBasisError(ValueError):
    """A parcel's dose is in a basis that this program does not know."""


class Adding:
    """One run of parcels in the making.

    A window begins at the run's first judged parcel and is full at the end of the parcel that brings it to its size.
    Another mix, other settings, a parcel that is not judged and the run's end begin it anew: what it held is then in no
    window.
    """

    def __init__(self, window_g: int, basis: DoseBasis | None, *, simulated_site: bool) -> None:
        """Begin with nothing.

        Args:
            window_g: [g] Mix of one window.
            basis: In which doses are reckoned; None: in that of each mix.
            simulated_site: Whether simulated parcels are judged like any other.
        """
        self._window_g, self._basis, self._simulated_site = window_g, basis, simulated_site
        self._first: Booked | None = None
        self._last: Booked | None = None
        self._last_settings: str | None = None
        self.parcels = 0
        self.mix_g = 0
        self._aggregate_g = self._recycle_g = self._recycle_binder_g = self._binder_g = 0
        self._rubber_g = self._target_g = 0
        self._by_quality_g = [0, 0, 0]
        self._not_judged, self._left_out = Masses(), Masses()
        self._simulated_g = self._uncontrolled_g = self._doubtful = 0
        self._mixes: dict[str, None] = {}
        self._bases: dict[str, None] = {}
        self._settings: dict[str, None] = {}
        self._errors_g: dict[int, int] = {}
        self._windows: list[Window] = []
        self._window_mix_id: str | None = None
        self._window_from: tuple[int, Sums] = (0, _NONE)
        self._window_first = 0

    def add(self, one: Booked, *, left_out: bool = False) -> int:
        """Take the next parcel.

        Args:
            one: It.
            left_out: Whether quality control left it out.

        Returns:
            [g] Mix of it.
        """
        parcel = one.parcel
        rubber_g, target_g = parcel.rubber_g, parcel.target_rubber_g
        aggregate_g, recycle_g, binder_g = parcel.dry_aggregate_g, parcel.recycle_g, parcel.virgin_binder_g
        mix_g = aggregate_g + recycle_g + binder_g + rubber_g
        judged = (rubber_g > 0 or target_g > 0) and not left_out and (self._simulated_site or not parcel.simulated)
        if one.settings_id != self._last_settings:
            self._begin(one)
        if judged and parcel.mix_id != self._window_mix_id:
            self._begin_window(one)
        self._last = one
        self.parcels += 1
        self.mix_g += mix_g
        self._aggregate_g += aggregate_g
        self._recycle_g += recycle_g
        self._recycle_binder_g += parcel.recycle_binder_g
        self._binder_g += binder_g
        self._rubber_g += rubber_g
        self._target_g += target_g
        self._by_quality_g[parcel.quality] += mix_g
        number = one.ended_us // ONE_REFILL_US
        self._errors_g[number] = self._errors_g.get(number, 0) + parcel.rubber_uncertainty_g
        if parcel.simulated or not parcel.controlled or not one.clock_synced:
            self._mark(one, mix_g)
        if not judged:
            self._pass_over(one, left_out=left_out)
        elif self.mix_g - self._window_from[0] >= self._window_g:
            self._close_window(one)
        return mix_g

    def _begin(self, one: Booked) -> None:
        """Take note of the run's first parcel, and of other settings: they begin a window too."""
        self._first = self._first or one
        self._last_settings = one.settings_id
        self._settings[one.settings_id] = None
        self._window_mix_id = None

    def _mark(self, one: Booked, mix_g: int) -> None:
        self._simulated_g += mix_g if one.parcel.simulated else 0
        self._uncontrolled_g += 0 if one.parcel.controlled else mix_g
        self._doubtful += not one.clock_synced

    def _pass_over(self, one: Booked, *, left_out: bool) -> None:
        parcel = one.parcel
        self._mixes[parcel.mix_id] = None
        masses = Masses(
            parcel.dry_aggregate_g, parcel.recycle_g, parcel.recycle_binder_g, parcel.virgin_binder_g,
            parcel.rubber_g, parcel.target_rubber_g,
        )  # fmt: skip
        self._not_judged += masses
        if left_out:
            self._left_out += masses
        self._window_mix_id = None

    def _sums(self) -> Sums:
        return (
            self._aggregate_g, self._recycle_g, self._recycle_binder_g, self._binder_g, self._rubber_g, self._target_g
        )  # fmt: skip

    def _begin_window(self, one: Booked) -> None:
        """Begin a window with this parcel, before it is added."""
        parcel = one.parcel
        self._mixes[parcel.mix_id] = None
        self._bases[parcel.dose_basis] = None
        self._window_mix_id = parcel.mix_id
        self._window_first = parcel.number
        self._window_from = (self.mix_g, self._sums())

    def _close_window(self, one: Booked) -> None:
        """Keep the window that this parcel has filled; the next judged parcel begins another."""
        masses = Masses(*self._sums()) - Masses(*self._window_from[1])
        basis = self._basis or basis_of(one)
        dose = masses.dose(basis)
        if dose is not None:
            made = (masses.mix_g, masses.rubber_g, masses.target_rubber_g)
            window = Window(self._window_first, one.parcel.number, one.seq, one.ended_us, *made, basis, dose)
            self._windows.append(window)
        self._window_mix_id = None

    def made(self) -> Made:
        """Return what was made.

        Raises:
            ValueError: no parcel was added.
            UnknownBasisError: a parcel's basis is none.
        """
        if self._first is None or self._last is None:
            raise ValueError("a run has at least one parcel")
        masses = Masses(*self._sums())
        return Made(
            first_parcel=self._first.parcel.number,
            last_parcel=self._last.parcel.number,
            first_seq=self._first.seq,
            last_seq=self._last.seq,
            began_us=self._first.began_us,
            ended_us=self._last.ended_us,
            parcels=self.parcels,
            masses=masses,
            judged=masses - self._not_judged,
            left_out=self._left_out,
            good_g=self._by_quality_g[Quality.GOOD],
            bad_g=self._by_quality_g[Quality.BAD],
            simulated_g=self._simulated_g,
            uncontrolled_g=self._uncontrolled_g,
            clock_doubtful=self._doubtful,
            mix_ids=tuple(self._mixes),
            bases=self._used_bases(),
            settings_ids=tuple(self._settings),
            errors_g=tuple(self._errors_g.items()),
            windows=tuple(self._windows),
        )

    def _used_bases(self) -> tuple[DoseBasis, ...]:
        if self._basis is not None:
            return (self._basis,) if self._bases else ()
        return tuple(_basis(name, f"parcels of {', '.join(self._mixes)}") for name in self._bases)


def basis_of(one: Booked) -> DoseBasis:
    """Return the basis of a parcel's dose.

    Raises:
        UnknownBasisError: it is none.
    """
    return _basis(one.parcel.dose_basis, f"parcel {one.parcel.number} (record {one.seq})")


def _basis(name: str, place: str) -> DoseBasis:
    try:
        return DoseBasis(name)
    except ValueError:
        known = ", ".join(DoseBasis)
        raise UnknownBasisError(
            f"{place}: the dose is in {name!r}, which is no basis ({known}); name a basis for the report"
        ) from None
