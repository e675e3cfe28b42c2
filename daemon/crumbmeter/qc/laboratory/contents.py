"""Binder content and gradation of a mix with rubber: what each method measures, and what must be known to compare it.

Mass balances (DERIVED), as shares of the whole mix, B binder, R rubber, A aggregate, A + B + R = 1:

    ignition oven (AASHTO T 308)      loss = B + c + b R         so  B = loss - c - b R
    solvent (AASHTO T 164)            extracted = B + e R        so  B = extracted - e R

The oven burns the share b of the rubber (most of it; its ash stays) and the share c of the mix as aggregate that
breaks down or calcines. The solvent dissolves the share e of the rubber (its oils) and leaves the rest in the
aggregate. Neither b, c nor e can be known but from specimens of this very mix with known binder and rubber. So without
a correction for this mix and this method the comparison is refused: 0.5 % of rubber that burns would pass as 0.5 % of
binder, more than the tolerance of any job. A mix without rubber is compared as it stands, with its own c where one is
given.

The job mix formula gives binder as a share of the mix *without* rubber, as crumbmeter does: B / (1 - R).

What stays behind a solvent carries (1 - e) R of rubber. With g_i the share of the rubber that passes sieve i and
S = A + (1 - e) R the mass sieved, the aggregate alone passes by  (p_i S - g_i (1 - e) R) / A.
"""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Final

from crumbmeter.model.frozen import dataclass

SIEVES_MM: Final = (37.5, 25.0, 19.0, 12.5, 9.5, 4.75, 2.36, 1.18, 0.6, 0.3, 0.15, 0.075)
"""[mm] Openings of the usual series (ASTM E11)."""
RUBBER_NOTE: Final = (
    "Rubber has less than half the density of stone: by mass it is seen as less than it fills. Its grains swell in "
    "binder and stick together, so that they lie on coarser sieves than they were fed on."
)


class ContentMethod(StrEnum):
    """How binder was taken out of the mix."""

    IGNITION = "ignition oven"
    SOLVENT = "solvent extraction"


@dataclass(frozen=True, slots=True)
class MixCorrection:
    """What was found with specimens of known composition of one mix, for one method."""

    mix_id: str
    method: ContentMethod
    rubber_share: float
    """Of the rubber: the share that the oven burns (b), or that the solvent dissolves (e). 0 to 1."""
    aggregate_percent: float = 0.0
    """[% of mix] Aggregate that is lost in the oven (c); 0 for a solvent."""
    source: str = ""
    """Report, date or person it comes from."""


@dataclass(frozen=True, slots=True)
class ContentTest:
    """What one test of a mix measured."""

    mix_id: str
    method: ContentMethod
    measured_percent: float
    """[% of mix] Loss of mass in the oven, or what was extracted, dry."""
    rubber_percent: float
    """[% of mix] Rubber in the sampled tons, by the record."""


@dataclass(frozen=True, slots=True)
class BinderContent:
    """Binder of the mix, corrected."""

    of_mix_percent: float
    of_mix_without_rubber_percent: float
    method: str
    """Method and correction, in words."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why no comparison is made, and what would allow it."""

    why: str


@dataclass(frozen=True, slots=True)
class Compared:
    """Binder content beside the job mix formula."""

    found: BinderContent
    target_percent: float
    """[% of mix without rubber]"""
    difference_percent: float
    """[percentage points] Found less target."""
    inside: bool


@dataclass(frozen=True, slots=True)
class Gradation:
    """Shares passing, coarsest sieve first."""

    passing_percent: tuple[tuple[float, float], ...]
    """(opening [mm], passing [%])"""
    note: str = ""


class GradationRefusedError(ValueError):
    """The sieves are no gradation. The message names the sieve and what is wrong with it."""


def binder_content(test: ContentTest, correction: MixCorrection | None) -> BinderContent | Refused:
    """Return the binder of a mix, or why it cannot be told from this test."""
    refused = _refusal(test, correction)
    if refused is not None:
        return refused
    burnt = 0.0 if correction is None else correction.rubber_share * test.rubber_percent
    lost = 0.0 if correction is None else correction.aggregate_percent
    binder = test.measured_percent - lost - burnt
    if binder < 0.0:
        return Refused(
            f"the correction ({lost + burnt:.2f} %) is more than was measured ({test.measured_percent:.2f} %); "
            "see whether the right one was taken"
        )
    words = test.method.value
    if correction is not None:
        words += f", less {lost:.2f} % aggregate and {burnt:.2f} % rubber ({correction.source or 'source not stated'})"
    return BinderContent(binder, 100.0 * binder / (100.0 - test.rubber_percent), words)


def compare(
    test: ContentTest, correction: MixCorrection | None, target_percent: float, tolerance_percent: float
) -> Compared | Refused:
    """Compare a test with the job mix formula.

    Args:
        test: What was measured.
        correction: Of this mix and method; None: there is none.
        target_percent: [% of mix without rubber] Binder by the job mix formula.
        tolerance_percent: [percentage points] Allowed either way.
    """
    found = binder_content(test, correction)
    if isinstance(found, Refused):
        return found
    difference = found.of_mix_without_rubber_percent - target_percent
    return Compared(found, target_percent, difference, abs(difference) <= tolerance_percent)


def gradation(passing_percent: Mapping[float, float], note: str = "") -> Gradation:
    """Put a gradation in order and check it.

    Args:
        passing_percent: [%] By opening [mm].
        note: Anything to be said of it.

    Raises:
        GradationRefusedError: a share is outside 0 to 100 %, or grows towards finer sieves.
    """
    if not passing_percent:
        raise GradationRefusedError("no sieve is given; give opening in mm and percent passing of each")
    ordered = sorted(passing_percent.items(), reverse=True)
    before = 100.0
    for opening_mm, passing in ordered:
        if not (opening_mm > 0.0 and 0.0 <= passing <= 100.0):
            raise GradationRefusedError(f"sieve {opening_mm:g} mm: {passing:g} % passes; it must be 0 to 100 %")
        if passing > before:
            raise GradationRefusedError(
                f"sieve {opening_mm:g} mm: {passing:g} % passes, more than the coarser sieve's {before:g} %"
            )
        before = passing
    return Gradation(tuple(ordered), note)


def without_rubber(
    sieved: Gradation, test: ContentTest, correction: MixCorrection | None, rubber: Gradation | None
) -> Gradation | Refused:
    """Return the gradation of the aggregate alone.

    Args:
        sieved: Of what the method left behind.
        test: The binder test that left it.
        correction: Of this mix and method.
        rubber: Gradation of the rubber as it lies in the extracted aggregate; not needed behind an oven.
    """
    content = binder_content(test, correction)
    if isinstance(content, Refused):
        return content
    if test.rubber_percent == 0.0 or correction is None:
        return sieved
    if test.method is ContentMethod.IGNITION:
        return Gradation(
            sieved.passing_percent, "the oven burns the rubber; its ash lies on the finest sieve and the pan"
        )
    if rubber is None:
        return Refused("the solvent leaves the rubber in the aggregate; its own gradation is needed to take it out")
    left = (1.0 - correction.rubber_share) * test.rubber_percent
    aggregate = 100.0 - test.rubber_percent - content.of_mix_percent
    shares = dict(rubber.passing_percent)
    missing = [opening for opening, _ in sieved.passing_percent if opening not in shares]
    if missing:
        return Refused(f"the rubber's gradation has no sieve of {missing[0]:g} mm; give it on the sieves of the mix")
    corrected = [
        (opening, min(100.0, max(0.0, (passing * (aggregate + left) - shares[opening] * left) / aggregate)))
        for opening, passing in sieved.passing_percent
    ]
    return Gradation(tuple(corrected), RUBBER_NOTE)


def of_the_job(corrections: Sequence[MixCorrection], mix_id: str, method: ContentMethod) -> MixCorrection | None:
    """Return the newest correction of a mix and method; None where there is none."""
    fitting = [one for one in corrections if one.mix_id == mix_id and one.method is method]
    return fitting[-1] if fitting else None


def _refusal(test: ContentTest, correction: MixCorrection | None) -> Refused | None:
    for name, value in (("measured", test.measured_percent), ("rubber", test.rubber_percent)):
        if not 0.0 <= value < 100.0:
            return Refused(f"{name} {value:g} % is no share of a mix; give it in percent of the whole mix")
    if correction is None:
        if test.rubber_percent == 0.0:
            return None
        what = (
            "burns the rubber, which would count as binder"
            if test.method is ContentMethod.IGNITION
            else "leaves the rubber in the aggregate and dissolves part of it"
        )
        return Refused(
            f"{test.method.value}: it {what}, and there is no correction for mix {test.mix_id}. Establish one with "
            "specimens of this mix with known binder and rubber"
        )
    if correction.mix_id != test.mix_id or correction.method is not test.method:
        return Refused(
            f"the correction is for mix {correction.mix_id} by {correction.method.value}, the test is of mix "
            f"{test.mix_id} by {test.method.value}. Give the one of this mix and method"
        )
    if not 0.0 <= correction.rubber_share <= 1.0:
        return Refused(f"the correction's share of rubber is {correction.rubber_share:g}; it must be 0 to 1")
    return None
