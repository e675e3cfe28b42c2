"""The review of a deviation: what QC says of it, in which order, and what a signature stands over."""

from dataclasses import replace as changed

import pytest

from crumbmeter.model.frozen import replace
from crumbmeter.qc.deviations import Deviation, DeviationRule, find_deviations
from crumbmeter.qc.reviews import (
    Cause,
    Disposition,
    ReviewRefusedError,
    Standing,
    judgement,
    review,
    signature,
)
from crumbmeter.qc.said import Said, Subject
from tests.qc_parcels import booked


@pytest.fixture
def deviation() -> Deviation:
    parcels = [booked(number, rubber_g=0 if 41 <= number <= 46 else 1250) for number in range(1, 101)]
    (one,) = find_deviations(parcels, DeviationRule(0.10, 5_000_000))
    return one


def said(seq: int, **what: object) -> Said:
    return Said(Subject.DEVIATION, "D41-short", what, "ada (qc)", seq * 1_000_000, seq=seq)


def test_a_review_goes_from_open_to_signed(deviation: Deviation) -> None:
    entries: list[Said] = []
    assert review(deviation, entries).standing is Standing.OPEN
    entries.append(said(1, **judgement("bag change", "", "the bag ran out")))
    held = review(deviation, entries)
    assert (held.standing, held.cause, len(held.comments)) == (Standing.CLASSIFIED, Cause.BAG, 1)
    with pytest.raises(ReviewRefusedError, match="no disposition"):
        signature(deviation, held, "reviewed")
    entries.append(said(2, **judgement("", "sample and test", "")))
    held = review(deviation, entries)
    assert (held.standing, held.disposition) == (Standing.DISPOSED, Disposition.TEST)
    entries.append(said(3, **signature(deviation, held, "reviewed and disposed")))
    held = review(deviation, entries)
    assert (held.standing, held.signed) == (Standing.SIGNED, entries[-1])


def test_another_judgement_opens_a_signed_one_again(deviation: Deviation) -> None:
    entries = [said(1, **judgement("refill", "accept", ""))]
    entries.append(said(2, **signature(deviation, review(deviation, entries), "reviewed")))
    entries.append(said(3, **judgement("", "remove and replace", "cores")))
    held = review(deviation, entries)
    assert (held.standing, held.disposition, held.outdated) == (Standing.DISPOSED, Disposition.REPLACE, (entries[1],))


def test_a_signature_stands_over_the_figures_that_were_seen(deviation: Deviation) -> None:
    entries = [said(1, **judgement("refill", "accept", ""))]
    entries.append(said(2, **signature(deviation, review(deviation, entries), "reviewed")))
    other = review(replace(deviation, rubber_g=deviation.rubber_g + 1), entries)
    assert (other.standing, other.signed, other.outdated) == (Standing.DISPOSED, None, (entries[1],))


@pytest.mark.parametrize(
    ("cause", "disposition", "comment", "says"),
    [("", "", "  ", "nothing was said"), ("magic", "", "", "cause: found 'magic'"), ("", "keep", "", "disposition")],
)
def test_what_is_not_in_the_lists_is_refused(cause: str, disposition: str, comment: str, says: str) -> None:
    with pytest.raises(ReviewRefusedError, match=says):
        judgement(cause, disposition, comment)


def test_a_corrected_entry_does_not_count(deviation: Deviation) -> None:
    first = said(1, **judgement("refill", "", ""))
    assert review(deviation, [changed(first, what=judgement("feeder", "", ""))]).cause is Cause.FEEDER
