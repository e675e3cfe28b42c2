"""Charts as SVG: vectors, and the same bytes for the same figures."""

import io

import matplotlib as mpl
from matplotlib.figure import Figure


def svg(figure: Figure) -> bytes:
    """Write a figure as SVG without date and with ids that do not change."""
    out = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "crumbmeter", "svg.fonttype": "path"}):
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
