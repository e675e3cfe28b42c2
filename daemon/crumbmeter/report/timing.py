"""Timing on paper: what was identified, what is geometry, what is assumed, and the curves from which it follows."""

from collections.abc import Iterator, Sequence
from typing import Final

from crumbmeter.qc.timing import Basis, Curve, Timing
from crumbmeter.report.document import Block, Chart, Column, Document, Drawn, Moment, Series, Table, Text, number
from crumbmeter.report.figures import Value, moment, shown
from crumbmeter.report.frame import Frame

WORDS: Final = {
    Basis.IDENTIFIED: "seen in the record of the test",
    Basis.GEOMETRY: "follows from what was seen and from lengths or shares that the site file states",
    Basis.ASSUMED: "the site file's own figure; nothing was seen",
}
TITLES: Final = {"drum": "Drum", "line": "Rubber line", "auger": "Auger"}


def timing_blocks(timings: Sequence[Timing]) -> Iterator[Block]:
    """Make the table of all figures, what its words mean, and the curves."""
    if not timings:
        yield Text("Not on record: no start-up or step test (`crumbmeter timing SITE`).", "Timing")
        return
    yield figures_table(timings)
    for one in timings:
        if one.curve is not None:
            yield curve_chart(one, one.curve)


def document(
    frame: Frame, timings: Sequence[Timing], proposed: Sequence[tuple[str, float, str]] = (), rate: str = ""
) -> Document:
    """Make the report of a test.

    Args:
        frame: Of the site.
        timings: What was found.
        proposed: Site key, figure in force and line of each change.
        rate: For which rate it holds, in words.
    """
    newest = max(timings, key=lambda one: one.done_us, default=None)
    period = "nothing on record"
    if newest is not None:
        period = (
            f"run {newest.boot_id[:8]}, seconds {newest.from_s:.0f} to {newest.to_s:.0f}; "
            f"{shown(moment(newest.done_us, frame.zone))}, by {newest.who}"
        )
    blocks: list[Block] = [] if not rate else [Text(rate)]
    blocks = [*doubt_blocks(timings), *blocks, *timing_blocks(timings)]
    if proposed:
        columns = (Column("table and key"), number("in force", "", None), Column("proposed"))
        note = "Written only on a typed yes (`crumbmeter timing --into-site-file`)."
        rows = [(key, was, line.partition("= ")[2]) for key, was, line in proposed]
        blocks.append(Table("Proposed for the site file", columns, rows, note))
    return frame.document(
        "timing", "Timing: start-up and step tests", period, blocks, simulated=any(one.simulated for one in timings)
    )


def figures_table(timings: Sequence[Timing]) -> Table:
    """Return every figure with its interval beside that of the site file; what disagrees comes first."""
    columns = (
        Column("of"), Column("time"), Column("basis"), number("value", "s", 1), number("from", "s", 1),
        number("to", "s", 1), number("site file", "s", 1), Column("agrees"), Column("how", below=True),
    )  # fmt: skip
    rows: list[tuple[bool | None, tuple[Value, ...]]] = [
        (
            one.agrees,
            (
                timing.about, one.what, one.basis.value, one.value_s, one.low_s, one.high_s, one.in_force_s,
                {True: "yes", False: "NO", None: None}[one.agrees], one.how,
            ),
        )
        for timing in timings
        for one in timing.figures
    ]  # fmt: skip
    coverage = f"{timings[0].coverage_percent:g}"
    used = "; ".join(f"{one.about}: {', '.join(one.steps) or 'no step was seen'}" for one in timings)
    means = "; ".join(f"{basis.value}: {words}" for basis, words in WORDS.items())
    note = f"Intervals of {coverage} %. {means}. Steps used, in seconds of the run: {used}."
    return Table("Timing", columns, [row for _, row in sorted(rows, key=lambda one: one[0] is not False)], note)


def doubt_blocks(timings: Sequence[Timing]) -> Iterator[Block]:
    """Say which of the site file's figures lie outside what was found, and which were not seen at all."""
    rows: list[tuple[Value, ...]] = [
        (timing.about, one.what, one.in_force_s, one.low_s, one.high_s, one.site_key)
        for timing in timings
        for one in timing.figures
        if one.agrees is False
    ]
    if rows:
        columns = (
            Column("of"), Column("time"), number("site file", "s", 1), number("found from", "s", 1),
            number("to", "s", 1), Column("site key"),
        )  # fmt: skip
        yield Table("The site file disagrees with what was found", columns, rows)
    assumed = [
        f"{timing.about}, {one.what}: {one.how}."
        for timing in timings
        for one in timing.figures
        if one.basis is Basis.ASSUMED
    ]
    if assumed:
        yield Text(" ".join(assumed), "Assumed, because nothing was seen")


def curve_chart(timing: Timing, curve: Curve) -> Chart:
    """Draw stimulus, response and fit, with the step and the delay that was found."""
    start_s = timing.from_s
    slow = curve.at_s[-1] - curve.at_s[0] > 120.0
    per, unit = (60.0, "min") if slow else (1.0, "s")
    x = [(start_s + at_s) / per for at_s in curve.at_s]
    step = (start_s + curve.step_s) / per
    title = TITLES.get(timing.about, timing.about)
    delay = f"{curve.delay_s:.1f} s later" if curve.delay_s < 20.0 else f"{curve.delay_s:.0f} s later"
    return Chart(
        f"{title}: what was done, what was seen", f"time in the run [{unit}]", "of the largest response [%]",
        (
            Series(curve.stimulus_name, x, curve.stimulus_percent, Drawn.STEP),
            Series(curve.response_name, x, curve.response_percent, Drawn.POINTS),
            Series("fit", x, curve.fitted_percent, Drawn.LINE),
        ),
        note=f"The largest step, and the mean delay found from it: {curve.delay_s:.2f} s.",
        moments=(Moment("step", step), Moment(delay, step + curve.delay_s / per)),
    )  # fmt: skip
