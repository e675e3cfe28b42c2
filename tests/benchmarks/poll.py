"""Poll to write: the ratio to the bare client, from bench_modbus."""

import asyncio

from tests.benchmarks import bench_modbus
from tests.benchmarks.section import Figures, Section, Verdict, table


def measure(quick: bool) -> Figures:
    """Run it."""
    return {"seed": "none: nothing is drawn", **asyncio.run(bench_modbus.run(200 if quick else 4000))}


def judge(figures: Figures) -> Verdict:
    """Hold the ratio against its target."""
    return Verdict(f"{figures['ratio']:.2f} x the bare client", bool(figures["met"]))


def words(figures: Figures) -> list[str]:
    """Write the section."""
    return [
        (
            f"A feeder's {figures['exchanges_per_round'] - 1} blocks read and one register written over loopback: "
            f"{figures['rounds']} rounds through the daemon's link and as many with the bare client, in turn on the "
            "same loop, against one server of bytes in a process of its own. Medians of batches of "
            f"{bench_modbus.BATCH}."
        ),
        "",
        *table(
            ("", "a round [us]", "ratio"),
            [
                ("bare client (the floor)", f"{figures['bare_client_us']:.0f}", "1.00"),
                ("the daemon's link", f"{figures['ours_us']:.0f}", f"{figures['ratio']:.2f}"),
            ],
        ),
    ]


SECTION = Section(
    "poll_to_write", "Poll to write", f"<= {bench_modbus.TARGET_RATIO:g} x the bare client, same loop, same run",
    measure, judge, words,
)  # fmt: skip
