"""A job file for `crumbmeter plan`: from TOML to the values that planning takes, or everything that is wrong with it.

What the file leaves out about feeder, line and mixes is taken from a site file, where one is given.
"""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Literal

from crumbmeter.planning.conveying import ZERO_C_K, air_density, pressure_at
from crumbmeter.planning.cost import Prices
from crumbmeter.planning.electric import Load, Supply
from crumbmeter.planning.feeding import FeederPlan
from crumbmeter.planning.job import Job
from crumbmeter.planning.line_job import LineJob
from crumbmeter.planning.pressure import Pipe
from crumbmeter.planning.rubber import Bags, JobMix, Rates
from crumbmeter.process.params import DoseBasis, MixParams
from crumbmeter.site.checks.plant import DOSE_REFUSED_ABOVE
from crumbmeter.site.documents import Document, read_document
from crumbmeter.site.job_problems import job_problems
from crumbmeter.site.keys.job import JobFeederKeys, JobFile, JobLineKeys, JobMixKeys, PriceKeys
from crumbmeter.site.problems import Problem, SiteRefusedError
from crumbmeter.site.settings import Site
from crumbmeter.site.validate import check_named, check_table, known_keys, models_in

J_PER_KWH = 3.6e6
MOST_MIXES, MOST_LOADS = 4, 8
"""More do not fit the two pages of a plan."""


@dataclass(frozen=True, slots=True)
class JobInputs:
    """A job that has passed every check, and how people see it."""

    path: Path
    job_id: str
    """SHA-256 of the file."""
    title: str
    location: str
    invented: bool
    units: Literal["us", "metric"]
    currency: str
    job: Job
    from_site: tuple[str, ...]
    """Keys that the site file had to fill in."""


def load_job(path: Path, site: Site | None = None) -> JobInputs:
    """Read a job file, and check it whole.

    Args:
        path: The job file.
        site: What the file leaves out is taken from it; None: it stays unknown.

    Raises:
        SiteRefusedError: with every problem at once. Show it and plan nothing.
    """
    doc = read_document(path, path.as_posix())
    if isinstance(doc, Problem):
        raise SiteRefusedError([doc])
    problems = _shape_problems(doc)
    if problems:
        raise SiteRefusedError(problems)
    file = JobFile.model_validate(dict(doc.data))
    problems = list(job_problems(doc, file, site))
    if problems:
        raise SiteRefusedError(problems)
    inputs = _Reading(file, site).inputs(path, sha256(doc.raw).hexdigest())
    problems = [
        doc.problem("dose-absurd", ("mixes", mix.mix_id), f"its dose comes to {mix.rubber_share:.1%} of the mix")
        for mix in inputs.job.mixes
        if mix.rubber_share > DOSE_REFUSED_ABOVE
    ]
    if problems:
        raise SiteRefusedError(problems)
    return inputs


def _shape_problems(doc: Document) -> list[Problem]:
    """Check each table by itself, so that one mistake never hides another."""
    tables = known_keys(JobFile)
    problems = [doc.problem("unknown-key", (name,), "unknown table") for name in doc.data if name not in tables]
    for key, info in tables.items():
        model = next(models_in(info.annotation))
        if key not in doc.data:
            if info.is_required():
                problems.append(doc.problem("missing-key", (key,), "is missing", remedy=f"Add the table [{key}]."))
        elif key == "mixes":
            problems += check_named(model, doc, (key,), doc.data[key])[1]
        elif key == "loads":
            problems += _list_problems(doc)
        else:
            problems += check_table(model, doc, (key,), doc.data[key]).problems
    return problems + _count_problems(doc)


def _list_problems(doc: Document) -> list[Problem]:
    given = doc.data["loads"]
    if not isinstance(given, list):
        return [doc.problem("wrong-type", ("loads",), "must be a list of tables", remedy="Write [[loads]].")]
    model = next(models_in(known_keys(JobFile)["loads"].annotation))
    return [
        problem
        for place, one in enumerate(given)
        for problem in check_table(model, doc, ("loads", place), one).problems
    ]


def _count_problems(doc: Document) -> list[Problem]:
    """Check how many there are."""
    problems = []
    for key, kind, most in (("mixes", dict, MOST_MIXES), ("loads", list, MOST_LOADS)):
        given = doc.data.get(key)
        if isinstance(given, kind) and len(given) > most:
            expected = f"has {len(given)} entries, and takes at most {most}"
            problems.append(doc.problem("out-of-range", (key,), expected, remedy="Plan in two files."))
    if doc.data.get("mixes") == {}:
        problems.append(doc.problem("missing-key", ("mixes",), "has no mix", remedy="Add [mixes.NAME]."))
    return problems


class _Reading:
    """One file on its way to values, with the site that fills in what it leaves out."""

    def __init__(self, file: JobFile, site: Site | None) -> None:
        self._file = file
        self._site = site
        self._site_figures = {} if site is None else _figures(site)
        self._from_site: list[str] = []

    def inputs(self, path: Path, job_id: str) -> JobInputs:
        """Put it all together."""
        file = self._file
        job = Job(
            mixes=tuple(self._mix(name, keys) for name, keys in file.mixes.items()),
            rates=Rates(
                file.rates.si("lowest"), file.rates.si("typical"), file.rates.si("highest"),
                file.rates.hours_a_day * 3600.0,
            ),
            bags=self._bags(),
            feeder=self._feeder(file.feeder),
            line=self._line(file.line),
            loads=tuple(
                Load(one.name, one.power_kw * 1000.0, one.voltage_v, one.phases, one.power_factor,
                     one.duty_percent / 100.0)
                for one in file.loads
            ),
            diversity=1.0 if file.supply is None else file.supply.diversity_percent / 100.0,
            supply=None if file.supply is None else Supply(
                file.supply.voltage_v, file.supply.phases, file.supply.most_a
            ),
            prices=None if file.prices is None else self._prices(file.prices),
        )  # fmt: skip
        currency = "" if file.prices is None else file.prices.currency
        about = file.job
        return JobInputs(
            path, job_id, about.title, about.location or "", about.invented, about.units, currency, job,
            tuple(self._from_site),
        )  # fmt: skip

    def _of_site(self, key: str, own: float | None) -> float | None:
        """Take the file's own value, or else the site's, and remember that."""
        if own is None and key in self._site_figures:
            self._from_site.append(key)
            return self._site_figures[key]
        return own

    def _mix(self, name: str, keys: JobMixKeys) -> JobMix:
        basis, dose, content, title = self._formula(name, keys)
        return JobMix(
            mix_id=name,
            title=keys.title or title,
            mass_kg=keys.si("mass"),
            basis=basis,
            dose=dose,
            binder_content=content,
            recycle=keys.recycle_percent / 100.0,
            recycle_binder_content=keys.recycle_binder_percent / 100.0,
        )

    def _formula(self, name: str, keys: JobMixKeys) -> tuple[DoseBasis, float, float, str]:
        """Return basis, dose, total binder and title; what is not the file's own is the site's."""
        theirs = self._site_mix(keys)
        dose, basis, content = keys.si_or_none("dose"), keys.dose_basis, keys.total_binder_percent
        if theirs is None:
            return DoseBasis(str(basis)), dose or 0.0, (content or 0.0) / 100.0, name
        if content is None:
            self._from_site.append(f"mixes.{name}.total_binder")
        own = theirs.total_binder_content if content is None else content / 100.0
        if basis is None or dose is None:
            self._from_site.append(f"mixes.{name}.dose")
            return theirs.dose_basis, theirs.dose, own, theirs.title
        return DoseBasis(basis), dose, own, theirs.title

    def _site_mix(self, keys: JobMixKeys) -> MixParams | None:
        if self._site is None:
            return None
        return next((mix for mix in self._site.params.mixes if mix.mix_id == keys.site_mix), None)

    def _bags(self) -> Bags:
        keys = self._file.bags
        return Bags(
            bag_kg=keys.si("mass"),
            truck_bags=keys.a_truck,
            on_hand_bags=keys.on_hand,
            change_s=None if keys.change_min is None else keys.change_min * 60.0,
            waste=keys.waste_percent / 100.0,
        )

    def _feeder(self, keys: JobFeederKeys) -> FeederPlan:
        own = {
            "feeder.feed_factor": keys.si_or_none("feed_factor"),
            "feeder.calibrated_low": _scaled(keys.calibrated_low_rpm, 1 / 60.0),
            "feeder.calibrated_high": _scaled(keys.calibrated_high_rpm, 1 / 60.0),
            "feeder.max_rate": keys.si_or_none("max_rate"),
            "feeder.settle_after_refill": keys.settle_after_refill_s,
            "feeder.max_refill": keys.max_refill_s,
        }
        found = {key: self._of_site(key, value) for key, value in own.items()}
        return FeederPlan(
            feed_factor_kg_rev=found["feeder.feed_factor"],
            low_rev_s=found["feeder.calibrated_low"],
            high_rev_s=found["feeder.calibrated_high"],
            most_kg_s=found["feeder.max_rate"],
            refill_at_kg=keys.si_or_none("refill_at"),
            refill_to_kg=keys.si_or_none("refill_to"),
            refill_kg_s=keys.si_or_none("refill_rate"),
            settle_s=found["feeder.settle_after_refill"] or 0.0,
            most_refill_s=found["feeder.max_refill"],
            most_refill_share=_scaled(keys.most_refill_percent, 0.01),
            supply_kg=keys.si_or_none("supply"),
            supply_low_kg=keys.si_or_none("supply_low"),
        )

    def _line(self, keys: JobLineKeys) -> LineJob:
        inlet_k = keys.ambient_c + ZERO_C_K
        own_pa = None if keys.altitude_m is None else pressure_at(keys.altitude_m)
        end_pa = self._of_site("line.altitude", own_pa) or pressure_at(0.0)
        air_kg_s = None
        if keys.blower_inlet_m3_h is not None:
            air_kg_s = keys.blower_inlet_m3_h / 3600.0 * air_density(end_pa, inlet_k) * (1 - keys.leakage_percent / 100)
        own_k = None if keys.air_temperature_c is None else keys.air_temperature_c + ZERO_C_K
        temperature_k = self._of_site("line.air_temperature", own_k)
        known = {
            "inner_diameter_mm": self._of_site("line.inner_diameter", _scaled(keys.inner_diameter_mm, 1e-3)),
            "horizontal": keys.si_or_none("horizontal"),
            "vertical": keys.si_or_none("vertical"),
            "bends": keys.bends,
            "particle_mm": self._of_site("line.particle", _scaled(keys.particle_mm, 1e-3)),
            "particle_kg_m3": keys.particle_kg_m3,
            "blower_inlet_m3_h": self._of_site("line.blower_air", air_kg_s),
        }
        rest = {"roughness_m": keys.roughness_mm / 1000.0, "end_pa": end_pa, "temperature_k": temperature_k or inlet_k}
        return LineJob(
            pipe=_pipe(known, rest),
            missing=tuple(f"line.{key}" for key, value in known.items() if value is None),
            leak=keys.leakage_percent / 100.0,
            inlet_k=inlet_k,
            other_pa=keys.other_loss_kpa * 1000.0,
            most_pa=keys.si_or_none("most"),
            efficiency=_scaled(keys.efficiency_percent, 0.01),
            motor_w=_scaled(keys.motor_kw, 1000.0),
        )

    def _prices(self, keys: PriceKeys) -> Prices:
        bags = self._file.bags
        truck_kg = bags.si("mass") * (bags.a_truck or 1)
        return Prices(
            rubber_per_kg=keys.money_per_kg("rubber") or 0.0,
            freight_per_kg=keys.freight_per_truck / truck_kg,
            binder_per_kg=keys.money_per_kg("binder") or 0.0,
            modified_per_kg=keys.money_per_kg("modified_binder"),
            modified_content=_scaled(keys.modified_total_binder_percent, 0.01),
            feeder_per_s=keys.feeder_per_day / (self._file.rates.hours_a_day * 3600.0),
            energy_per_j=keys.energy_per_kwh / J_PER_KWH,
        )


def _figures(site: Site) -> dict[str, float]:
    """Return what a site knows of feeder and line, by the keys of a job file, in SI."""
    feed, weighing, line = site.params.feed, site.params.weighing, site.line_plan
    figures = {
        "feeder.feed_factor": weighing.feed_factor_kg_rev,
        "feeder.calibrated_low": feed.min_speed_rev_s,
        "feeder.calibrated_high": feed.max_speed_rev_s,
        "feeder.max_rate": feed.max_rate_kg_s,
        "feeder.settle_after_refill": weighing.settle_after_refill_s,
        "feeder.max_refill": weighing.max_refill_s,
    }
    if line is not None:
        figures |= {
            "line.altitude": line.pressure_pa - (site.params.sequence.pressure_high_pa or 0.0),
            "line.air_temperature": line.temperature_k,
            "line.inner_diameter": line.inner_diameter_m,
            "line.particle": line.particle_m,
            "line.blower_air": line.air_kg_s,
        }
    return figures


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _pipe(known: dict[str, Any], rest: dict[str, float]) -> Pipe | None:
    """Make a pipe where all of it is known."""
    if any(value is None for value in known.values()):
        return None
    return Pipe(
        inner_diameter_m=known["inner_diameter_mm"],
        horizontal_m=known["horizontal"],
        vertical_m=known["vertical"],
        bends=known["bends"],
        particle_m=known["particle_mm"],
        particle_kg_m3=known["particle_kg_m3"],
        air_kg_s=known["blower_inlet_m3_h"],
        **rest,
    )
