"""The desk's pages and the scan: fifty live streams, ten of them stalled, against none; and how old a change is."""

import asyncio
import contextlib
import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from playwright.sync_api import sync_playwright

from tests.benchmarks.section import ROOT, Figures, Section, Verdict, table
from tests.browser.bench import Watched, launch, log_in
from tests.system.desks import Browser, Desk, Stream
from tests.system.plants import Simulator, SiteFile

SEED = 7
READING, STALLED = 40, 10
PAIRS, WINDOW_S = 12, 20.0
SHOWN_S = 40.0
"""[s] The crowd stays so long beside the page."""
REOPEN_S = 4.0
"""[s] The desk drops the stalled ones; new ones take their places after so long."""
TARGET_SHARE, TARGET_MS, TARGET_AGE_S = 0.10, 1.0, 0.5
RESAMPLES = 2000


async def _read(browser: Browser, ages_s: list[float] | None) -> None:
    """Read one stream until cancelled; of one of them, note how old each view is when it has come."""
    reader, writer = await asyncio.open_connection("127.0.0.1", browser.port, limit=1 << 20)
    try:
        writer.write(f"GET /api/v1/stream HTTP/1.1\r\nHost: desk\r\nCookie: {browser.cookie}\r\n\r\n".encode())
        if ages_s is None:
            while await reader.read(1 << 16):
                pass
        while line := await reader.readline():
            if line.startswith(b'data: {"answer":"view"'):
                latched = datetime.fromisoformat(json.loads(line[6:])["wall_time"]).timestamp()
                ages_s.append(time.time_ns() / 1e9 - latched)  # type: ignore[union-attr]
    finally:
        writer.transport.abort()


async def _crowd(browser: Browser, seconds: float, ages_s: list[float]) -> None:
    """Let forty read and ten stall for a while."""
    loop = asyncio.get_running_loop()
    readers = [asyncio.ensure_future(_read(browser, None if number else ages_s)) for number in range(READING)]
    ends_s = loop.time() + seconds
    try:
        while (left_s := ends_s - loop.time()) > 0.0:
            stalled = [Stream(browser, receive_bytes=4096) for _ in range(STALLED)]
            await asyncio.wait(readers, timeout=min(REOPEN_S, left_s))
            for one in stalled:
                one.close()
    finally:
        for reader in readers:
            reader.cancel()
        await asyncio.gather(*readers, return_exceptions=True)


async def _nobody(seconds: float) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await asyncio.Event().wait()


SHOWN = """(least) => {
    const made = new Map();
    const stream = new EventSource("/api/v1/stream");
    stream.addEventListener("view", ({ data }) => {
        const view = JSON.parse(data);
        made.set(String(view.seq), Date.parse(view.wall_time));
    });
    const shown = [];
    window.taken = () => shown.filter(([seq]) => made.has(seq)).map(([seq, at]) => (at - made.get(seq)) / 1000);
    new MutationObserver(() => {
        shown.push([document.body.dataset.seq, Date.now()]);
        if (window.taken().length >= least) document.body.dataset.taken = "";
    }).observe(document.body, { attributes: true, attributeFilter: ["data-seq"] });
}"""
"""In the page: when each scan was shown, by the body's own mark, less when it was latched, by a second stream."""


def _shown_s(port: int, least: int) -> list[float]:
    """Return how old [s] each of so many scans was when a page in Chromium had drawn it."""
    with sync_playwright() as playwright:
        watched = Watched(launch(playwright), f"http://127.0.0.1:{port}")
        page = watched.page()
        log_in(page, watched.address, "integrator")
        page.evaluate(SHOWN, least)
        page.locator("body[data-taken]").wait_for(timeout=120_000)
        ages_s: list[float] = page.evaluate("() => window.taken()")
        watched.context.close()
    return ages_s


def measure(quick: bool) -> Figures:
    """Measure pairs of windows, in turn which comes first."""
    pairs, window_s = (2, 4.0) if quick else (PAIRS, WINDOW_S)
    ports = count(27_500)
    with TemporaryDirectory() as folder, contextlib.ExitStack() as ends:
        site = SiteFile(Path(folder), lambda: next(ports), rate=1.0)
        plant = Simulator(Path(folder), rate=1.0)
        ends.callback(plant.close)
        asyncio.run(plant.start())
        site.connect(plant.ports)
        desk = Desk(site, next(ports))
        ends.callback(desk.close)
        notes = Path(folder) / "scans"
        words = [sys.executable, "-m", "tests.benchmarks.desk_control", str(site.path), str(notes)]
        control = subprocess.Popen(
            words, cwd=folder, env=_environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        ends.callback(_end, control)
        browser = asyncio.run(desk.integrator())
        windows = _windows(browser, pairs, window_s)
        with ThreadPoolExecutor(1) as beside:  # the page, while the crowd is there
            crowd = beside.submit(asyncio.run, _crowd(browser, SHOWN_S / (5.0 if quick else 1.0), []))
            shown_s = _shown_s(desk.port, 20 if quick else 120)
            crowd.result()
        ages_s = windows.pop("ages_s")
        rows = [tuple(map(float, line.split())) for line in notes.read_text().splitlines() if line.count(" ") == 1]
    taken = {
        name: [[us for at_s, us in rows if began_s <= at_s < ended_s] for began_s, ended_s in found]
        for name, found in windows.items()
    }
    return {
        "seed": SEED, "window_s": window_s, "late_us": taken, "ages_s": [round(age_s, 4) for age_s in ages_s],
        "shown_s": [round(age_s, 3) for age_s in shown_s],
    }  # fmt: skip


def _windows(browser: Browser, pairs: int, window_s: float) -> dict[str, Any]:
    """Run the windows; return when each began and ended, by the machine's monotonic clock [s]."""
    found: dict[str, Any] = {"none": [], "fifty": [], "ages_s": []}
    asyncio.run(_nobody(window_s / 2.0))
    for pair in range(pairs):
        for name in ("none", "fifty") if pair % 2 else ("fifty", "none"):
            began_s = time.perf_counter()
            asyncio.run(_crowd(browser, window_s, found["ages_s"]) if name == "fifty" else _nobody(window_s))
            found[name].append((began_s, time.perf_counter()))
    return found


def _environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": f"{ROOT}:{ROOT / 'daemon'}:{ROOT / 'simulators'}"}


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    process.wait(20)


def p99_us(windows: Sequence[Sequence[float]]) -> float:
    """[us] Return the 99th percentile of all scans of some windows."""
    ordered = sorted(value for window in windows for value in window)
    return ordered[min(len(ordered) - 1, -int(-0.99 * len(ordered) // 1) - 1)]


def change(figures: Figures) -> dict[str, float]:
    """Return the change of p99 [us] with its interval of 95 %: pairs drawn again, with replacement."""
    none, fifty = figures["late_us"]["none"], figures["late_us"]["fifty"]
    chance = random.Random(figures["seed"])
    drawn = []
    for _ in range(RESAMPLES):
        some = [chance.randrange(len(none)) for _ in none]
        drawn.append(p99_us([fifty[one] for one in some]) - p99_us([none[one] for one in some]))
    drawn.sort()
    alone_us = p99_us(none)
    return {
        "alone_us": alone_us, "change_us": p99_us(fifty) - alone_us,
        "low_us": drawn[int(0.025 * RESAMPLES)], "high_us": drawn[int(0.975 * RESAMPLES)],
    }  # fmt: skip


def judge(figures: Figures) -> Verdict:
    """Hold the upper end of the interval, and the oldest change, against their targets."""
    found = change(figures)
    oldest_s = max(*figures["ages_s"], *figures["shown_s"])
    met = found["high_us"] / found["alone_us"] < TARGET_SHARE or found["high_us"] <= TARGET_MS * 1e3
    reached = (
        f"p99 {found['change_us'] / 1e3:+.2f} ms (95 % {found['low_us'] / 1e3:+.2f} to "
        f"{found['high_us'] / 1e3:+.2f}) on {found['alone_us'] / 1e3:.2f} ms; a change is at most {oldest_s:.2f} s "
        "old when it is shown"
    )
    return Verdict(reached, met and oldest_s <= TARGET_AGE_S)


def words(figures: Figures) -> list[str]:
    """Write the section."""
    pairs = len(figures["late_us"]["none"])
    ages_s = sorted(figures["ages_s"])
    shown_s = sorted(figures["shown_s"])
    rows = [
        (name, str(sum(map(len, windows))), f"{p99_us(windows) / 1e3:.2f}")
        for name, windows in (("no page open", figures["late_us"]["none"]), ("fifty", figures["late_us"]["fifty"]))
    ]
    return [
        (
            f"Control, desk, simulated plant and all browsers on this machine, at real time: {pairs} pairs of windows "
            f"of {figures['window_s']:g} s, with {READING} streams that read and {STALLED} that do not, and with none. "
            "What is timed is each scan from when it was due to its end. The interval is a bootstrap over the pairs; "
            "its upper end is held against the target."
        ),
        "",
        *table(("", "scans", "p99 [ms]"), rows),
        "",
        (
            f"A view is {ages_s[len(ages_s) // 2]:.3f} s old (median of {len(ages_s)}) when a browser has it, counted "
            f"from when the scan that made it latched its inputs; at most {ages_s[-1]:.3f} s. A page in Chromium has "
            f"drawn it {shown_s[len(shown_s) // 2]:.3f} s after the latch (median of {len(shown_s)}), at most "
            f"{shown_s[-1]:.3f} s, with the fifty streams beside it."
        ),
    ]


SECTION = Section(
    "desk", "Pages and the scan", "change of p99 < 10 % or <= 1 ms with 50 streams; a change <= 0.5 s old",
    measure, judge, words,
)  # fmt: skip
