"""All that a browser test has before it: simulated plant, control and desk as processes, and one Chromium.

Playwright's synchronous interface keeps a loop of its own in this thread; what the bench of the system tests does
asynchronously therefore runs in another one.
"""

import asyncio
import concurrent.futures
import os
import re
import shutil
import signal
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, TypeVar

from playwright.sync_api import Browser, BrowserContext, Page, Playwright

from tests.system.desks import PASSWORD, Desk
from tests.system.plants import Running, Simulator, SiteFile, at

T = TypeVar("T")
RATE = 5.0
"""[1] Plant seconds per second."""
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
"""A test machine's root has no sandbox; the others stop what Chromium would send out by itself."""
LOW_SUPPLY = (
    "supply.start_kg=190.0", "supply.start_bag_kg=0.0", "supply.notice_s=70.0", "supply.change_s=40.0",
    "hopper.start_kg=190.0", "feeder.watchdog_s=60.0",
)  # fmt: skip
"""The supply hopper is low from the first, and the crew hangs a bag after a while."""
PATIENCE = {"max_age_s": 20.0, "timeout_s": 0.9, "confirm_within_s": 30.0, "input_hold_s": 30.0}
"""Keys of the site file that a slow machine would make a stop of."""
RATE_CHANGE = at(120.0, "plant_rate", mix_short_ton_h=200.0)


def apart(work: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine to its end in a thread with a loop of its own."""
    with concurrent.futures.ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def chromium() -> str | None:
    """Return where Chromium is, None where it is not."""
    return shutil.which("chromium") or shutil.which("chromium-headless-shell")


def launch(playwright: Playwright) -> Browser:
    """Start Chromium; the caller has seen that it is there."""
    return playwright.chromium.launch(executable_path=chromium(), headless=True, args=list(FLAGS))


class Bench:
    """One plant, its control and its desk."""

    def __init__(
        self,
        folder: Path,
        free_port: Callable[[], int],
        *,
        rate: float = RATE,
        changes: tuple[str, ...] = LOW_SUPPLY,
        more: str = RATE_CHANGE,
    ) -> None:
        self.site = SiteFile(folder, free_port, rate=rate)
        self.changes = changes
        self._be_patient()
        self.simulator = Simulator(folder, rate=rate, more=more)
        self.port = free_port()
        self.started: list[Running | Desk] = []
        try:
            apart(self._start())
        except BaseException:
            self.close()
            raise

    def _be_patient(self) -> None:
        """Widen every time limit: a test machine that also draws pages is slow, and that is no fault of the plant's."""
        text = self.site.path.read_text()
        for key, value in PATIENCE.items():
            text = re.sub(rf"^{key} = [0-9.]+", f"{key} = {value}", text, flags=re.MULTILINE)
        self.site.path.write_text(text)

    async def _start(self) -> None:
        await self.simulator.start(*(word for change in self.changes for word in ("--set", change)))
        self.site.connect(self.simulator.ports)
        self.desk = Desk(self.site, self.port)
        self.started.append(self.desk)
        self.control = Running(self.site)
        self.started.append(self.control)
        await self.control.up()
        boss = await self.desk.integrator()
        await self.control.do("enable control")
        self.desk.person(boss, "ana", "operator")

    @property
    def address(self) -> str:
        """Return what a browser opens."""
        return f"http://127.0.0.1:{self.port}"

    def view(self) -> dict[str, Any]:
        """Ask control for its newest view."""
        return apart(self.control.ask({"ask": "view"}))

    def until(self, holds: Callable[[dict[str, Any]], object], within_s: float = 40.0) -> dict[str, Any]:
        """Wait for a view for which `holds`."""
        return apart(self.control.until(holds, within_s))

    def freeze(self, who: Running | Desk, *, thaw: bool = False) -> None:
        """Stop a process as a whole, or let it go on."""
        os.kill(who.process.pid, signal.SIGCONT if thaw else signal.SIGSTOP)

    def close(self) -> None:
        """End all of it."""
        for running in self.started:
            if running.process.poll() is None:
                self.freeze(running, thaw=True)
            running.close()
        self.simulator.close()


class Watched:
    """A browser context that keeps what it should not have done: requests elsewhere, errors, refused content."""

    def __init__(self, browser: Browser, address: str, **options: Any) -> None:
        self.address = address
        self.elsewhere: list[str] = []
        self.errors: list[str] = []
        self.context: BrowserContext = browser.new_context(
            **{"viewport": {"width": 1280, "height": 800}, "color_scheme": "light", **options}
        )
        self.context.on("request", self._asked)

    def _asked(self, request: Any) -> None:
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.elsewhere.append(request.url)

    def page(self) -> Page:
        """Open an empty page, and listen to what goes wrong in it."""
        page = self.context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda fault: self.errors.append(str(fault)))
        page.on("console", lambda said: self.errors.append(said.text) if _is_fault(said) else None)
        return page


def _is_fault(said: Any) -> bool:
    """Tell an error of the page from the browser's note that a request was refused or lost, which tests bring about."""
    return said.type == "error" and not re.search(r"Failed to load resource|ERR_|EventSource", said.text)


def log_in(page: Page, address: str, name: str, password: str = PASSWORD) -> None:
    """Log in as a person does."""
    page.goto(address)
    form = page.get_by_role("region", name="Log in")
    form.get_by_label("Name").fill(name)
    form.get_by_label("Password").fill(password)
    form.get_by_role("button", name="Log in").click()
    page.locator("#view-now, #me-must").locator("visible=true").first.wait_for()
