"""What is wrong with a job file although each of its keys is good by itself. Pure."""

from collections.abc import Iterator

from crumbmeter.site.documents import Document
from crumbmeter.site.keys.job import JobFile, JobMixKeys
from crumbmeter.site.problems import Problem, have
from crumbmeter.site.settings import Site

PER_TON = ("dose_lb_per_short_ton", "dose_kg_per_tonne")
DOSED = ("total_mix", "added_to_mix")
PERCENT = 100.0


def job_problems(doc: Document, file: JobFile, site: Site | None) -> Iterator[Problem]:
    """Yield what does not go together."""
    yield from _rate_problems(doc, file)
    for name, keys in file.mixes.items():
        yield from _mix_problems(doc, name, keys, site)
    yield from _order_problems(doc, file)
    if file.prices is not None and file.prices.freight_per_truck > 0.0 and file.bags.a_truck is None:
        yield doc.problem("needs-other-key", ("prices", "freight_per_truck"), "needs a_truck in [bags]")


def _rate_problems(doc: Document, file: JobFile) -> Iterator[Problem]:
    rates = file.rates
    low, typical, high = (rates.si(quantity) for quantity in ("lowest", "typical", "highest"))
    if not low <= typical <= high:
        yield doc.problem("out-of-range", ("rates",), "lowest, typical and highest rate must rise in this order")


def _mix_problems(doc: Document, name: str, keys: JobMixKeys, site: Site | None) -> Iterator[Problem]:
    place = ("mixes", name)
    known = [] if site is None else [mix.mix_id for mix in site.params.mixes]
    if keys.site_mix is not None and site is None:
        yield doc.problem("needs-other-key", (*place, "site_mix"), "needs a site file", remedy="Give --site SITE.")
        return
    if keys.site_mix is not None and keys.site_mix not in known:
        yield doc.problem(
            "no-such-mix",
            (*place, "site_mix"),
            "is no mix of the site",
            remedy=f"Name one that the site has ({have(known)}).",
        )
        return
    dose = keys.si_or_none("dose")
    if keys.site_mix is None or keys.dose_basis is not None or dose is not None:
        if keys.dose_basis is None:
            yield doc.problem("missing-key", (*place, "dose_basis"), "is missing: what is the dose a share of?")
        if dose is None:
            yield doc.problem("missing-key", (*place, "dose"), "is missing: dose_percent or the like")
    given = next((key for key in PER_TON if getattr(keys, key) is not None), None)
    if given is not None and keys.dose_basis is not None and keys.dose_basis not in DOSED:
        yield doc.problem("dose-unit", (*place, given), f"is of mix, but dose_basis is {keys.dose_basis}")
    if keys.site_mix is None and keys.total_binder_percent is None:
        yield doc.problem("missing-key", (*place, "total_binder_percent"), "is missing")
        return
    yield from _recycle_problems(doc, place, keys, site)


def _recycle_problems(doc: Document, place: tuple[str, str], keys: JobMixKeys, site: Site | None) -> Iterator[Problem]:
    content = keys.total_binder_percent
    if content is None and site is not None:
        content = next(mix.total_binder_content for mix in site.params.mixes if mix.mix_id == keys.site_mix) * PERCENT
    carried = keys.recycle_percent * keys.recycle_binder_percent / PERCENT
    if content is None:
        return
    if carried > content:
        yield doc.problem(
            "out-of-range", (*place, "recycle_percent"),
            f"brings {carried:.2f} % of binder into a mix of {content:.2f} %",
            remedy="Check both contents: the recycled material must not carry more binder than the mix has.",
        )  # fmt: skip
    elif keys.recycle_percent + content - carried > PERCENT:
        yield doc.problem("out-of-range", (*place, "recycle_percent"), "leaves no room for the virgin binder")


def _order_problems(doc: Document, file: JobFile) -> Iterator[Problem]:
    """Yield pairs of which one must be below the other."""
    feeder = file.feeder
    pairs = (
        ("calibrated_low_rpm", feeder.calibrated_low_rpm, "calibrated_high_rpm", feeder.calibrated_high_rpm),
        ("refill_at", feeder.si_or_none("refill_at"), "refill_to", feeder.si_or_none("refill_to")),
        ("supply_low", feeder.si_or_none("supply_low"), "supply", feeder.si_or_none("supply")),
    )
    for low_key, low, high_key, high in pairs:
        if low is not None and high is not None and low >= high:
            yield doc.problem("out-of-range", ("feeder", low_key), f"must be below {high_key}")
