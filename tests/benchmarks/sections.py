"""All sections, in the order of the page."""

from tests.benchmarks import demo, journal, kills, mutants, plants, poll, replays, scenarios, steps

SECTIONS = {
    part.SECTION.name: part.SECTION for part in (demo, plants, scenarios, steps, poll, replays, journal, kills, mutants)
}
