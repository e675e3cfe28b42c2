"""All sections, in the order of the page."""

from tests.benchmarks import (
    batches,
    demo,
    desk,
    dose,
    journal,
    kills,
    mutants,
    plants,
    poll,
    probe,
    protocols,
    quality,
    random_plants,
    replays,
    scenarios,
    sockets,
    steps,
    travel,
    weighing,
)

_PARTS = (
    demo, dose, random_plants, plants, scenarios, protocols, sockets, batches, weighing, travel, steps, poll, probe,
    desk, replays, journal, quality, kills, mutants,
)  # fmt: skip
SECTIONS = {section.name: section for section in (*(part.SECTION for part in _PARTS), mutants.FIELD_SECTION)}
