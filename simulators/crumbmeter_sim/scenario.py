"""A scenario: which plant, for how long, what happens when, and what ought to be seen."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crumbmeter_sim.loader import FileRefusedError, build, read_toml
from crumbmeter_sim.mischief import problems_of_step
from crumbmeter_sim.verbs import Step, check_step


@dataclass(frozen=True, slots=True)
class Order:
    """What the operator asks of the daemon. The runner delivers it; the simulator only carries it."""

    t_s: float
    command: str
    subject: str = ""
    value: float = 0.0


@dataclass(frozen=True, slots=True)
class Expected:
    """An event of the daemon that must be seen, in order with the others."""

    event: str
    after_s: float = 0.0
    before_s: float = 1e9
    detail: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ExpectedEnd:
    """How the run must end. A key left out is not judged."""

    run_state: str | None = None
    min_windows_within_percent: float | None = None
    """[%] Windows of 5 t within 5 % of the dose."""
    max_rms_percent: float | None = None
    max_total_error_percent: float | None = None
    max_rubber_without_mix_kg: float | None = None
    """[kg] Largest single burst onto an empty or standing drum."""
    max_without_rubber_tonne: float | None = None
    max_catch_kg: float | None = None
    min_fed_kg: float | None = None
    max_fed_kg: float | None = None
    min_refills: int | None = None
    min_batches_complete: int | None = None
    min_batches_aborted: int | None = None
    max_batch_error_percent: float | None = None
    """[%] Of the complete batches, against their rubber targets."""
    max_outside_window_kg: float | None = None
    """[kg] Let into the line while no window was open."""
    min_recovered: int | None = None
    """Aborted batches after which the next one was within its tolerance."""
    min_bags_changed: int | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """All of it."""

    title: str
    path: Path
    plant: Path
    seed: int
    duration_s: float
    at: tuple[Step, ...]
    operator: tuple[Order, ...]
    expect: tuple[Expected, ...]
    expect_end: ExpectedEnd
    changes: dict[str, Any]
    """Plant parameters by dotted path that differ in this scenario."""


@dataclass(frozen=True, slots=True)
class _Shape:
    title: str
    plant: str
    seed: int
    duration_s: float
    at: tuple[Any, ...] = ()
    operator: tuple[Order, ...] = ()
    expect: tuple[Expected, ...] = ()
    expect_end: ExpectedEnd = field(default_factory=ExpectedEnd)
    changes: dict[str, Any] = field(default_factory=dict)


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    Raises:
        FileRefusedError: with every problem found.
    """
    shape = build(path, _Shape, read_toml(path))
    problems: list[str] = []
    steps: list[Step] = []
    for i, entry in enumerate(shape.at):
        step, wrong = check_step(entry, f"at[{i}]")
        problems += wrong
        if step is not None:
            steps.append(step)
            problems += [f"  at[{i}].{text}" for text in problems_of_step(step)]
    times = [step.t_s for step in steps] + [order.t_s for order in shape.operator]
    problems += [
        f"  t_s = {t_s}: later than duration_s = {shape.duration_s}" for t_s in times if t_s > shape.duration_s
    ]
    if problems:
        raise FileRefusedError(path, problems)
    return Scenario(
        title=shape.title,
        path=path,
        plant=(path.parent / shape.plant).resolve(),
        seed=shape.seed,
        duration_s=shape.duration_s,
        at=tuple(sorted(steps, key=lambda step: step.t_s)),
        operator=tuple(sorted(shape.operator, key=lambda order: order.t_s)),
        expect=shape.expect,
        expect_end=shape.expect_end,
        changes=shape.changes,
    )
