"""Which modules the mutation score is measured on, by which tests, and what it has to reach. Data alone."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Group:
    """Modules that do one job, and the fast tests that hold them to it."""

    target: float
    """[fraction] Of the mutants of each module that the tests must notice."""
    modules: tuple[str, ...]
    tests: tuple[str, ...]
    """All that is in them runs, but what has a word of `SLOW` in its name."""


@dataclass(frozen=True, slots=True)
class Demand:
    """What is asked for: a row of the benchmark page."""

    target: float
    """[fraction]"""
    of: str
    groups: tuple[str, ...]


SLOW = ("cheap", "million")
"""Words in the names of tests that measure time or take long."""
BESIDE = ("tests/cores.py", "tests/fakes.py", "tests/unit/control/parcels.py", "tests/unit/signals/bench.py")
"""What the tests import."""
GROUPS = {
    "codec": Group(
        0.90,
        ("field/words.py", "field/words_codes.py", "field/words_decoders.py", "field/scaling.py", "field/views.py"),
        (
            "tests/unit/field/test_words.py", "tests/unit/field/test_words_codes.py",
            "tests/unit/field/test_scaling.py", "tests/unit/field/test_views.py",
            "tests/spec/test_modbus_orders.py", "tests/property/test_field_codec.py",
        ),
    ),
    "control": Group(
        0.85,
        ("process/dose.py", "control/chain.py", "control/record.py", "control/outlet.py", "control/tolerance.py"),
        (
            "tests/unit/process/test_dose.py", "tests/spec/test_dose_published.py",
            "tests/unit/control/test_chain.py", "tests/unit/control/test_record.py",
            "tests/unit/control/test_outlet.py", "tests/unit/control/test_tolerance.py",
        ),
    ),
    "read plan": Group(
        0.90,
        ("field/plan.py", "field/parts.py", "field/sampling.py"),
        (
            "tests/unit/field/test_plan.py", "tests/unit/field/test_parts.py", "tests/unit/field/test_sampling.py",
            "tests/property/test_field_plan.py",
        ),
    ),
    "signals": Group(
        0.90,
        ("signals/settle.py", "signals/pulse.py", "signals/status.py"),
        (
            "tests/unit/signals/test_settle.py", "tests/unit/signals/test_settle_trust.py",
            "tests/unit/signals/test_settle_limits.py", "tests/unit/signals/test_baseline.py",
            "tests/unit/signals/test_status.py", "tests/unit/signals/test_pulse.py",
            "tests/unit/signals/test_loops.py",
        ),
    ),
    "totaliser": Group(0.90, ("signals/totaliser.py",), ("tests/unit/signals/test_totaliser.py",)),
    "frames": Group(
        0.90,
        ("field/replies.py", "field/frames.py", "field/owed.py"),
        (
            "tests/unit/field/test_replies.py", "tests/unit/field/test_frames.py", "tests/unit/field/test_owed.py",
            "tests/unit/field/test_plan.py", "tests/spec/test_modbus_serial.py",
        ),
    ),
}  # fmt: skip
DEMANDS = {
    "mutation": Demand(0.85, "codec, dose, constraint chain and totals", ("codec", "control")),
    "mutation_field": Demand(
        0.90,
        "codec with frames, read plan, signals and totaliser",
        ("codec", "read plan", "signals", "totaliser", "frames"),
    ),
}
"""By the section of the page."""
MODULES = tuple(module for group in GROUPS.values() for module in group.modules)


def target_of(module: str) -> float:
    """[fraction] Return what a module has to reach."""
    return next(group.target for group in GROUPS.values() if module in group.modules)


def suite_of(modules: tuple[str, ...]) -> tuple[str, ...]:
    """Return the tests of all groups that have one of the modules."""
    chosen = [group for group in GROUPS.values() if not set(group.modules).isdisjoint(modules)]
    return tuple(dict.fromkeys(test for group in chosen for test in group.tests))
