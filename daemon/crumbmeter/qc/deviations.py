"""Deviations: stretches of mix whose rubber was not what was asked for, found in the parcels: by mix, not by time.

The mix is judged as control judges it, in windows of the newest parcels that together reach the window's mass (5 t
unless the plan says otherwise): a parcel alone is too small for its rubber to be known. A window is out of tolerance
when its rubber is short or over by more than the tolerance, in percent of the rubber that was asked for (common
practice: the class of the fibre rules; no agency gives a figure for rubber). Windows that follow each other out of
tolerance on the same side make one deviation. It holds their parcels, less those at its two ends that were inside by
themselves.
"""

from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked, unbroken

DOSE_UNASKED: Final = 0.005
"""Mix without a dose is held against the rubber that mix with one usually has (10 lb/short ton, common practice)."""
LEAST_UNASKED_G: Final = 250
"""[g] Ours: less than this behind the last rubber of a run is what the weighing cannot tell."""


class Kind(StrEnum):
    """What was wrong with the rubber of a stretch of mix."""

    SHORT = "rubber short"
    OVER = "rubber over"
    NOT_ASKED = "rubber not asked for"
    NOT_PROVEN = "not proven"
    """Inputs were Bad: the masses are an estimate that nobody may rely on."""
    NOT_RECORDED = "not recorded"
    """Parcels are missing in the record: what was made is not known."""


@dataclass(frozen=True, slots=True)
class DeviationRule:
    """When mix is out of tolerance."""

    within: float
    """Largest relative error of the rubber in a window, as a fraction; an error of exactly this is inside."""
    window_g: int
    """[g] Mix over which the error is judged."""


@dataclass(frozen=True, slots=True)
class Deviation:
    """One stretch of mix out of tolerance. Its parcels follow each other; masses are sums of theirs, in grams."""

    kind: Kind
    mix_ids: tuple[str, ...]
    first_number: int
    last_number: int
    first_seq: int
    last_seq: int
    began_us: int
    """[us] UTC at which its first mass passed the drum's outlet."""
    ended_us: int
    parcels: int
    mix_g: int
    rubber_g: int
    target_rubber_g: int
    rubber_uncertainty_g: int
    """[g] Standard uncertainty (k=1): parcels of one stretch share their weighing, so theirs are added."""
    worst: float | None
    """Relative error of its worst window; None where no rubber was asked for or the rubber is not known."""
    good_g: int
    """[g] Mix made with Good inputs."""
    bad_g: int
    """[g] Mix made with a Bad input."""
    worst_states: tuple[str, ...]
    """Run states that governed it, in their order."""
    controlled: bool
    """Whether crumbmeter wrote the setpoint for all of it."""
    simulated: bool

    @property
    def deviation_id(self) -> str:
        """Return its name: it follows from its first parcel and kind, so that it is the same in every report."""
        return f"D{self.first_number}-{_SUFFIX[self.kind]}"

    @property
    def off_g(self) -> int:
        """[g] Rubber over (positive) or short (negative)."""
        return self.rubber_g - self.target_rubber_g

    @property
    def off(self) -> float | None:
        """Rubber over or short as a fraction of what was asked for; None where nothing was."""
        return self.off_g / self.target_rubber_g if self.target_rubber_g else None


_SIDES = {1: Kind.OVER, -1: Kind.SHORT}
_SUFFIX = {
    Kind.SHORT: "short", Kind.OVER: "over", Kind.NOT_ASKED: "unasked", Kind.NOT_PROVEN: "unproven",
    Kind.NOT_RECORDED: "unrecorded",
}  # fmt: skip


def find_deviations(parcels: Iterable[Booked], rule: DeviationRule) -> Iterator[Deviation]:
    """Yield the deviations of a range of parcels, in the order of their ends.

    A window never reaches over a gap in the numbers, nor from mix with a dose into mix without one. A stretch shorter
    than the window is judged as a whole.
    """
    stretch: list[Booked] = []
    for one in parcels:
        if stretch and not _continues(stretch[-1], one):
            yield from _judge(stretch, rule)
            before = stretch[-1]
            stretch = []
            if one.parcel.number != before.parcel.number + 1:
                yield _missing(before, one)
        stretch.append(one)
    yield from _judge(stretch, rule)


def _continues(before: Booked, one: Booked) -> bool:
    """Tell whether a parcel belongs to the stretch that is judged together."""
    return one.parcel.number == before.parcel.number + 1 and _judged_as(one) == _judged_as(before)


def _judged_as(one: Booked) -> tuple[bool, bool]:
    return one.parcel.quality is Quality.BAD, one.parcel.target_rubber_g > 0


def _judge(stretch: list[Booked], rule: DeviationRule) -> Iterator[Deviation]:
    if not stretch:
        return
    bad, dosed = _judged_as(stretch[0])
    if bad:
        yield _deviation(Kind.NOT_PROVEN, stretch, None)
    elif dosed:
        yield from _out_of_tolerance(stretch, rule)
    else:
        asked = [one for one in stretch if one.parcel.rubber_g > rule.within * DOSE_UNASKED * one.parcel.mix_g]
        for run in unbroken(asked):
            if sum(one.parcel.rubber_g for one in run) > LEAST_UNASKED_G:
                yield _deviation(Kind.NOT_ASKED, run, None)


def _out_of_tolerance(stretch: list[Booked], rule: DeviationRule) -> Iterator[Deviation]:
    """Join windows on the same side, and trim what was inside by itself. No parcel lies in two deviations."""
    side, first, last, worst, taken = 0, 0, 0, 0.0, 0
    for begin, end, error in _windows(stretch, rule.window_g):
        now = 0 if abs(error) <= rule.within else 1 if error > 0.0 else -1
        if side and now == 0 and begin <= last + 1:
            continue  # a window that still holds some of it
        if side and (now != side or begin > last + 1):
            low, high = _trimmed(stretch, first, last, side, rule)
            yield _deviation(_SIDES[side], stretch[low : high + 1], worst)
            side, taken = 0, high + 1
        if now and not side:
            side, first, worst = now, max(begin, taken), error
        if now:
            last, worst = end, max(worst, error, key=abs)
    if side:
        low, high = _trimmed(stretch, first, last, side, rule)
        yield _deviation(_SIDES[side], stretch[low : high + 1], worst)


def _windows(stretch: list[Booked], window_g: int) -> Iterator[tuple[int, int, float]]:
    """Yield first and last index and relative error of each window: the fewest newest parcels that reach its mass."""
    begin, mix_g, rubber_g, target_g = 0, 0, 0, 0
    judged = False
    for end, one in enumerate(stretch):
        mix_g, rubber_g = mix_g + one.parcel.mix_g, rubber_g + one.parcel.rubber_g
        target_g += one.parcel.target_rubber_g
        while begin < end and mix_g - stretch[begin].parcel.mix_g >= window_g:
            gone = stretch[begin].parcel
            mix_g, rubber_g, target_g = mix_g - gone.mix_g, rubber_g - gone.rubber_g, target_g - gone.target_rubber_g
            begin += 1
        if mix_g >= window_g:
            judged = True
            yield begin, end, rubber_g / target_g - 1.0
    if not judged:
        yield 0, len(stretch) - 1, rubber_g / target_g - 1.0


def _trimmed(stretch: list[Booked], first: int, last: int, side: int, rule: DeviationRule) -> tuple[int, int]:
    """Return the first and the last parcel that was out on that side by itself; all of it where none was."""
    out = [
        place
        for place in range(first, last + 1)
        if side * (stretch[place].parcel.rubber_g - stretch[place].parcel.target_rubber_g)
        > rule.within * stretch[place].parcel.target_rubber_g
    ]
    return (out[0], out[-1]) if out else (first, last)


def _deviation(kind: Kind, run: list[Booked], worst: float | None) -> Deviation:
    first, last = run[0], run[-1]
    parcels = [one.parcel for one in run]
    return Deviation(
        kind=kind,
        mix_ids=tuple(dict.fromkeys(one.mix_id for one in parcels)),
        first_number=first.parcel.number,
        last_number=last.parcel.number,
        first_seq=first.seq,
        last_seq=last.seq,
        began_us=first.began_us,
        ended_us=last.ended_us,
        parcels=len(run),
        mix_g=sum(one.mix_g for one in parcels),
        rubber_g=sum(one.rubber_g for one in parcels),
        target_rubber_g=sum(one.target_rubber_g for one in parcels),
        rubber_uncertainty_g=sum(one.rubber_uncertainty_g for one in parcels),
        worst=worst,
        good_g=sum(one.mix_g for one in parcels if one.quality is Quality.GOOD),
        bad_g=sum(one.mix_g for one in parcels if one.quality is Quality.BAD),
        worst_states=tuple(dict.fromkeys(one.worst_state for one in parcels)),
        controlled=all(one.controlled for one in parcels),
        simulated=any(one.simulated for one in parcels),
    )


def _missing(before: Booked, after: Booked) -> Deviation:
    """Make the deviation of parcels that are not in the record: only how many, and when."""
    return Deviation(
        kind=Kind.NOT_RECORDED, mix_ids=(), first_number=before.parcel.number + 1, last_number=after.parcel.number - 1,
        first_seq=before.seq, last_seq=after.seq, began_us=before.ended_us, ended_us=after.began_us,
        parcels=after.parcel.number - before.parcel.number - 1, mix_g=0, rubber_g=0, target_rubber_g=0,
        rubber_uncertainty_g=0, worst=None, good_g=0, bad_g=0, worst_states=(), controlled=False,
        simulated=before.parcel.simulated,
    )  # fmt: skip
