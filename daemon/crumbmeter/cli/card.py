"""`crumbmeter card SITE`: a card to print and hang beside the feeder, for feeding by hand."""

import json
import sys
from dataclasses import asdict
from pathlib import Path

from crumbmeter.cli.check_text import fill, table
from crumbmeter.cli.display import METRIC, US, amount
from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.site import Site, SiteRefused, load, report
from crumbmeter.site.card import Card, cards

HOW = (
    "Read the plant's rate, set the feeder by hand to the figure beside it, and set it anew at every change of rate. "
    "Rubber set now reaches the mix {delay_s:.0f} s later: change it that much before the material does."
)
CAUTION = (
    "Only where the feeder's own controls and guards work. A panel in manual is no lock-out: lock out and tag out "
    "before anybody opens hopper, auger, airlock or line. Write down when you began and ended, and tell QC."
)


def card(site: Path, factor: float | None = None, *, as_json: bool = False) -> int:
    """Print the cards of a site.

    Args:
        site: The site file.
        factor: [kg/rev] Feed factor as learned (`crumbmeter show` has it); None: that of the site file.
        as_json: Print JSON instead of words.

    Returns:
        Exit code: 0 printed, 2 the site is refused, has no rates, or the factor is none.
    """
    try:
        loaded = load(site)
    except SiteRefused as refused:
        sys.stderr.write(report(refused.problems))
        return REFUSED
    if factor is not None and not 0.0 < factor < float("inf"):
        sys.stderr.write(f"--factor {factor:g}: expected kg a revolution above 0; `crumbmeter show` has it\n")
        return REFUSED
    made = cards(loaded, factor)
    if not made:
        sys.stderr.write(f"{site}: no card: either no mix has rubber, or it is a batch plant (`crumbmeter check`)\n")
        return REFUSED
    said = (
        json.dumps([asdict(one) for one in made], indent=2)
        if as_json
        else "\n\n".join(_words(loaded, one) for one in made)
    )
    sys.stdout.write(said + "\n")
    return OK


def _words(site: Site, one: Card) -> str:
    display = US if site.units == "us" else METRIC
    rows = [[one.mix_unit, display.feed, "auger, rpm", ""]]
    for row in one.rows:
        rubber = amount(row.rubber_kg_s, display.feed, 2).split()[0]
        rows.append([f"{row.mix:.0f}", rubber, f"{row.auger_rpm:.1f}", "" if row.can else "the feeder cannot"])
    delay_s = site.params.line.travel_s + site.params.feed.auger_lag_s
    lines = [
        f"Feeding by hand: {one.title} ({one.mix_id})" + ("  SIMULATED" if site.params.simulated else ""),
        f"{site.title}, settings {site.settings_id[:12]}, {one.feed_factor_kg_rev:.4g} kg a revolution",
        "",
        table(rows, "rrr", 2),
        "",
        fill(HOW.format(delay_s=delay_s)),
        fill(CAUTION),
    ]
    return "\n".join(lines)
