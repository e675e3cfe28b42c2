"""Deviations of a period out of the record, each with what happened around it and what QC says of it.

A deviation is the same whatever period is asked for: it is looked for from a place on where the mix was sound, so that
neither its beginning nor its name depends on the question.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Final

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import booked, events
from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.circumstances import Circumstances, Happening, circumstances
from crumbmeter.qc.deviations import Deviation, DeviationRule, find_deviations
from crumbmeter.qc.reviews import Review, review
from crumbmeter.qc.said import InForce, Subject

SOUND_WINDOWS: Final = 2
"""So many windows of sound mix part one deviation from the next for certain."""


@dataclass(frozen=True, slots=True)
class Case:
    """A deviation, and all that belongs to it."""

    deviation: Deviation
    around: Circumstances
    review: Review


def cases(
    reader: Reader, said: InForce, rule: DeviationRule, lead_us: int, from_us: int | None, before_us: int | None
) -> list[Case]:
    """Return the deviations that touch a period, in the order of the mix.

    Args:
        reader: The plant's record.
        said: The quality record.
        rule: When mix is out of tolerance.
        lead_us: [us] So long before a deviation its cause may lie.
        from_us: [us] UTC; None: from the beginning of the record.
        before_us: [us] UTC; None: to its end.
    """
    found = deviations(reader, rule, from_us, before_us)
    if not found:
        return []
    told = _happenings(reader, found[0].began_us - lead_us, found[-1].ended_us + 1)
    return [
        Case(
            one,
            circumstances(one, told, lead_us),
            review(one, said.of(Subject.DEVIATION, one.deviation_id)),
        )
        for one in found
    ]


def deviations(reader: Reader, rule: DeviationRule, from_us: int | None, before_us: int | None) -> list[Deviation]:
    """Return the deviations that touch a period, each whole, also where it began before or ends after it."""
    parcels = _with_their_ends(reader, rule, from_us, before_us)
    return [
        one
        for one in find_deviations(parcels, rule)
        if (from_us is None or one.ended_us >= from_us) and (before_us is None or one.began_us < before_us)
    ]


def _with_their_ends(
    reader: Reader, rule: DeviationRule, from_us: int | None, before_us: int | None
) -> Iterator[Booked]:
    """Yield the parcels of a period, with as many before and behind as it takes to reach sound mix."""
    head: list[Booked] = []
    after_seq = None
    if from_us is not None:
        back = booked.iterate(reader, before_wall_us=from_us, newest_first=True)
        head = list(_until_sound(back, rule))[::-1]
        after_seq = head[-1].seq if head else None
    found = chain(
        head, booked.iterate(reader, after_seq=after_seq, from_wall_us=None if after_seq is not None else from_us)
    )
    if before_us is None:
        yield from found
        return
    for one in found:
        if one.began_us >= before_us:
            yield from _until_sound(chain([one], found), rule)
            return
        yield one


def _until_sound(parcels: Iterable[Booked], rule: DeviationRule) -> Iterator[Booked]:
    """Yield parcels until windows of sound mix have gone by."""
    sound_g = 0
    for one in parcels:
        yield one
        sound_g = sound_g + one.parcel.mix_g if _sound(one, rule) else 0
        if sound_g >= SOUND_WINDOWS * rule.window_g:
            return


def _sound(one: Booked, rule: DeviationRule) -> bool:
    parcel = one.parcel
    off_g = abs(parcel.rubber_g - parcel.target_rubber_g)
    return parcel.quality is not Quality.BAD and off_g <= rule.within * parcel.target_rubber_g


def _happenings(reader: Reader, from_us: int, before_us: int) -> list[Happening]:
    found = events.iterate(reader, from_wall_us=from_us, before_wall_us=before_us)
    return [Happening(one.stored.wall_us, one.stored.seq, one.event.name, dict(one.event.detail)) for one in found]
