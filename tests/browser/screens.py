"""`python -m tests.browser.screens`: write docs/screens/, the page as it looks, of an invented plant.

What is shown was recorded of the real daemon and desk before the simulated plant, and is staged as
tests/browser/stage.py says.
"""

import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.browser.bench import chromium, launch
from tests.browser.stage import Stage

FOLDER = Path(__file__).resolve().parents[2] / "docs" / "screens"
SIZES = ((1280, 800), (1024, 600), (390, 844))
LIGHTS = {"day": "light", "night": "dark"}
EVERY_SIZE = (("following", "calm", "now"), ("stopped", "stopped", "now"))
"""Name of the picture, state, view: at every size, by day and by night."""
ONE_SIZE = (
    ("alarms", "stopped", "alarms", SIZES[0], "day"),
    ("trend", "calm", "trend", SIZES[0], "night"),
    ("actions", "calm", "actions", SIZES[1], "day"),
    ("not-good", "bad", "now", SIZES[0], "day"),
    ("uncertain", "uncertain", "now", SIZES[0], "night"),
    ("batch", "batch", "now", SIZES[0], "day"),
)


def pictures() -> list[tuple[str, str, str, tuple[int, int], str]]:
    """List what is drawn: name, state, view, size, light."""
    every = [(name, state, view, size, light) for name, state, view in EVERY_SIZE for size in SIZES for light in LIGHTS]
    return [*every, *ONE_SIZE]


def draw(names: list[str]) -> None:
    """Draw the pictures whose name is in `names`, all where there is none; and two that take a few steps."""
    FOLDER.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = launch(playwright)
        for name, state, view, (width, height), light in pictures():
            if names and name not in names:
                continue
            stage = Stage(browser, state, viewport={"width": width, "height": height}, color_scheme=LIGHTS[light])
            page = stage.open(view)
            if view in ("now", "trend"):
                page.locator(f"#view-{view} .plot canvas").first.wait_for(state="attached")
            page.screenshot(path=FOLDER / f"{name}-{width}x{height}-{light}.png", animations="disabled")
            stage.close()
        if not names or "steps" in names:
            stage = Stage(browser, "stopped", viewport={"width": 1024, "height": 600})
            page = stage.open("alarms")
            page.locator("#alarms-live .alarm").nth(1).get_by_role("button", name="Shelve").click()
            page.screenshot(path=FOLDER / "shelve-1024x600-day.png")
            page.keyboard.press("Escape")
            page.get_by_role("navigation").get_by_role("link", name="Now").click()
            stage.silent = True
            page.locator("body[data-link=desk]").wait_for()
            page.screenshot(path=FOLDER / "link-lost-1024x600-day.png")
            stage.close()
        browser.close()


if __name__ == "__main__":
    if chromium() is None:
        sys.exit("needs Chromium: Debian's package chromium; deploy/test unpacks one in .tools")
    draw(sys.argv[1:])
    for made in sorted(FOLDER.glob("*.png")):
        sys.stdout.write(f"{made.name}: {made.stat().st_size // 1024} KiB\n")
