"""The sixteen anomaly counts in small, from runs made here; the campaigns' share comes from their files."""

import pytest

from tests.campaigns import anomalies

LATER = {9, 10, 11, 12, 14}


@pytest.mark.slow
def test_sixteen_counts_and_none_of_them_seen() -> None:
    counts = anomalies.gather(share=0.05)
    assert [count.number for count in counts] == list(range(1, 17))
    assert {count.number for count in counts if count.seen is None} == LATER
    seen = {count.what: count.seen for count in counts if count.seen}
    assert seen == {}
    assert all(count.exposures > 0 for count in counts if count.number not in LATER)
    assert all("95 % <" in count.told() for count in counts if count.number not in LATER)
