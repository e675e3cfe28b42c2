"""What any page must be: axe-core finds nothing serious, nothing sticks out, a glove finds its mark."""

from pathlib import Path
from typing import Any

from playwright.sync_api import Page

AXE = Path(__file__).with_name("assets") / "axe.min.js"
GLOVE_PX = 60
"""[CSS px] Height and width of what is touched."""
LINKS_PX = 44
"""[CSS px] Of links within text."""


def violations(page: Page) -> list[str]:
    """Return what axe-core finds that is serious or critical; its context has axe as a script of its own."""
    found = page.evaluate("async () => (await axe.run(document, {resultTypes: ['violations']})).violations")
    return [
        f"{one['id']} ({one['impact']}): {one['nodes'][0]['html'][:160]} {one['nodes'][0].get('failureSummary', '')}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


def in_both_lights(page: Page) -> list[str]:
    """Return what axe-core finds by day and by night."""
    found = []
    for light in ("light", "dark"):
        page.emulate_media(color_scheme=light)
        page.locator(f"html[data-light={'day' if light == 'light' else 'night'}]").wait_for()
        found += [f"{light}: {text}" for text in violations(page)]
    return found


def sticks_out(page: Page) -> Any:
    """Return by how much the page is wider than the screen [CSS px]."""
    return page.evaluate("() => document.documentElement.scrollWidth - window.innerWidth")


def too_small(page: Page) -> Any:
    """Return the things to touch that a glove would miss."""
    script = """([glove, link]) => [...document.querySelectorAll("button, select, input, nav a, a.more")]
        .filter((one) => one.checkVisibility({visibilityProperty: true}) && !one.classList.contains("unseen"))
        .map((one) => [one.textContent || one.id, one.getBoundingClientRect(), one.matches(".more") ? link : glove])
        .filter(([, box, least]) => box.height < least - 0.5 || box.width < Math.min(least, 58))
        .map(([name, box]) => `${name.trim()}: ${box.width} x ${box.height}`)"""
    return page.evaluate(script, [GLOVE_PX, LINKS_PX])


def hidden_behind_bar(page: Page, selector: str) -> Any:
    """Tell whether an element ends below the top of the bar with start, hold and stop."""
    script = """(selector) => document.querySelector(selector).getBoundingClientRect().bottom
        > document.querySelector("#bar").getBoundingClientRect().top + 1"""
    return page.evaluate(script, selector)
