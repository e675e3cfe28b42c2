"""All sections, in the order of the page."""

from tests.benchmarks import batches, demo, journal, kills, mutants, plants, poll, replays, scenarios, steps

_PARTS = (demo, plants, scenarios, batches, steps, poll, replays, journal, kills, mutants)
SECTIONS = {section.name: section for section in (*(part.SECTION for part in _PARTS), mutants.FIELD_SECTION)}
