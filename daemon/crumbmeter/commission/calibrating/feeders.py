"""The two tests of the rubber feeder, step by step: catches at several speeds, and a loss-in-weight calibration run.

Both look at the diverter where the site has its contact: the look begins when the diverter leaves the drum and ends
when it is back, so that turns, time and what was caught belong to the same seconds.
"""

from typing import Final

from crumbmeter.commission.calibrating.quantities import shown
from crumbmeter.commission.calibrating.steps import (
    AUGER,
    DUST,
    LAST,
    LINE,
    Entries,
    Field,
    Place,
    Procedure,
    Proposal,
    Shown,
    Step,
    Worked,
)
from crumbmeter.commission.calibrating.tracks import FED, Figure, Source, Watch
from crumbmeter.qc import catch_tests
from crumbmeter.qc.calibrations import CalibrationKind, Trial
from crumbmeter.qc.catch_tests import Catch, CatchTest
from crumbmeter.qc.weighing_runs import FeederRun, Minimum
from crumbmeter.report.form_texts import FormRefusedError
from crumbmeter.site import Site

SPEEDS: Final = (3, 5)
"""Least and most speeds of a catch test."""
RULES: Final = ("loss-in-weight runs", "none, as agreed")
LEAST_DOUBT_PERCENT: Final = 2.0
"""[%] No catch test makes the feed factor of a job better known than this (docs/site-file.md)."""
MOST_DOUBT_PERCENT: Final = 50.0


def feeders(_site: Site) -> tuple[str, ...]:
    """Name the feeder: there is one."""
    return ("feeder",)


def _speeds_rev_s(entries: Entries) -> tuple[float, ...]:
    """[rev/s] Return the speeds wanted.

    Raises:
        FormRefusedError: these are no three to five speeds.
    """
    words = entries.text("speeds").replace(",", " ").split()
    try:
        speeds = sorted({float(word) / 60.0 for word in words})
    except ValueError:
        speeds = []
    if not SPEEDS[0] <= len(speeds) <= SPEEDS[1] or not all(0.0 < one < 1e3 for one in speeds):
        expected = f"{SPEEDS[0]} to {SPEEDS[1]} different speeds above 0 in rpm, parted by spaces"
        raise FormRefusedError("speeds", repr(entries.text("speeds")), expected, "Such as: 3 15 30 45 60")
    return tuple(speeds)


def _speeds_default(place: Place) -> str:
    low, high = 60.0 * place.site.params.feed.min_speed_rev_s, 60.0 * place.site.params.feed.max_speed_rev_s
    return " ".join(f"{one:g}" for one in (low, *(round(high * share, 1) for share in (0.25, 0.5, 0.75)), high))


def _rules_fields() -> tuple[Field, ...]:
    minima = tuple(one.value for one in Minimum)
    return (
        Field("minimum", "Shortest run below 1 short ton/h, as agreed", "choice", choices=minima, default=minima[0]),
        Field("scale_isolated", "Is the weighing kept from wind and vibration", "yes"),
        Field("checked_before", "Was the feeder's scale checked before (cell-weights)", "yes"),
    )


_CHECKED_AFTER: Final = Step(
    "Check the scale again",
    ("Put the test weights on the feeder's scale once more. The diverter is back on the drum.",),
    (Field("checked_after", "Was the feeder's scale checked after", "yes"),),
    (AUGER,),
)


def _catch_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    plan = Step(
        "What is tested",
        ("Catch rubber at the diverter's catch outlet, weigh it on a checked scale.",),
        (
            Field("speeds", "Auger speeds, 3 to 5 of them, in rpm", "text", default=_speeds_default(place)),
            Field("catches", "Catches at each speed", "count", default="3", least=1.0, most=10.0),
            Field("rules", "Rules for each run", "choice", choices=RULES, default=RULES[0]),
        ),
    )
    if any(one.name not in entries for one in plan.fields):
        return (plan,)
    speeds = _speeds_rev_s(entries)
    ruled = entries.text("rules") == RULES[0]
    head = (Step("Rules of the runs", (_RULES_SAID,), _rules_fields()),) if ruled else ()
    runs = [
        step
        for at, (speed, number) in enumerate(_plan(entries, speeds), start=1)
        for step in _run_steps(place, f"run_{at}", f"{60.0 * speed:g} rpm, catch {number}", ruled=ruled, fed=False)
    ]
    return (plan, *head, *runs, *((_CHECKED_AFTER,) if ruled else ()), LAST)


_RULES_SAID: Final = (
    "Each run: ten minutes of normal running before it, one complete refill in it, and below 1 short ton/h the agreed "
    "length or mass (Caltrans rules for loss-in-weight feeders). A run that breaks one does not count."
)


def _plan(entries: Entries, speeds: tuple[float, ...]) -> list[tuple[float, int]]:
    return [(speed, number) for speed in speeds for number in range(1, entries.count("catches") + 1)]


def _run_steps(place: Place, run: str, words: str, *, ruled: bool, fed: bool) -> tuple[Step, ...]:
    """Return the steps of one catch: container empty, the run, container full."""
    weighing, diverter = place.site.params.weighing, place.signal(place.site.params.contacts.diverter_to_drum)
    auger = place.signal(weighing.auger_speed)
    refilling = place.signal(weighing.refilling)
    fields = [Field(f"{run}_duration", "Length of the run", "time", Source(Figure.DURATION), above=0.0)]
    if fed:
        fields.append(Field(f"{run}_indicated", "Fed by the feeder's weight loss", "mass", Source(Figure.SUM, FED)))
    else:
        source = Source(Figure.SUM, auger) if auger else None
        fields.append(Field(f"{run}_turns", "Turns of the auger", "turns", source, above=0.0))
    if ruled:
        source = Source(Figure.RISES, refilling) if refilling else None
        fields.append(Field(f"{run}_refills", "Complete refills in the run", "count", source, least=0.0))
    warm = (Field(f"{run}_warm_up", "Normal running just before", "time", least=0.0),) if ruled else ()
    turn = "Turn the diverter to catch, and back to the drum when the container is full or the time is over."
    return (
        Step(
            f"{words}: container", ("Weigh the empty container. Feeder at this speed, diverter on the drum.",),
            (Field(f"{run}_tare", "Container empty", "mass", least=0.0),), (AUGER, DUST),
        ),
        Step(
            f"{words}: catch", (turn,), tuple(fields), (AUGER, LINE),
            Watch(contact=diverter) if diverter else None,
        ),
        Step(
            f"{words}: weigh", ("Weigh the container.",),
            (Field(f"{run}_gross", "Container full", "mass", above=0.0), *warm),
        ),
    )  # fmt: skip


def _net_kg(entries: Entries, run: str) -> float:
    net = entries.needed(f"{run}_gross") - entries.needed(f"{run}_tare")
    if net <= 0.0:
        raise ValueError(f"{run.replace('_', ' ')}: the container weighs no more full than empty")
    return net


def _run(entries: Entries, run: str) -> FeederRun:
    return FeederRun(
        entries.needed(f"{run}_duration"), _net_kg(entries, run), entries.needed(f"{run}_warm_up"),
        entries.count(f"{run}_refills"), *(entries.yes(name) for name in ("scale_isolated", "checked_before",
                                                                         "checked_after")),
    )  # fmt: skip


def _catch_work(place: Place, entries: Entries) -> Worked:
    plan = _plan(entries, _speeds_rev_s(entries))
    catches = [
        Catch(60.0 * speed, _net_kg(entries, f"run_{at}"), entries.needed(f"run_{at}_turns"),
              entries.needed(f"run_{at}_duration"))
        for at, (speed, _) in enumerate(plan, start=1)
    ]  # fmt: skip
    found = catch_tests.evaluate(catches, place.limit_percent(CalibrationKind.FEEDER_CATCH))
    ruled = entries.text("rules") == RULES[0]
    runs = tuple(_run(entries, f"run_{at}") for at in range(1, len(plan) + 1)) if ruled else ()
    old = place.site.params.weighing.feed_factor_kg_rev
    return Worked(
        catch_tests.trials(catches, found.factor_kg_rev), _catch_figures(found, old),
        (_levels(place, found), _catches(place, plan, catches)), _catch_notes(place, found, old, ruled=ruled), runs,
        Minimum(entries.text("minimum") or Minimum.TIME), _proposals(found),
    )  # fmt: skip


def _catch_figures(found: CatchTest, old_kg_rev: float) -> dict[str, float]:
    figures = {
        "feed_factor_kg_rev": found.factor_kg_rev, "linearity_percent": found.linearity_percent,
        "as_found_percent": 100.0 * (old_kg_rev / found.factor_kg_rev - 1.0), "old_feed_factor_kg_rev": old_kg_rev,
    }  # fmt: skip
    if found.repeatability_percent is not None:
        figures["repeatability_percent"] = found.repeatability_percent
    if found.proven_rpm is not None and found.turndown is not None:
        low, high = found.proven_rpm
        figures |= {"proven_low_rpm": low, "proven_high_rpm": high, "turndown": found.turndown}
    return figures


def _levels(place: Place, found: CatchTest) -> Shown:
    rows = [("speed", "catches", "feed factor", "off the line, of full scale", "2 s", "worst catch")]
    rows += [
        (
            f"{one.speed_rpm:.2f} rpm", str(one.catches), _factor(one.factor_kg_rev, metric=place.metric),
            f"{one.deviation_percent:+.2f} %",
            "one catch" if one.repeatability_percent is None else f"{one.repeatability_percent:.2f} %",
            f"{one.worst_percent:+.2f} %",
        )
        for one in found.levels
    ]  # fmt: skip
    return Shown("Feed factor against speed", tuple(rows))


def _catches(place: Place, plan: list[tuple[float, int]], catches: list[Catch]) -> Shown:
    rows = [("run", "speed", "time", "turns", "caught", "feed factor")]
    rows += [
        (
            str(at), f"{60.0 * speed:g} rpm", f"{one.duration_s:.0f} s", f"{one.turns:.1f}",
            shown(one.mass_kg, "mass", metric=place.metric), _factor(one.factor_kg_rev, metric=place.metric),
        )
        for at, ((speed, _), one) in enumerate(zip(plan, catches, strict=True), start=1)
    ]  # fmt: skip
    return Shown("Catches", tuple(rows))


def _factor(factor_kg_rev: float, *, metric: bool) -> str:
    return f"{shown(factor_kg_rev, 'mass', metric=metric)}/rev"


def _catch_notes(place: Place, found: CatchTest, old: float, *, ruled: bool) -> tuple[str, ...]:
    metric, weighing, feed = place.metric, place.site.params.weighing, place.site.params.feed
    notes = [f"Feed factor {_factor(found.factor_kg_rev, metric=metric)}; the site has {_factor(old, metric=metric)}."]
    notes.append(f"Linearity {found.linearity_percent:.2f} % of full scale.")
    if found.repeatability_percent is None:
        notes.append("Repeatability: one catch at a speed tells nothing of it.")
    else:
        notes.append(f"Repeatability {found.repeatability_percent:.2f} % (2 s with n - 1, the worst speed).")
    if found.proven_rpm is None:
        notes.append("Turndown: no speed is proven within the limit.")
    else:
        low, high = found.proven_rpm
        notes.append(f"Turndown 1:{found.turndown:.1f}, from {low:.2f} to {high:.2f} rpm, is proven within the limit.")
        if low > 60.0 * feed.min_speed_rev_s * 1.05:
            notes.append(f"The site lets the auger turn at {60.0 * feed.min_speed_rev_s:g} rpm: that is not proven.")
    if not weighing.feed_factor_low_kg_rev < found.factor_kg_rev < weighing.feed_factor_high_kg_rev:
        notes.append("The factor lies outside the band in which the site believes one: look at the band too.")
    if not ruled:
        notes.append("No rules for the runs were applied, as agreed.")
    return tuple(notes)


def _proposals(found: CatchTest) -> tuple[Proposal, ...]:
    worst = max(abs(one.worst_percent) for one in found.levels)
    doubt = min(MOST_DOUBT_PERCENT, max(LEAST_DOUBT_PERCENT, round(worst + 0.05, 1)))
    why = "mean of the speeds, by the catch test"
    return (
        Proposal(("feeder", "feed_factor_kg_rev"), round(found.factor_kg_rev, 4), why),
        Proposal(("feeder", "feed_factor_doubt_percent"), doubt, "the worst catch, and 2 % at least"),
    )


def _run_steps_all(place: Place, entries: Entries) -> tuple[Step, ...]:
    plan = Step(
        "What is tested",
        ("The feeder's own weight loss against what is caught, or against a known mass that it feeds.", _RULES_SAID),
        (Field("tests", "How many runs", "count", default="3", least=1.0, most=10.0), *_rules_fields()),
    )
    if any(one.name not in entries for one in plan.fields):
        return (plan,)
    total = entries.count("tests")
    runs = [
        step
        for at in range(1, total + 1)
        for step in _run_steps(place, f"run_{at}", f"Run {at} of {total}", ruled=True, fed=True)
    ]
    return (plan, *runs, _CHECKED_AFTER, LAST)


def _run_work(place: Place, entries: Entries) -> Worked:
    names = [f"run_{at}" for at in range(1, entries.count("tests") + 1)]
    runs = tuple(_run(entries, name) for name in names)
    trials = tuple(
        Trial(run.mass_kg, entries.needed(f"{name}_indicated") - run.mass_kg)
        for name, run in zip(names, runs, strict=True)
    )
    metric = place.metric
    rows = [("run", "time", "caught", "fed by weight loss", "error", "refills", "running before")]
    rows += [
        (
            str(at), f"{run.duration_s:.0f} s", shown(run.mass_kg, "mass", metric=metric),
            shown(trial.base_kg + trial.error_kg, "mass", metric=metric), f"{trial.error_percent:+.3f} %",
            str(run.refills), f"{run.warm_up_s / 60.0:.1f} min",
        )
        for at, (run, trial) in enumerate(zip(runs, trials, strict=True), start=1)
    ]  # fmt: skip
    figures = {"mean_error_percent": 100.0 * sum(one.error_kg for one in trials) / sum(one.base_kg for one in trials)}
    spread = catch_tests.repeatability_percent([1.0 + one.error_percent / 100.0 for one in trials])
    figures |= {} if spread is None else {"repeatability_percent": spread}
    return Worked(
        trials, figures, (Shown("Runs", tuple(rows)),), (f"Shortest run as agreed: {entries.text('minimum')}.",), runs,
        Minimum(entries.text("minimum")),
    )  # fmt: skip


FEEDER_CATCH: Final = Procedure(
    "feeder-catch", CalibrationKind.FEEDER_CATCH, "catches at several speeds: the feed factor", feeders, _catch_steps,
    _catch_work,
)  # fmt: skip
FEEDER_RUN: Final = Procedure(
    "feeder-run", CalibrationKind.FEEDER_RUN, "the feeder's weight loss against what is caught", feeders,
    _run_steps_all, _run_work,
)  # fmt: skip
