"""The site in the commissioning report: where each value lies, whatever the wire."""

import pytest

from crumbmeter.report.commissioning_site import site_blocks
from crumbmeter.report.document import Table
from crumbmeter.site import load
from tests.quality_site import ROOT
from tests.unit.report.production import FRAME


@pytest.mark.parametrize(
    ("name", "where", "kind"),
    [
        ("demo_drum", "input 0", "f32 ABCD"),
        ("demo_serial", "input 0", "f32 ABCD"),
        ("demo_opcua", "nsu=urn:crumbmeter:invented:belt-scale;s=WetFlow", "f32"),
        ("demo_batch", None, None),
    ],
)
def test_every_signal_and_output_has_its_place(name: str, where: str | None, kind: str | None) -> None:
    site = load(ROOT / f"config/sites/{name}.toml")
    tables = {one.title: one for one in site_blocks(FRAME, site, ()) if isinstance(one, Table)}
    signals = tables["Signals"].rows
    assert len(signals) == len(site.params.signals)
    assert len(tables["Outputs: what may be written"].rows) == len(site.params.outputs)
    assert all(row[2] for table in (signals, tables["Outputs: what may be written"].rows) for row in table)
    if where is not None:
        assert signals[0][2:4] == (where, kind)
    assert len(tables["Devices"].rows) == len(site.devices)
