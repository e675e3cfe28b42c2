"""Rates of the journal beside bare apsw, from bench_journal."""

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks import bench_journal
from tests.benchmarks.section import ROOT, Figures, Section, Verdict, table


def measure(quick: bool) -> Figures:
    """Run it on the checkout's disk: the machine's temporary folder may be memory."""
    folder = ROOT / "var"
    folder.mkdir(exist_ok=True)
    with TemporaryDirectory(dir=folder) as temporary:
        return {"seed": 1, **bench_journal.measure(Path(temporary), quick=quick)}


def judge(figures: Figures) -> Verdict:
    """Tell the ratio; there is no target for it."""
    ratio, syncs = figures["ratio_to_bare_apsw"], figures["bare_apsw_commits_s"]
    return Verdict(
        f"{ratio:.2f} of bare apsw's rate with the chain and a thread; the disk takes {syncs:.0f} commits/s", None
    )


def words(figures: Figures) -> list[str]:
    """Write the section."""
    rows = [(one["what"], f"{one['per_s']:,.0f} {one['unit']}/s", f"{one['us_each']:.2f}") for one in figures["rates"]]
    return [
        (
            f"{figures['entries']} entries of {figures['body_bytes']} bytes; a commit is FULL and returns when the "
            f"disk says so. A full-rate image takes {figures['bytes_a_scan']:.0f} bytes a scan, "
            f"{figures['mb_a_day']:.0f} MB a day at 200 ms."
        ),
        "",
        *table(("", "rate", "[us] each"), rows),
        "",
        (
            f"Journal to bare apsw, the same rows and {figures['batch']} a commit: "
            f"**{figures['ratio_to_bare_apsw']:.2f}** of its rate with every commit awaited, "
            f"{figures['ratio_queued_to_bare_apsw']:.2f} with all queued at once."
        ),
    ]


SECTION = Section("journal", "Journal", "none set; shown beside the same rows through bare apsw", measure, judge, words)
