"""A quality plan: from its file to frozen values, or to the list of everything that is wrong with it.

A site without one has a plan all the same: production days in UTC, a lot a day, and deviations as the site's tolerance
has it for an alarm.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import time
from hashlib import sha256
from pathlib import Path

from crumbmeter.qc.calendar import Calendar
from crumbmeter.qc.deviations import DeviationRule
from crumbmeter.qc.laboratory.results import FIGURES, Test, known_figure
from crumbmeter.qc.lots import By, LotRule
from crumbmeter.qc.pay import PayTable
from crumbmeter.qc.silos import Silo
from crumbmeter.site.documents import Document, read_document
from crumbmeter.site.keys.quality import QualityPlanFile, SiloKeys
from crumbmeter.site.pay import load_pay_table
from crumbmeter.site.problems import Problem, SiteRefusedError
from crumbmeter.site.settings import Site
from crumbmeter.site.validate import check_named, check_table, known_keys, models_in
from crumbmeter.site.zones import TZDATA_VERSION, UnknownZoneError, time_zone

SUBLOT_G = 500_000_000
"""[g] Where the plan says nothing: 500 t, common practice."""
NAMED = ("silos", "properties")
"""Tables of tables, one for each name."""
BY = {"mass": By.TONNES, "day": By.DAY, "mix": By.MIX}


@dataclass(frozen=True, slots=True)
class Place:
    """What stands at the head of every report; empty where nobody said."""

    project: str = ""
    location: str = ""
    additive: str = ""
    brand: str = ""
    logo: bytes | None = None
    logo_name: str = ""


@dataclass(frozen=True, slots=True)
class BagScale:
    """How well the mass on a bag's label is known: half-widths of rectangular distributions, as fractions."""

    scale: float
    """Shared by all bags."""
    each: float
    mixing: float
    """Share of the hoppers' content within which rubber of two lots cannot be told apart."""


@dataclass(frozen=True, slots=True)
class QualityPlan:
    """How a plant's mix is cut into lots, judged, stored and reported."""

    path: Path | None
    """None: there is no file, all is as by default."""
    plan_id: str
    """SHA-256 of the file; empty without one."""
    place: Place
    calendar: Calendar
    lots: LotRule
    deviations: DeviationRule
    diverter: str
    """Id of the signal that tells into which silo mix goes; empty: there is none."""
    silos: tuple[Silo, ...]
    """None: trucks are loaded under the drum."""
    bags: BagScale
    tickets_topic: str
    specification: Path | None
    properties: tuple["Property", ...]
    pay: PayTable | None


@dataclass(frozen=True, slots=True)
class Property:
    """A property of the mix that is judged by per cent within limits."""

    name: str
    test: Test
    figure: str
    lower: float | None
    upper: float | None
    """Limits, in the unit of the figure."""
    decimals: int


def load_quality_plan(site: Site) -> QualityPlan:
    """Read the quality plan of a site, and check it whole.

    Raises:
        SiteRefusedError: with every problem at once.
    """
    path = site.desk.quality_plan
    if path is None:
        return _plan(site, None, QualityPlanFile())
    doc = read_document(path, path.as_posix())
    if isinstance(doc, Problem):
        raise SiteRefusedError([doc])
    problems = _shape_problems(doc)
    if problems:
        raise SiteRefusedError(problems)
    file = QualityPlanFile.model_validate(dict(doc.data))
    problems = [*_calendar_problems(doc, file), *_lot_problems(doc, file), *_site_problems(doc, file, site)]
    if problems:
        raise SiteRefusedError(problems)
    return _plan(site, doc, file)


def _shape_problems(doc: Document) -> list[Problem]:
    """Check each table by itself, so that one mistake never hides another, and each choice of units is looked at."""
    tables = {key: info for key, info in known_keys(QualityPlanFile).items() if list(models_in(info.annotation))}
    top = {key: value for key, value in doc.data.items() if key not in tables}
    problems = list(check_table(QualityPlanFile, doc, (), top).problems)
    for key, info in tables.items():
        if key not in doc.data:
            continue
        model = next(models_in(info.annotation))
        if key in NAMED:
            problems += check_named(model, doc, (key,), doc.data[key])[1]
        else:
            problems += check_table(model, doc, (key,), doc.data[key]).problems
    return problems


def _calendar_problems(doc: Document, file: QualityPlanFile) -> Iterator[Problem]:
    try:
        time_zone(file.calendar.time_zone)
    except UnknownZoneError:
        yield doc.problem("not-one-of", ("calendar", "time_zone"), "is no time zone of the IANA database")
    if len(set(file.calendar.shift_begins)) < len(file.calendar.shift_begins):
        yield doc.problem("bad-form", ("calendar", "shift_begins"), "has a time twice")


def _lot_problems(doc: Document, file: QualityPlanFile) -> Iterator[Problem]:
    lot, sublot = file.lots.si_or_none("lot"), file.lots.si_or_none("sublot")
    if file.lots.by == "mass" and lot is None:
        yield doc.problem("missing-key", ("lots", "lot_tonne"), "is missing: lots by mass have a size")
    if lot is not None and sublot is not None and sublot > lot:
        yield doc.problem("out-of-range", ("lots",), "a sublot is larger than its lot")


def _site_problems(doc: Document, file: QualityPlanFile, site: Site) -> Iterator[Problem]:
    names = [signal.signal_id for signal in site.params.signals]
    if file.diverter is not None and file.diverter not in names:
        yield doc.problem("no-such-signal", ("diverter",), "is no signal of the site")
    codes = [keys.code for keys in file.silos.values() if keys.code is not None]
    if len(set(codes)) < len(codes):
        yield doc.problem("out-of-range", ("silos",), "two silos have the same code")
    named = (("specification", file.specification), ("pay", file.pay), ("place.logo", file.place.logo))
    for key, value in named:
        if value is not None and not (Path(doc.name).parent / value).is_file():
            yield doc.problem("file-not-there", tuple(key.split(".")), "no such file beside this one")
    for name, keys in file.properties.items():
        if not known_figure(Test(keys.test), keys.figure):
            expected = (
                f"is no figure of {keys.test}: {', '.join(FIGURES[Test(keys.test)]) or 'passing_OPENINGmm_percent'}"
            )
            yield doc.problem("not-one-of", ("properties", name, "figure"), expected)
        if keys.figure_low is None and keys.figure_high is None:
            yield doc.problem("missing-key", ("properties", name), "has no limit: give figure_low or figure_high")
    if file.tickets.mqtt_topic is not None and site.publish.mqtt is None:
        yield doc.problem("needs-other-key", ("tickets", "mqtt_topic"), "needs [publish.mqtt] in the site file")


def _plan(site: Site, doc: Document | None, file: QualityPlanFile) -> QualityPlan:
    folder = Path() if doc is None else Path(doc.name).parent
    calendar = _calendar(file)
    window_kg = file.deviations.si_or_none("window") or site.params.tolerance.window_kg
    within = file.deviations.within_percent
    return QualityPlan(
        path=site.desk.quality_plan,
        plan_id="" if doc is None else sha256(doc.raw).hexdigest(),
        place=_place(file, folder),
        calendar=calendar,
        lots=_lots(file, calendar, simulated=site.params.simulated),
        deviations=DeviationRule(
            within=site.params.tolerance.alarm if within is None else within / 100.0, window_g=round(window_kg * 1000.0)
        ),
        diverter=file.diverter or "",
        silos=tuple(_silo(name, keys) for name, keys in file.silos.items()),
        bags=BagScale(
            file.bags.scale_percent / 100.0, file.bags.each_percent / 100.0, file.bags.mixing_percent / 100.0
        ),
        tickets_topic=file.tickets.mqtt_topic or "",
        specification=None if file.specification is None else folder / file.specification,
        properties=tuple(
            Property(name, Test(keys.test), keys.figure, keys.figure_low, keys.figure_high, keys.decimals)
            for name, keys in file.properties.items()
        ),
        pay=None if file.pay is None else load_pay_table(folder / file.pay),
    )


def _calendar(file: QualityPlanFile) -> Calendar:
    keys = file.calendar
    begins = keys.shift_begins or (keys.day_begins,)
    return Calendar(
        time_zone(keys.time_zone), TZDATA_VERSION, tuple(map(_clock, begins)), _clock(keys.day_begins)
    )  # fmt: skip


def _clock(text: str) -> time:
    hour, minute = text.split(":")
    return time(int(hour), int(minute))


def _lots(file: QualityPlanFile, calendar: Calendar, *, simulated: bool) -> LotRule:
    lot_kg, sublot_kg = file.lots.si_or_none("lot"), file.lots.si_or_none("sublot")
    lot_g = None if lot_kg is None else round(lot_kg * 1000.0)
    sublot_g = SUBLOT_G if sublot_kg is None else round(sublot_kg * 1000.0)
    return LotRule(
        by=BY[file.lots.by],
        lot_g=lot_g,
        sublot_g=sublot_g if lot_g is None else min(lot_g, sublot_g),
        calendar=calendar,
        simulated_site=simulated,
    )


def _place(file: QualityPlanFile, folder: Path) -> Place:
    keys = file.place
    logo = None if keys.logo is None else (folder / keys.logo).read_bytes()
    return Place(
        keys.project or "", keys.location or "", keys.additive or "", keys.brand or "", logo,
        "" if keys.logo is None else Path(keys.logo).name,
    )  # fmt: skip


def _silo(name: str, keys: SiloKeys) -> Silo:
    return Silo(
        silo_id=name,
        capacity_g=round(keys.si("capacity") * 1000.0),
        mixing_g=round(keys.si("mixing") * 1000.0),
        travel_s=keys.travel_s,
        diverter_code=keys.code,
    )
