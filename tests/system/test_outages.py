"""Five outages of each kind: every link is back in time, and nothing piles up."""

from pathlib import Path

import pytest

from tests.campaigns import outages

EACH = 5
LONGEST_S = 8.0
"""[s] Process time of the longest outage; the campaign (`python -m tests.campaigns outages`) has longer ones."""


@pytest.mark.slow
async def test_every_link_comes_back_by_itself(tmp_path: Path) -> None:
    result = await outages.run(EACH, 7, outages.KINDS, tmp_path, LONGEST_S)
    assert set(result["kinds"]) == set(outages.KINDS)
    for kind, figures in result["kinds"].items():
        assert figures["outages"] == EACH, kind
        assert figures["never_back"] == 0, (kind, figures)
        assert figures["within_cap_scan_and_one_exchange"] == EACH, (kind, figures)
    before, after = result["at_a_quarter"], result["at_the_end"]
    assert after["tasks"] == before["tasks"]
    assert after["file_descriptors"] == before["file_descriptors"]
