"""The page's figures are the terminal's: both write the same values, the page by its own arithmetic."""

import random
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from crumbmeter.cli import display
from crumbmeter.estimation.gum import digits_for
from tests.browser.stage import Stage

pytestmark = pytest.mark.browser
UNITS = ("lb/min", "kg/min", "short_ton/h", "tonne/h", "lb", "kg", "psi", "kPa", "rpm")


@pytest.fixture(scope="module")
def page(browser: Browser) -> Any:
    """Return a page whose modules can be asked."""
    stage = Stage(browser)
    yield stage.open()
    stage.close()


def ask(page: Page, name: str, rows: list[list[Any]]) -> list[Any]:
    """Call one function of units.js with each row of arguments."""
    script = """async ([name, rows]) => {
        const units = await import("/assets/units.js");
        const of = (value) => (value === "US" ? units.US : value === "METRIC" ? units.METRIC : value);
        return rows.map((row) => units[name](...row.map(of)));
    }"""
    said: list[Any] = page.evaluate(script, [name, rows])
    return said


def values() -> list[float]:
    """Return values with ties, signs and sizes that plants have."""
    drawn = random.Random(5)
    return [0.0, 0.5, 2.5, -0.04, 0.125, 0.375, 1e-9, 1234.5] + [drawn.uniform(-50.0, 2000.0) for _ in range(100)]


@pytest.mark.parametrize("unit", UNITS)
def test_amounts(page: Page, unit: str) -> None:
    for digits in (0, 1, 2):
        rows = [[value, unit, digits] for value in values()]
        said = ask(page, "amount", [*rows, [None, unit, digits]])
        wanted = [display.amount(value, unit, digits) for value in [*values(), None]]
        assert said == [text.replace("_", " ") for text in wanted]


def test_percents_and_ages(page: Page) -> None:
    shares: list[float | None] = [value / 1000.0 for value in values()] + [None]
    assert ask(page, "percent", [[share] for share in shares]) == [display.percent(share) for share in shares]
    plain = [display.percent(share, 3, sign=False) for share in shares]
    assert ask(page, "percent", [[share, 3, False] for share in shares]) == plain
    ages = [0.04, 0.25, 3.14, 9.96, 10.5, 599.4, 601.0, 86400.0]
    assert ask(page, "seconds", [[age] for age in ages]) == [display.seconds(age) for age in ages]


@pytest.mark.parametrize(("name", "shown"), [("US", display.US), ("METRIC", display.METRIC)])
def test_doses(page: Page, name: str, shown: display.Display) -> None:
    flows = [(0.3, 60.0), (0.0, 60.0), (0.3, 0.0), (None, 60.0), (1.7, 88.0)]
    said = ask(page, "dosePerMix", [[rubber, mix, name] for rubber, mix in flows])
    wanted = [display.dose_per_mix(rubber, mix, shown) for rubber, mix in flows]
    assert [f"{display.MISSING if dose is None else f'{dose:.2f}'} {shown.dose_unit}" for dose in said] == wanted


@pytest.mark.parametrize("basis", display.DOSE_OF)
def test_proven_doses(page: Page, basis: str) -> None:
    cases = [(0.005, 0.00011, 2.0), (0.005, 0.0000498, 2.231), (0.0912, 0.00342, 2.78), (0.005, 0.00099951, 2.0)]
    bodies = [
        {"dose_fraction": dose, "expanded_fraction": expanded, "coverage_factor": coverage, "dose_basis": basis}
        for dose, expanded, coverage in cases
    ]
    said = ask(page, "provenDose", [[body, "US"] for body in bodies])
    wanted = [display.proven_dose(*case, basis, display.US) for case in cases]
    assert said == [text.replace("+-", "±").replace("_", " ") for text in wanted]


def test_places_of_an_uncertainty(page: Page) -> None:
    spreads = [0.0, 0.0996, 0.0994, 0.1, 9.96, 1.0, 23.4, 0.00012, 1e-7, 995.0]
    assert ask(page, "digitsFor", [[spread] for spread in spreads]) == [digits_for(spread) for spread in spreads]


def test_bad_values_are_never_a_figure(page: Page) -> None:
    assert ask(page, "figure", [[None, "lb"], ["12", "lb"]]) == ["---", "---"]
