"""QC at the page: every question opened, a deviation judged and signed, a ticket entered, a report taken away."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from crumbmeter.site import load
from tests.browser.bench import Watched, apart, log_in
from tests.browser.looks import AXE, in_both_lights, sticks_out
from tests.quality_site import DAY, ROOT, SHORT, record
from tests.system.desks import PASSWORD, Desk
from tests.system.plants import SiteFile

pytestmark = [pytest.mark.browser, pytest.mark.timeout(180)]
DEVIATION = f"D{SHORT[0]}-short"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, module_port: Callable[[], int]) -> Iterator[Desk]:
    """A desk over a record that a plant has left; control does not run."""
    folder = tmp_path_factory.mktemp("quality")
    for name in ("quality", "pay", "specifications"):
        shutil.copytree(ROOT / "config" / name, folder / name)
    shutil.copy(ROOT / "config" / "calibration-limits.toml", folder)
    site = SiteFile(folder, module_port, rate=1.0)
    made = Desk(site, module_port())
    record(load(site.path))
    try:
        apart(made.integrator())
        yield made
    finally:
        made.process.terminate()
        made.process.wait(20)


@pytest.fixture(scope="module")
def watched(browser: Browser, desk: Desk) -> Iterator[Watched]:
    made = Watched(browser, f"http://127.0.0.1:{desk.port}", accept_downloads=True)
    made.context.add_init_script(path=AXE)
    yield made
    made.context.close()


@pytest.fixture(scope="module")
def page(watched: Watched) -> Page:
    made = watched.page()
    log_in(made, watched.address, "integrator")
    made.goto(f"{watched.address}/quality")
    made.locator("#from").fill(DAY)
    made.locator("#to").fill(DAY)
    made.get_by_role("button", name="Show").click()
    made.get_by_role("link", name=DEVIATION).wait_for()
    return made


def opened(page: Page, watched: Watched, where: str) -> Page:
    page.goto(f"{watched.address}/quality#{where}")
    page.locator("#told:empty").wait_for(state="attached")
    page.locator("#answer article").wait_for()
    return page


@pytest.mark.parametrize(
    "where",
    ["deviations", "day", "lots", "trucks", "rubber", "calibrations", "moistures", "laboratory", "log", "entries",
     f"deviation/{DEVIATION}", "lot/1", "specification/fibre_feed"],
)  # fmt: skip
def test_every_question_is_shown_and_reads_well(page: Page, watched: Watched, where: str) -> None:
    opened(page, watched, where)
    assert page.locator("#fault").text_content() == ""
    assert in_both_lights(page) == []
    assert sticks_out(page) <= 0


def test_a_deviation_is_judged_and_signed(page: Page, watched: Watched) -> None:
    opened(page, watched, f"deviation/{DEVIATION}")
    page.get_by_role("button", name="Judge", exact=True).click()
    page.get_by_label("Cause").select_option("conveying line")
    page.get_by_label("Disposition").select_option("sample and test")
    page.get_by_role("button", name="Put on record").click()
    page.get_by_text("On record as entry").wait_for()
    page.get_by_role("button", name="Sign", exact=True).first.click()
    page.get_by_label("What the signature means").fill("reviewed and disposed")
    page.get_by_label("Your password, once more").fill("not this one")
    page.locator("#say-form button[type=submit]").click()
    page.locator("#say-form .fault", has_text="not the password in force").wait_for()
    page.get_by_label("Your password, once more").fill(PASSWORD)
    page.locator("#say-form button[type=submit]").click()
    page.locator("#answer dd", has_text="signed").first.wait_for()


def test_a_ticket_is_entered_and_a_wrong_one_told_why(page: Page, watched: Watched) -> None:
    opened(page, watched, "trucks")
    page.get_by_role("button", name="Load ticket").click()
    page.get_by_label("Ticket", exact=True).fill("1001")
    page.get_by_label("Net mass").fill("heavy")
    page.get_by_label("When").fill(f"{DAY}T09:30")
    page.get_by_role("button", name="Put on record").click()
    page.locator("#say-form .fault", has_text="heavy").wait_for()
    page.get_by_label("Net mass").fill("20.5")
    page.get_by_role("button", name="Put on record").click()
    page.get_by_role("link", name="ticket 1001").click()
    page.get_by_role("heading", name="Load ticket 1001").wait_for()


def test_a_report_is_taken_away(page: Page, watched: Watched, tmp_path: Path) -> None:
    opened(page, watched, "lots")
    with page.expect_download(timeout=60_000) as wanted:
        page.get_by_role("link", name="PDF", exact=True).click()
    wanted.value.save_as(tmp_path / "lots.pdf")
    assert (tmp_path / "lots.pdf").read_bytes().startswith(b"%PDF")


def test_nothing_was_asked_of_another_host(page: Page, watched: Watched) -> None:
    opened(page, watched, "deviations")
    assert watched.elsewhere == []
    assert watched.errors == []
