"""The agency's production log: snapshots of production in twelve fields, and what proves them behind.

Fields and order: Caltrans, provisions for additives in hot mix (loss-in-weight), "snapshot of production data";
difference and moisture as stored columns after Caltrans SSP 10-1, lime treatment. Each record is the row of the record
at its time, a snapshot: rates and their ratios are those of the instruments at that second, and travel between belt,
feeder and drum is not taken off. Actual dose and difference do take it off. What a ton holds parcels tell, not this.

A ratio is reckoned from the rates as they are written, and the difference from the doses as they are written: who
reads the file again and divides gets the same figures.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import tzinfo
from decimal import Decimal
from typing import Final

from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.model.units import UNITS
from crumbmeter.process.dose import Mix, counts_rubber, dose_of, dry_rate
from crumbmeter.process.params import MixParams, StreamKind, StreamParams
from crumbmeter.report.document import SIMULATE, Column, Document, Table, number, time
from crumbmeter.report.figures import Value, moment, rounded
from crumbmeter.report.frame import Frame
from crumbmeter.report.log_row import LogRow
from crumbmeter.report.log_times import taken_of

FIELDS: Final = (
    ("date",), ("location",), ("time captured",), ("mix", "target binder"),
    ("additive", "additive brand", "target additive", "additive basis"), ("binder temperature", "mix temperature"),
    ("dry aggregate",), ("binder",), ("additive rate",), ("batch dry aggregate", "batch binder", "batch additive"),
    ("dry aggregate to binder",), ("dry aggregate to additive",),
)  # fmt: skip
"""The twelve fields in order, each by the columns that hold it."""
RATE_DECIMALS: Final = 4
DOSE_DECIMALS: Final = 4
NOTE: Final = (
    "Each record is a snapshot: what the instruments said in that second. In rates and ratios travel between belt,"
    " feeder and drum is not taken off; the actual additive is that of the mix which the fed rubber will meet. Dry"
    " aggregate is the wet belt rate without its water, by the moisture of the same record."
)


@dataclass(frozen=True, slots=True)
class LogSite:
    """What the log takes from a site's settings and its quality plan."""

    location: str
    additive: str
    brand: str
    zone: tzinfo
    metric: bool
    streams: tuple[tuple[StreamParams, str], ...]
    """Each with the name of its rate's signal."""
    mixes: tuple[MixParams, ...]
    binder_temperature: str | None
    """Name of a signal; None: the site has none, and the field stays empty."""
    mix_temperature: str | None


@dataclass(frozen=True, slots=True)
class _Rates:
    """[kg/s] Of one second, None where not known."""

    wet: float | None
    """Virgin aggregate and filler as the belts carry it."""
    dry: float | None
    recycle: float | None
    binder: float | None
    fed: float | None
    quality: Quality


def production_log(rows: Iterable[LogRow], site: LogSite, interval_s: float, *, idle_too: bool = False) -> Table:
    """Make the log.

    Args:
        rows: All rows of the period, in the order of the record.
        site: Settings and plan.
        interval_s: [s] Longest time between two records, such as 300 (every five minutes: Ohio DOT CMS 402.07.C).
        idle_too: Whether times without production are logged like others.
    """
    records = [_record(row, site) for row in taken_of(rows, interval_s, idle_too=idle_too)]
    return Table("Production log", columns(metric=site.metric), records, NOTE)


def build(frame: Frame, table: Table, begin_us: int, end_us: int) -> Document:
    """Make a document of a log, with what it rests on: for paper, JSON and Parquet.

    Args:
        frame: Of the site.
        table: From `production_log`.
        begin_us: [us] UTC since 1970 of the period.
        end_us: [us] UTC since 1970.
    """
    simulated = any(row[-1] == SIMULATE for row in table.rows)
    span = frame.span(begin_us, end_us)
    return frame.document("production log", "Production log", span, (table,), simulated=simulated, wide=True)


def columns(*, metric: bool) -> tuple[Column, ...]:
    """Return the columns: those of the twelve fields, then what stands behind them."""
    flow, mass, heat = _units(metric=metric)
    return (
        Column("date"), Column("location"), time("time captured"),
        Column("mix"), number("target binder", "percent of mix without additive", 2),
        Column("additive"), Column("additive brand"), number("target additive", "percent of basis", DOSE_DECIMALS),
        Column("additive basis"),
        number("binder temperature", heat, 1), number("mix temperature", heat, 1),
        number("dry aggregate", flow, RATE_DECIMALS), number("binder", flow, RATE_DECIMALS),
        number("additive rate", flow, RATE_DECIMALS),
        number("batch dry aggregate", mass, 2), number("batch binder", mass, 2), number("batch additive", mass, 2),
        number("dry aggregate to binder", "", 2), number("dry aggregate to additive", "", 1),
        number("actual additive", "percent of basis", DOSE_DECIMALS),
        number("actual less target", "percent of basis", DOSE_DECIMALS),
        number("wet aggregate", flow, RATE_DECIMALS), number("moisture", "percent of dry aggregate", 2),
        number("dry recycle", flow, RATE_DECIMALS),
        Column("run state"), Column("quality"), Column("clock"), number("record entry"), Column("mark"),
    )  # fmt: skip


def _units(*, metric: bool) -> tuple[str, str, str]:
    return ("tonne/h", "kg", "degC") if metric else ("short_ton/h", "lb", "degF")


def _record(row: LogRow, site: LogSite) -> tuple[Value, ...]:
    at = moment(row.named.stored.wall_us, site.zone)
    mix = next((mix for mix in site.mixes if mix.mix_id == row.mix_id), None)
    rates = _rates(row, site)
    flow, _, _ = _units(metric=site.metric)
    dry, binder, fed = (_in(value, flow) for value in (rates.dry, rates.binder, rates.fed))
    batch = _batch(row.batch, site)
    ratio_of = batch if row.batch is not None else (dry, binder, fed)
    return (
        at.date().isoformat(), site.location, at,
        row.mix_id, None if mix is None else 100.0 * mix.total_binder_content,
        site.additive, site.brand, _percent(None if mix is None else mix.dose),
        None if mix is None else mix.dose_basis.value,
        _temperature(row, site.binder_temperature, site), _temperature(row, site.mix_temperature, site),
        dry, binder, fed, *batch,
        _ratio(ratio_of[0], ratio_of[1], 2), _ratio(ratio_of[0], ratio_of[2], 1),
        *_doses(row, rates, mix),
        _in(rates.wet, flow), _water_percent(rates), _in(rates.recycle, flow),
        row.named.row.run_state, rates.quality.word, "" if row.named.stored.clock_synced else "not synchronised",
        row.named.stored.seq, SIMULATE if row.named.stored.simulated else "",
    )  # fmt: skip


def _rates(row: LogRow, site: LogSite) -> _Rates:
    held: dict[StreamKind, list[tuple[float | None, float | None]]] = {}
    worst = row.quality("fed_kg_s")
    for stream, signal in site.streams:
        wet = row.value(signal)
        if wet is not None and wet < stream.low_flow_kg_s and stream.kind is not StreamKind.BINDER:
            wet = 0.0  # an empty belt whose zero drifts, as control takes it too
        water = row.moistures.get(stream.stream_id, stream.moisture) if stream.wet else 0.0
        dry = None if wet is None else dry_rate(wet, water)
        held.setdefault(stream.kind, []).append((wet, dry))
        worst = min(worst, row.quality(signal))
    virgin = held.get(StreamKind.AGGREGATE, []) + held.get(StreamKind.FILLER, [])
    recycle = held.get(StreamKind.RECYCLE, [])
    return _Rates(
        wet=_sum(wet for wet, _ in virgin) if virgin else None,
        dry=_sum(dry for _, dry in virgin) if virgin else None,
        recycle=_sum(dry for _, dry in recycle) if recycle else None,
        binder=_sum(wet for wet, _ in held[StreamKind.BINDER]) if StreamKind.BINDER in held else None,
        fed=row.value("fed_kg_s"),
        quality=worst,
    )


def _sum(values: Iterable[float | None]) -> float | None:
    """Add up; what is not known makes the sum unknown."""
    total = 0.0
    for value in values:
        if value is None:
            return None
        total += value
    return total


def _doses(row: LogRow, rates: _Rates, mix: MixParams | None) -> tuple[Decimal | None, Decimal | None]:
    """Return the actual dose [%] in the mix's basis, and by how much it is over the target."""
    if mix is None:
        return None, None
    if row.batch is not None:
        part = row.batch
        parts = Mix(part.dry_aggregate_g, part.recycle_g, part.recycle_binder_g, part.virgin_binder_g)
        made = dose_of(mix.dose_basis, part.rubber_g, parts)
    else:
        made = None if rates.quality is Quality.BAD else _dose_now(row, rates.fed, mix)
    actual, target = _percent(made), _percent(mix.dose)
    return actual, None if actual is None or target is None else actual - target


def _dose_now(row: LogRow, fed_kg_s: float | None, mix: MixParams) -> float | None:
    """Return the dose that the fed rate makes of the mix that it will meet: the rate wanted stands for that mix.

    What is wanted has the travel of belts and drum in it; the belts' own rates of this second meet other rubber.
    """
    wanted_kg_s = row.value("wanted_kg_s")
    if fed_kg_s is None or wanted_kg_s is None:
        return None
    if mix.dose <= 0.0 or wanted_kg_s <= 0.0:
        return 0.0 if mix.dose <= 0.0 and fed_kg_s <= 0.0 else None
    if counts_rubber(mix.dose_basis):
        base_kg_s = wanted_kg_s * (1.0 - mix.dose) / mix.dose
        return fed_kg_s / (base_kg_s + fed_kg_s)
    return fed_kg_s * mix.dose / wanted_kg_s


def _batch(batch: Parcel | None, site: LogSite) -> tuple[Decimal | None, Decimal | None, Decimal | None]:
    if batch is None:
        return None, None, None
    unit = UNITS[_units(metric=site.metric)[1]]
    grams = (batch.dry_aggregate_g, batch.virgin_binder_g, batch.rubber_g)
    dry, binder, rubber = (rounded(unit.from_si(mass_g / 1000.0), 2) for mass_g in grams)
    return dry, binder, rubber


def _in(value_kg_s: float | None, unit: str) -> Decimal | None:
    return None if value_kg_s is None else rounded(UNITS[unit].from_si(value_kg_s), RATE_DECIMALS)


def _percent(fraction: float | None) -> Decimal | None:
    return None if fraction is None else rounded(100.0 * fraction, DOSE_DECIMALS)


def _ratio(above: Decimal | None, below: Decimal | None, decimals: int) -> Decimal | None:
    if above is None or below is None or above <= 0 or below <= 0:
        return None
    return rounded(above / below, decimals)


def _water_percent(rates: _Rates) -> float | None:
    if rates.wet is None or not rates.dry:
        return None
    return 100.0 * (rates.wet / rates.dry - 1.0)


def _temperature(row: LogRow, signal: str | None, site: LogSite) -> float | None:
    value_c = row.value(signal)
    return None if value_c is None else UNITS[_units(metric=site.metric)[2]].from_si(value_c)
