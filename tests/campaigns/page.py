"""The figures in docs/field-lessons.md, made from the campaigns' own: nobody types them."""

import json
import re
from pathlib import Path
from typing import Any

from tests.campaigns.common import RESULTS, ROOT

PAGE = ROOT / "docs" / "field-lessons.md"
_PLACE = re.compile(r"<!-- figures: (\w+) -->\n.*?<!-- end -->\n", re.DOTALL)


def _read(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((RESULTS / f"{name}.json").read_text("utf-8"))
    return found


def _bound(value: float | None) -> str:
    return "" if value is None else f"{value:.1e}"


def _table(head: list[str], rows: list[list[object]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(map(str, row)) + " |" for row in rows])


def mismatch() -> str:
    """Say the mismatch campaigns."""
    rows: list[list[object]] = []
    for name in ("tcp", "rtu", "rtu_over_tcp"):
        one = _read(f"mismatch-{name}")
        struck = sum(count for kind, count in one["faults"].items() if not kind.startswith("frames"))
        refused = sum(count for kind, count in one["outcomes"].items() if kind.startswith("mismatch"))
        rows.append([
            name, f"{one['transactions']:,}", f"**{one['wrong']}**", _bound(one["bound_95"]), f"{struck:,}",
            f"{refused:,}", f"{one['outcomes']['timeout']:,}", one["later_than_promised"],
            ", ".join(map(str, one["seeds"])), f"{one['duration_s']:.0f} s",
        ])  # fmt: skip
    head = ["transport", "transactions", "wrong values", "95 % below", "frames struck", "replies refused", "time-outs",
            "device broke its word", "seeds", "took"]  # fmt: skip
    return _table(head, rows)


def writes() -> str:
    """Say the write campaigns."""
    rows: list[list[object]] = []
    for name in ("tcp", "rtu", "rtu_over_tcp"):
        one = _read(f"writes-{name}")
        rows.append([
            name, f"{one['writes']:,}", f"{one['compared']:,}", f"{one['acknowledged_and_looked_up']:,}",
            f"**{sum(one['differences'].values())}**", _bound(one["bound_95"]), ", ".join(map(str, one["seeds"])),
            f"{one['duration_s']:.0f} s",
        ])  # fmt: skip
    head = ["transport", "writes", "outputs compared at rest", "acknowledged, looked up in the device's log",
            "differences", "95 % below", "seeds", "took"]  # fmt: skip
    return _table(head, rows)


def outages() -> str:
    """Say the outages."""
    result = _read("outages")
    rows: list[list[object]] = [
        [kind.replace("_", " "), one["outages"], one["noticed"], one["within_cap_and_scan"],
         one["within_cap_scan_and_one_exchange"], one["never_back"], one["median_s"], one["longest_s"]]
        for kind, one in result["kinds"].items()
    ]  # fmt: skip
    head = ["outage", "times", "noticed", "back within cap and scan", "and one exchange", "never", "median [s]",
            "longest [s]"]  # fmt: skip
    quarter, end = result["at_a_quarter"], result["at_the_end"]
    flat = ", ".join(f"{name.replace('_', ' ')} {quarter[name]} → {end[name]}" for name in quarter)
    settings = (
        f"Back-off {result['backoff_s'][0]} to {result['backoff_s'][1]} s, scan {result['scan_s']} s, time-out "
        f"{result['timeout_s']} s, outages of {result['outage_s'][0]} to {result['outage_s'][1]} s; process time at "
        f"{result['process_seconds_in_a_second']} times real. Seed {result['seed']}, {result['duration_s']:.0f} s. "
        f"From a quarter of it to the end: {flat}."
    )
    return _table(head, rows) + "\n\n" + settings


def units() -> str:
    """Say the eight units."""
    result = _read("eight-units")
    rows: list[list[object]] = []
    for bus in result["buses"]:
        worst = max(phase["worst_interval"] for phase in bus["phases"])
        seven = bus["phases"][-1]
        rows.append([
            bus["bus"], f"{bus['shortest_mean_period']} to {bus['longest_mean_period']}",
            f"{seven['shortest_mean_period']} to {seven['longest_mean_period']}", worst,
            max(phase["worst_interval_while_found_out"] for phase in bus["phases"][1:-1]),
            seven["worst_interval_while_found_out"], bus["all_back_after"],
        ])  # fmt: skip
    head = ["bus", "mean period of the healthy, of the nominal", "with seven dead", "longest single interval",
            "while one is found out", "while seven are", "all back"]  # fmt: skip
    told = (
        f"Real time, period {result['period_s']} s, time-out {result['timeout_s']} s, "
        f"{result['buses'][0]['periods_in_a_phase']} periods a phase, ten phases; {result['duration_s']:.0f} s."
    )
    return _table(head, rows) + "\n\n" + told


def restarts() -> str:
    """Say the restarts."""
    result = _read("restarts")
    kinds = ", ".join(f"{name} {count}" for name, count in sorted(result["restarts"].items()))
    rows: list[list[object]] = [[
        sum(result["restarts"].values()), kinds, result["under_way"].get("feeding", 0), f"{result['writes']:,}",
        f"**{result['jumps']}**", _bound(result["bound_95"]), result["early"], result["worst"], result["fed_after"],
        ", ".join(map(str, result["seeds"])), f"{result['duration_s']:.0f} s",
    ]]  # fmt: skip
    head = ["restarts", "of what", "while feeding", "writes judged", "jumps", "95 % below", "writes too early",
            "largest change, of the ramp", "fed again before the next", "seeds", "took"]  # fmt: skip
    return _table(head, rows)


def filled(text: str) -> str:
    """Return the page with its figures as they are in the campaigns' files."""
    makers = {"mismatch": mismatch, "writes": writes, "outages": outages, "restarts": restarts, "units": units}

    def put(found: re.Match[str]) -> str:
        return f"<!-- figures: {found[1]} -->\n{makers[found[1]]()}\n<!-- end -->\n"

    return _PLACE.sub(put, text)


def write(page: Path = PAGE) -> None:
    """Bring the page up to date."""
    page.write_text(filled(page.read_text("utf-8")), "utf-8")
