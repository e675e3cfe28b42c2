"""What the page shows of each state, staged from what was recorded: looks, words, and nothing by colour alone."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.looks import AXE, hidden_behind_bar, in_both_lights, sticks_out, too_small
from tests.browser.stage import ADDRESS, STATES, Stage

pytestmark = pytest.mark.browser
SIZES = {"desktop": (1280, 800), "panel": (1024, 600), "phone": (390, 844)}


@pytest.fixture(scope="module")
def stage(browser: Browser) -> Iterator[Stage]:
    """Return one page for all tests that only look; each says which state it looks at."""
    made = Stage(browser)
    made.watched.context.add_init_script(path=AXE)
    made.open()
    yield made
    made.close()


@pytest.fixture
def fresh(browser: Browser) -> Iterator[Stage]:
    """Return a page of the test's own, not opened yet."""
    made = Stage(browser)
    yield made
    made.close()


def test_every_state_is_accessible_and_fits(stage: Stage) -> None:
    for state in STATES:
        page = stage.show(state)
        assert in_both_lights(page) == [], state
        for width, height in SIZES.values():
            page.set_viewport_size({"width": width, "height": height})
            assert sticks_out(page) <= 0, (state, width)
            assert too_small(page) == [], (state, width)


def test_every_view_is_accessible_and_fits(stage: Stage) -> None:
    page = stage.show("stopped")
    for name in ("alarms", "trend", "actions", "me"):
        page.get_by_role("navigation").get_by_role("link", name=name if name != "me" else "Login").click()
        page.locator(f"#view-{name}").wait_for()
        assert in_both_lights(page) == [], name
        for width, height in SIZES.values():
            page.set_viewport_size({"width": width, "height": height})
            assert sticks_out(page) <= 0, (name, width)
            assert too_small(page) == [], (name, width)


def test_login_people_and_sheet_are_accessible(browser: Browser) -> None:
    stage = Stage(browser, role="integrator")
    stage.watched.context.add_init_script(path=AXE)
    page = stage.open("me")
    page.get_by_role("row", name="ana operator").wait_for()
    assert in_both_lights(page) == []
    page.goto(page.url.replace("#me", "#actions"))
    page.get_by_role("button", name="Enter moisture").click()
    assert in_both_lights(page) == []
    assert too_small(page) == []
    stage.session = {"who": None}
    page.reload()
    page.get_by_role("region", name="Log in").wait_for()
    assert in_both_lights(page) == []
    stage.close()


def test_the_questions_of_the_first_screen_are_answered_without_scrolling(stage: Stage) -> None:
    page = stage.show("calm")
    for width, height in (SIZES["desktop"], SIZES["panel"]):
        page.set_viewport_size({"width": width, "height": height})
        for place in ("#verdict", "#follow", "#three", "#left-rows", "#do-nothing"):
            assert not hidden_behind_bar(page, place), (place, width)
        sizes = page.locator(".cell.main .figure:visible").evaluate_all(
            "(all) => all.map((one) => parseFloat(getComputedStyle(one).fontSize))"
        )
        assert len(sizes) == 2
        assert min(sizes) >= 56.0, width


def test_most_urgent_alarm_and_start_hold_stop_are_in_sight_in_a_flood(stage: Stage) -> None:
    page = stage.show("flood")
    for width, height in (SIZES["desktop"], SIZES["panel"]):
        page.set_viewport_size({"width": width, "height": height})
        assert not hidden_behind_bar(page, "#do-alarms"), width
        assert not hidden_behind_bar(page, "#verdict"), width
    card = page.locator("#do-alarms .alarm")
    expect(card).to_have_count(1)
    expect(card).to_contain_text("FIRST")
    expect(card).to_contain_text("Line pressure is high")
    expect(page.locator("#do-more")).to_have_text("All 9 alarms")


def looks_of(page: Page, cell: str) -> tuple[str, str, str]:
    """Return border, pattern and words of a value."""
    group = page.get_by_role("group", name=cell, exact=True)
    border, pattern = group.evaluate(
        "(one) => [getComputedStyle(one).borderTopStyle, getComputedStyle(one).backgroundImage]"
    )
    return border, pattern, group.locator(".flaw").inner_text()


def test_rubber_that_is_left_and_a_flood_are_told_by_the_cores_word(stage: Stage) -> None:
    page = stage.show("calm")
    supply = stage.view()["supply"]
    row = page.locator("#left-rows li").filter(has_text="Supply hopper")
    expect(row).to_contain_text(f"{int(supply['empty_in_s'] // 60)} min")
    job = page.locator("#left-rows li").filter(has_text="Job:")
    expect(job).to_contain_text(f"{supply['bags_to_load_count']} bag")
    expect(page.locator("#verdict-because")).to_contain_text("Last asked: ")
    expect(page.locator("#do-flood")).to_be_hidden()
    expect(page.locator("#do-note")).to_be_hidden()
    page = stage.show("flood")
    expect(page.locator("#do-flood")).to_be_visible()
    expect(page.locator("#do-note")).to_have_text("Note of ben (operator, desk), 120 min ago: Left leg is noisy.")


def test_good_uncertain_and_bad_differ_in_frame_pattern_and_word(stage: Stage) -> None:
    seen = {}
    for state, sign in (("calm", ""), ("uncertain", "~"), ("bad", "---")):
        page = stage.show(state)
        seen[state] = looks_of(page, "Rubber now")
        for cell in ("Rubber now", "Fed"):
            figure = page.get_by_role("group", name=cell, exact=True).locator(".figure").inner_text()
            assert figure.rstrip("0123456789.") == sign, cell
    assert seen["calm"][2] == ""
    assert seen["uncertain"][2] == "Uncertain: last usable value"
    assert seen["bad"][2] == "Bad: no communication"
    assert len({look[0] for look in seen.values()}) == 3
    assert len({look[1] for look in seen.values()}) == 3


def test_an_alarm_stays_and_is_told_when_its_reading_is_bad(stage: Stage) -> None:
    """REQ-35, the page's part: what has vanished is neither nought nor all right."""
    page = stage.show("bad")
    expect(page.locator("#verdict-word")).to_have_text("Whether the rubber follows is in doubt.")
    expect(page.locator("#do-alarms")).to_contain_text("A reading that the feed needs is Bad")
    expect(page.locator("#do-briefs")).to_contain_text("The supply hopper is low")
    expect(page.get_by_role("group", name="Rubber now").locator(".age")).to_contain_text("7.")
    expect(page.locator("#left-rows")).to_contain_text("Bad: no communication")


def test_it_says_what_is_missing(stage: Stage) -> None:
    page = stage.show("monitor")
    expect(page.locator("#verdict-word")).to_have_text("Watching only; nothing is written.")
    expect(page.locator("#do-needs")).to_contain_text("Missing: control enabled (an integrator enables it)")
    expect(page.get_by_role("group", name="Confirmed")).to_contain_text("monitor only")


def test_a_batch_plant_shows_its_charge(stage: Stage) -> None:
    page = stage.show("batch")
    expect(page.get_by_role("group", name="Charge in vessel")).to_contain_text("17.50")
    expect(page.get_by_role("group", name="Dry-mix window")).to_contain_text("open")
    expect(page.get_by_role("group", name="Rubber now")).to_be_hidden()


def test_learning_is_said(stage: Stage) -> None:
    page = stage.show("learning")
    expect(page.locator("#verdict-word")).to_have_text("The rubber follows; still learning.")
    expect(page.get_by_text("LEARNING: the feed factor is not settled yet.")).to_be_visible()


def test_training_and_simulated_cannot_be_overlooked(fresh: Stage) -> None:
    page = fresh.open()
    expect(page.locator("#marks")).to_have_text("SIMULATED PLANT. No real rubber moves.")
    fresh.settings["training"] = True
    page.reload()
    expect(page.locator("#marks")).to_have_text("TRAINING. No real plant moves.")
    expect(page).to_have_title("TRAINING: Demonstration drum plant (invented)")


def test_switch_of_light_holds_over_a_reload(fresh: Stage) -> None:
    page = fresh.open("me")
    html = page.locator("html")
    expect(html).to_have_attribute("data-light", "day")
    for _ in range(2):
        page.get_by_role("button", name="Light").click()
    expect(html).to_have_attribute("data-light", "night")
    page.reload()
    expect(html).to_have_attribute("data-light", "night")


def test_a_machine_that_slept_finds_its_picture_old_at_once(fresh: Stage) -> None:
    """REQ-42: the steady clock may stand still in a sleep of an hour; the wall clock does not."""
    page = fresh.open()
    fresh.silent = True
    page.evaluate("() => { const real = Date.now.bind(Date); Date.now = () => real() + 3_600_000; }")
    expect(page.locator("body")).to_have_attribute("data-link", "desk", timeout=1500)


def test_words_for_a_control_that_has_never_answered(fresh: Stage) -> None:
    fresh.silent = True
    page = fresh.page
    page.goto(ADDRESS)
    expect(page.get_by_role("alert").filter(has_text="NO NEWS")).to_be_visible()
    expect(page.locator("#beat")).to_have_text("No scan yet")
    expect(page.locator("#marks")).to_contain_text("SIMULATED")
