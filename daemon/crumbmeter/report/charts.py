"""A chart of a document as a drawing: readable in black and white, the same bytes for the same figures."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from matplotlib import dates
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from crumbmeter.report.document import Chart, Drawn, Limit, Moment, Series
from crumbmeter.report.drawing import svg

_DATES: Final[Any] = dates  # it states no types
INKS: Final = ("#1f4e79", "#b45f06", "#38761d", "#741b47")
"""Of one series after the other; they differ in lightness too."""
DASHES: Final[tuple[Any, ...]] = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (4, 1.5, 1, 1.5)))
LIMIT_INK: Final = "#8a1c1c"
GREY: Final = "#555555"
FEW: Final = 60
"""Points up to which each has its dot."""
INCH_MM: Final = 25.4


def draw(chart: Chart, width_mm: float = 174.0, height_mm: float = 62.0) -> bytes:
    """Draw a chart as SVG.

    Args:
        chart: What to draw.
        width_mm: [mm] Width on the paper.
        height_mm: [mm] Height on the paper.
    """
    figure = Figure(figsize=(width_mm / INCH_MM, height_mm / INCH_MM), layout="constrained")
    axes = figure.add_subplot()
    _frame(axes, chart)
    for index, series in enumerate(chart.series):
        _series(axes, series, index)
    for limit in chart.limits:
        _limit(axes, limit)
    for place, moment in enumerate(chart.moments):
        _moment(axes, moment, first=place == 0)
    _scale_x(axes, chart.series)
    if len(chart.series) > 1:
        figure.legend(loc="outside upper right", ncols=len(chart.series), fontsize=7, frameon=False, borderpad=0.1)
    return svg(figure)


def _frame(axes: Axes, chart: Chart) -> None:
    axes.set_xlabel(chart.x_label, fontsize=7.5, color=GREY)
    axes.set_ylabel(chart.y_label, fontsize=7.5, color=GREY)
    axes.tick_params(labelsize=7, colors=GREY, length=2.5, width=0.5)
    axes.grid(visible=True, axis="y", color="#dddddd", linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set(color="#999999", linewidth=0.6)
    axes.yaxis.set_major_locator(MaxNLocator(6))
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.margins(x=0.01, y=0.08)


def _series(axes: Axes, series: Series, index: int) -> None:
    ink, dash = INKS[index % len(INKS)], DASHES[index % len(DASHES)]
    x = _numbers(series.x)
    y = [float("nan") if value is None else value for value in series.y]
    dot = "o" if len(x) <= FEW or series.drawn is Drawn.POINTS else ""
    look: dict[str, Any] = {"color": ink, "linewidth": 0.9, "marker": dot, "markersize": 2.4, "label": series.name}
    match series.drawn:
        case Drawn.STEP:
            axes.step(x, y, where="post", **look | {"linestyle": dash, "marker": ""})
        case Drawn.POINTS:
            axes.plot(x, y, **look | {"linestyle": "none"})
        case Drawn.LINE:
            axes.plot(x, y, **look | {"linestyle": dash})
    if series.marked:
        axes.plot(
            [x[at] for at in series.marked], [y[at] for at in series.marked],
            linestyle="none", marker="s", markersize=5.5, markerfacecolor="none", markeredgecolor=LIMIT_INK,
            markeredgewidth=0.9,
        )  # fmt: skip


def _limit(axes: Axes, limit: Limit) -> None:
    ink, dash = (GREY, "-") if limit.centre else (LIMIT_INK, (0, (4, 2)))
    axes.axhline(limit.y, color=ink, linestyle=dash, linewidth=0.7)
    axes.annotate(
        limit.name, (1.0, limit.y), xycoords=("axes fraction", "data"), xytext=(3, 0), textcoords="offset points",
        fontsize=6.5, color=ink, va="center", annotation_clip=False, parse_math=False,
    )  # fmt: skip


def _moment(axes: Axes, moment: Moment, *, first: bool) -> None:
    axes.axvline(moment.x, color=GREY, linestyle=(0, (4, 2)), linewidth=0.7)
    axes.annotate(
        moment.name, (moment.x, 1.0), xycoords=("data", "axes fraction"), xytext=(-2 if first else 2, 1),
        textcoords="offset points", fontsize=6.5, color=GREY, va="bottom", ha="right" if first else "left",
        annotation_clip=False, parse_math=False,
    )  # fmt: skip


def _scale_x(axes: Axes, drawn: Sequence[Series]) -> None:
    first = next((series.x[0] for series in drawn if len(series.x)), None)
    if isinstance(first, datetime):
        locator = _DATES.AutoDateLocator(tz=first.tzinfo, minticks=4, maxticks=9)
        axes.xaxis.set_major_locator(locator)
        formatter = _DATES.ConciseDateFormatter(locator, tz=first.tzinfo, show_offset=False)
        axes.xaxis.set_major_formatter(formatter)
    elif first is not None and all(float(value).is_integer() for series in drawn for value in _numbers(series.x)):
        axes.xaxis.set_major_locator(MaxNLocator(10, integer=True))


def _numbers(x: Sequence[float] | Sequence[datetime]) -> list[float]:
    return [float(_DATES.date2num(value)) if isinstance(value, datetime) else float(value) for value in x]
