"""Every scenario of the repository over Modbus TCP: real daemon, real simulator, real sockets."""

from concurrent.futures import ThreadPoolExecutor

from tests.benchmarks.protocols import play
from tests.benchmarks.section import SCENARIOS, Figures, Section, Verdict, table

RATE = 2.0
AT_ONCE = 10
"""Each is idle most of the time."""
TARGET = "every scenario shows its expected events in order and its expected end state over Modbus TCP"


def measure(quick: bool) -> Figures:
    """Play several at a time, the longest first."""
    names = sorted((path.stem for path in SCENARIOS.glob("*.toml")), key=lambda name: (name != "demo_shift", name))
    names = ["start_up"] if quick else names
    with ThreadPoolExecutor(AT_ONCE) as pool:
        played = list(pool.map(lambda name: play(name, "tcp", RATE, yardsticks=False), names))
    return {"runs": sorted(played, key=lambda one: str(one["scenario"]))}


def judge(figures: Figures) -> Verdict:
    """Count the scenarios that went as written."""
    runs = figures["runs"]
    good = sum(one["verdict"]["met"] for one in runs)
    return Verdict(f"{good} of {len(runs)} scenarios met", good == len(runs))


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [
        (
            f"`{one['scenario']}`", str(one["seed"]),
            f"{one['verdict']['events_seen']} of {one['verdict']['events_expected']}", one["verdict"]["end_state"],
            "-" if one["metering_rms_percent"] is None else f"{one['metering_rms_percent']:.2f}",
            f"{one['largest_burst_kg']:.2f}", "yes" if one["verdict"]["met"] else "no",
        )
        for one in figures["runs"]
    ]  # fmt: skip
    missed = [
        f"- not met: {one['scenario']}: {failure}" for one in figures["runs"] for failure in one["verdict"]["failures"]
    ]
    head = (
        "scenario", "seed", "events in order", "state at the end", "metering RMS [%]", "largest burst [kg]", "met",
    )  # fmt: skip
    told = f"Each file of `config/scenarios/` by `crumbmeter demo` at {RATE:g}x, {AT_ONCE} at a time."
    return [told, "", *table(head, rows), "", *missed]


SECTION = Section("sockets", "Scenarios over Modbus TCP", TARGET, measure, judge, words)
