"""The table of everything for which a site is refused or doubted. `docs/refusals.md` is written from it. Pure data."""

from crumbmeter.site.refusals.doubts import DOUBTS
from crumbmeter.site.refusals.files import FILES
from crumbmeter.site.refusals.kind import Refusal
from crumbmeter.site.refusals.links import LINKS
from crumbmeter.site.refusals.outputs import OUTPUTS
from crumbmeter.site.refusals.plant import PLANT

__all__ = ["REFUSALS", "Refusal"]

REFUSALS: dict[str, Refusal] = {**FILES, **LINKS, **OUTPUTS, **PLANT, **DOUBTS}
"""By code, in the order in which the reference lists them."""
