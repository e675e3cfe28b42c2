"""Tables and facts of what was made, shared by the daily and the lot report. Masses are exact sums of parcels."""

from collections.abc import Sequence
from typing import Final

from crumbmeter.qc.lots import Sublot
from crumbmeter.qc.made import Made, Masses
from crumbmeter.report.document import Column, Fact, Facts, Table, number, time
from crumbmeter.report.figures import Value, moment
from crumbmeter.report.frame import Frame, percent

DOSE_DECIMALS: Final = 3
EXACT: Final = "Masses in grams are sums of parcels without any rounding; the last line is their sum."


def made_facts(frame: Frame, made: Made, title: str = "") -> Facts:
    """Return the summary of a run of parcels."""
    basis = made.basis
    dosed = "percent" if basis is None else f"percent of {basis.value.replace('_', ' ')}"
    left_g = made.left_out.mix_g
    return Facts(
        (
            Fact("mix, all", frame.tons(made.mix_g), frame.ton, 2),
            Fact("mix with a dose", frame.tons(made.dosed_g), frame.ton, 2),
            Fact("mix without a dose, or not judged", frame.tons(made.mix_g - made.dosed_g - left_g), frame.ton, 2),
            Fact("left out as waste", frame.tons(left_g), frame.ton, 2),
            Fact("rubber", frame.smalls(made.masses.rubber_g), frame.small, 1),
            Fact("rubber asked for", frame.smalls(made.masses.target_rubber_g), frame.small, 1),
            Fact("its uncertainty by weighing (k=2)", 2.0 * float(frame.smalls(1)) * made.rubber_uncertainty_g,
                 frame.small, 1),
            Fact("mean dose", percent(made.mean_dose), dosed, DOSE_DECIMALS),
            Fact("dose asked for", percent(made.target_dose), dosed, DOSE_DECIMALS),
            Fact("rubber over (+) or short (-)", percent(made.relative_error), "percent", 2),
            Fact("mix of which every input was Good", made.good_percent, "percent", 1),
            Fact("mix with a Bad input", frame.tons(made.bad_g), frame.ton, 2),
            Fact("mix while crumbmeter only watched", frame.tons(made.uncontrolled_g), frame.ton, 2),
            Fact("parcels with doubtful times", made.clock_doubtful),
            Fact("mixes", ", ".join(made.mix_ids)),
        ),
        title,
    )  # fmt: skip


def doses_table(frame: Frame, sublots: Sequence[Sublot], window_g: int) -> Table:
    """Return the doses of sublots with their scatter."""
    columns = (
        Column("sublot"), time("from"), number("mix", frame.ton, 2), number("mean dose", "percent", DOSE_DECIMALS),
        number("asked for", "percent", DOSE_DECIMALS), number("std. dev.", "percent", 4), number("n"),
        number("min", "percent", DOSE_DECIMALS), number("max", "percent", DOSE_DECIMALS), number("good", "percent", 1),
    )  # fmt: skip
    rows = [_doses(frame, one) for one in sublots]
    bases = sorted({basis.value.replace("_", " ") for one in sublots for basis in one.made.bases})
    note = (
        f"Doses in percent of {' or '.join(bases) or 'the mix'}: rubber over mix of the whole sublot. Scatter is that"
        f" of n windows of {frame.tons(window_g):.3g} {frame.ton.replace('_', ' ')}; windows of a feeder follow each"
        " other, so it is an indicator and decides no pay."
    )
    return Table("Sublots: dose", columns, rows, note)


def _doses(frame: Frame, one: Sublot) -> tuple[Value, ...]:
    made, scatter = one.made, one.made.scatter
    return (
        one.sublot_id, moment(made.began_us, frame.zone), frame.tons(made.mix_g), percent(made.mean_dose),
        percent(made.target_dose), None if scatter is None else percent(scatter.s),
        None if scatter is None else scatter.n, None if scatter is None else percent(scatter.least),
        None if scatter is None else percent(scatter.greatest), made.good_percent,
    )  # fmt: skip


def masses_table(frame: Frame, sublots: Sequence[Sublot]) -> Table:
    """Return the masses of sublots, exact in grams, with the parcels that they are sums of."""
    columns = (
        Column("sublot"), number("first parcel"), number("last parcel"), number("mix", "g"), number("rubber", "g"),
        number("rubber asked for", "g"), number("over or short", frame.small, 1), Column("ended by"),
    )  # fmt: skip
    held = [one.made.masses for one in sublots]
    rows: list[tuple[Value, ...]] = [
        (
            one.sublot_id, one.made.first_parcel, one.made.last_parcel, one.made.masses.mix_g, one.made.masses.rubber_g,
            one.made.masses.target_rubber_g, frame.smalls(one.made.masses.rubber_error_g), one.ended.value,
        )
        for one in sublots
    ]  # fmt: skip
    whole = sum(held, Masses())
    total = (
        "all", None, None, whole.mix_g, whole.rubber_g, whole.target_rubber_g, frame.smalls(whole.rubber_error_g), None,
    )  # fmt: skip
    return Table("Sublots: masses", columns, rows, EXACT, total if rows else None)
