"""Asking something of control: limits before entry, a confirmation that fits the risk, nothing on Enter alone."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from tests.browser.stage import Stage

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def stage(browser: Browser) -> Iterator[Stage]:
    """Return the operator's page, for one test after the other."""
    made = Stage(browser, "stopped")
    made.open()
    yield made
    made.close()


def sheet_of(page: Page, name: str) -> Locator:
    """Open the sheet of one action."""
    page.get_by_role("button", name=name).first.click()
    return page.get_by_role("dialog")


def test_moisture_shows_limits_first_and_refuses_what_is_outside(stage: Stage) -> None:
    page = stage.show("stopped", "actions")
    sheet = sheet_of(page, "Enter moisture")
    expect(sheet).to_contain_text("From 0 to 20 percent of dry mass")
    expect(sheet).to_contain_text("Now: 4 percent of dry mass")
    field = sheet.get_by_label("Percent of dry mass")
    send = sheet.get_by_role("button", name="Enter moisture")
    for typed, said in (("", "Type a number."), ("4.x", "Type a number."), ("20.5", "It must be from 0 to 20")):
        field.fill(typed)
        send.click()
        expect(sheet.get_by_role("alert")).to_contain_text(said)
    since = sheet.get_by_label("Sampled how many minutes ago")
    field.fill("5,5")
    since.fill("2000")
    send.click()
    expect(sheet.get_by_role("alert")).to_contain_text("It must be from 0 to 1440 minutes.")
    since.fill("90")
    field.press("Enter")
    send.focus()
    send.press("Enter")
    assert stage.sent == []
    send.press("Space")
    expect(page.locator("#told-text")).to_contain_text("Control says: done")
    (sent,) = stage.sent
    assert (sent["kind"], sent["subject"], round(sent["value"], 6)) == ("set moisture", "aggregate", 0.055)
    assert sent["since_s"] == 5400


def test_a_big_step_is_typed_twice_and_a_field_being_edited_is_left_alone(stage: Stage) -> None:
    page = stage.show("stopped", "actions")
    sheet = sheet_of(page, "Enter moisture")
    field = sheet.get_by_label("Percent of dry mass")
    again = sheet.get_by_label("type the number once more")
    expect(again).to_be_hidden()
    field.fill("12")
    expect(again).to_be_visible()
    seen = page.locator("body").get_attribute("data-seq")
    with page.expect_request("**/api/v1/stream"):
        pass
    page.locator("body[data-link=fresh]").wait_for()
    assert page.locator("body").get_attribute("data-seq") == seen
    assert field.input_value() == "12"
    sheet.get_by_role("button", name="Enter moisture").click()
    expect(sheet.get_by_role("alert")).to_contain_text("big step")
    assert stage.sent == []
    again.fill("12")
    sheet.get_by_role("button", name="Enter moisture").click()
    expect(page.locator("#told-text")).to_contain_text("aggregate, 12 percent of dry mass")
    assert [one["value"] for one in stage.sent] == [0.12]


def test_shelving_takes_time_and_reason_and_the_most_of_its_priority(stage: Stage) -> None:
    page = stage.show("stopped", "alarms")
    card = page.locator("#alarms-live .alarm").filter(has_text="outside its warning band")
    card.get_by_role("button", name="Shelve").click()
    sheet = page.get_by_role("dialog")
    expect(sheet).to_contain_text("The alarm is not told for so long")
    limit = sheet.locator(".limits").inner_text()
    assert limit.startswith("From 1 to ")
    assert limit.endswith(" minutes")
    sheet.get_by_label("Minutes").fill("5")
    sheet.get_by_role("button", name="Shelve an alarm").click()
    expect(sheet.get_by_role("alert")).to_contain_text("Say why")
    sheet.get_by_label("Why").fill("the drum is starting up")
    sheet.get_by_role("button", name="Shelve an alarm").click()
    expect(page.locator("#told-text")).to_contain_text("Control says: done")
    (sent,) = stage.sent
    assert (sent["subject"], sent["value"], sent["reason"]) == ("dose_warning", 300, "the drum is starting up")


def test_start_asks_and_stop_does_not_and_stays_in_reach(stage: Stage) -> None:
    page = stage.show("stopped")
    sheet = sheet_of(page, "Start feed")
    expect(sheet).to_contain_text("machinery starts by itself")
    assert stage.sent == []
    stop = page.get_by_role("button", name="Stop feed")
    stop.focus()
    stop.press("Enter")
    assert stage.sent == []
    stop.click()
    expect(page.locator("#told-text")).to_contain_text("Stop feed. Control says: done")
    assert [one["kind"] for one in stage.sent] == ["stop feed"]
    page.keyboard.press("Escape")
    expect(sheet).to_be_hidden()


def test_enabling_control_takes_the_typed_word(browser: Browser) -> None:
    stage = Stage(browser, "stopped", role="integrator")
    for action in stage.actions:
        if action["kind"] == "enable control":
            action |= {"allowed": True, "why_not": ""}
    page = stage.open("actions")
    sheet = sheet_of(page, "Enable control")
    send = sheet.get_by_role("button", name="Enable control")
    send.click()
    expect(sheet.get_by_role("alert")).to_contain_text("Type “enable control”")
    assert stage.sent == []
    sheet.get_by_label("to confirm").fill("enable control")
    send.click()
    expect(page.locator("#told-text")).to_contain_text("Control says: done")
    assert [one["kind"] for one in stage.sent] == ["enable control"]
    stage.close()


def test_what_cannot_be_done_now_says_why(stage: Stage) -> None:
    page = stage.show("stopped", "actions")
    row = page.get_by_role("button", name="Enable control")
    expect(row).to_have_attribute("aria-disabled", "true")
    row.click(force=True)  # Playwright holds back from what only says that it is disabled; a finger does not
    expect(page.get_by_role("dialog")).to_contain_text("Not now: only integrator may do this")
    assert stage.sent == []
