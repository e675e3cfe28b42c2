"""What to feed by hand at which rate of the plant: for the day on which no computer does it. Pure.

The rubber comes from the same functions as the setpoint (`process.dose`), at the streams' normal shares.
"""

from dataclasses import dataclass

from crumbmeter.model.units import UNITS
from crumbmeter.process.dose import rubber_for
from crumbmeter.process.params import MixParams
from crumbmeter.site.figures import mix_of, normal_flows, scaled
from crumbmeter.site.settings import Site

MOST_ROWS = 16
STEPS = (5.0, 10.0, 20.0, 25.0, 50.0, 100.0)
"""Steps of the plant's rate, in the unit of the card; the finest that gives no more than `MOST_ROWS` rows."""


@dataclass(frozen=True, slots=True)
class CardRow:
    """One rate of the plant."""

    mix: float
    """Mix without rubber, in the unit of the card."""
    rubber_kg_s: float
    auger_rpm: float
    can: bool
    """Whether the feeder can: neither above its highest rate and speed nor below its lowest steady speed."""


@dataclass(frozen=True, slots=True)
class Card:
    """One mix."""

    mix_id: str
    title: str
    mix_unit: str
    feed_factor_kg_rev: float
    rows: tuple[CardRow, ...]


def cards(site: Site, feed_factor_kg_rev: float | None = None) -> tuple[Card, ...]:
    """Make a card for each mix with rubber; none at a batch plant, whose charges are masses and not rates.

    Args:
        site: A drum plant.
        feed_factor_kg_rev: [kg/rev] As learned; None: that of the site file.
    """
    params = site.params
    if params.batch is not None:
        return ()
    factor = feed_factor_kg_rev or params.weighing.feed_factor_kg_rev
    unit = "short_ton/h" if site.units == "us" else "tonne/h"
    return tuple(Card(mix.mix_id, mix.title, unit, factor, _rows(site, mix, unit, factor))
                 for mix in params.mixes if mix.dose > 0.0)  # fmt: skip


def _rows(site: Site, mix: MixParams, unit: str, factor: float) -> tuple[CardRow, ...]:
    feed = site.params.feed
    flows = normal_flows(site.params.streams, site.normal.flows_kg_s)
    normal = UNITS[unit].from_si(mix_of(flows, mix.total_binder_content).total)
    rows = []
    for rate in _rates(normal * site.normal.lowest, normal * site.normal.highest):
        parts = mix_of(scaled(flows, rate / normal), mix.total_binder_content)
        rubber_kg_s = rubber_for(mix.dose_basis, mix.dose, parts)
        speed_rev_s = rubber_kg_s / factor
        can = rubber_kg_s <= feed.max_rate_kg_s and feed.min_speed_rev_s <= speed_rev_s <= feed.max_speed_rev_s
        rows.append(CardRow(rate, rubber_kg_s, 60.0 * speed_rev_s, can))
    return tuple(rows)


def _rates(lowest: float, highest: float) -> list[float]:
    """Return round rates that reach from the lowest to the highest."""
    step = next((step for step in STEPS if (highest - lowest) / step <= MOST_ROWS - 2), STEPS[-1])
    first, last = int(lowest // step), -int(-highest // step)
    return [step * number for number in range(max(1, first), last + 1)]
