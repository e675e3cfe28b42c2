r"""Silos, what people say about them, and which parcel goes into which one by the diverter.

    drum's outlet --- conveyor, the way to the diverter ---> diverter ---> silo 1
                                                                \--------> silo 2 (its longer way begins here)

The diverter stands at the end of the shortest way. Where it points when a gram gets there decides the silo; what a
silo's way is longer only makes the gram arrive later. Ways are all in seconds (a conveyor that keeps running), or all
the same mass (one that moves with the mix).
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from typing import Any

from crumbmeter.model.frozen import dataclass, replace
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.portions import Portion, cut, of_parcel
from crumbmeter.qc.said import Said, Subject

DRUM = ""
"""Id of the place where a plant without silos loads its trucks: under the drum."""


class SilosRefusedError(ValueError):
    """The silos, or an entry about one, cannot be used; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Silo:
    """One silo for hot mix."""

    silo_id: str
    capacity_g: int
    mixing_g: int
    """[g] Stated mixing band: mix may leave by so much sooner or later than first-in-first-out would have it."""
    travel_s: float = 0.0
    """[s] From the drum's outlet."""
    travel_g: int | None = None
    """[g] Mix that must follow before a gram is there; given instead of `travel_s`, the same for all silos."""
    diverter_code: int | None = None
    """Position of the diverter that fills it."""
    mismatch_share: float = 0.0
    """How far booked mix and net masses of tickets may differ, as a share: the band widens by it with all that was
    drawn since the silo's content was last known."""


UNDER_THE_DRUM = Silo(DRUM, 0, 0)


class SiloWord(StrEnum):
    """What an entry about a silo says."""

    FILLING = "filling"
    """From now on the diverter points to it."""
    EMPTIED = "emptied"
    """It is empty: nothing of before is in what comes after."""
    CONTENT = "content"
    """It holds so much, by its level."""
    WITHDRAWN = "withdrawn"
    """So much left it on no ticket."""


@dataclass(frozen=True, slots=True)
class SiloEntry:
    """One thing people said about a silo."""

    silo_id: str
    at_us: int
    """[us] UTC since 1970."""
    word: SiloWord
    mass_g: int = 0
    """[g] Content, or what was withdrawn."""
    within_g: int = 0
    """[g] The content is right within so much, as a half-width."""
    seq: int = 0

    @property
    def holds_g(self) -> int:
        """[g] Return what the silo holds by it."""
        return self.mass_g if self.word is SiloWord.CONTENT else 0


def read(said: Said) -> SiloEntry:
    """Read an entry about a silo.

    Raises:
        SilosRefusedError: it says no known thing, or its mass is none.
    """
    word = said.what.get("word")
    known = [one.value for one in SiloWord]
    if word not in known:
        raise SilosRefusedError(f"entry {said.seq} about silo {said.about}: word is {word!r}; expected one of {known}")
    mass_g = _grams(said, "mass_g") if word in (SiloWord.CONTENT, SiloWord.WITHDRAWN) else 0
    within_g = _grams(said, "within_g") if "within_g" in said.what else 0
    return SiloEntry(said.about, said.effective_us, SiloWord(word), mass_g, within_g, said.seq)


def what(entry: SiloEntry) -> dict[str, Any]:
    """Turn it back into the content of an entry."""
    made: dict[str, Any] = {"word": entry.word.value}
    if entry.word in (SiloWord.CONTENT, SiloWord.WITHDRAWN):
        made["mass_g"] = entry.mass_g
    return made | ({"within_g": entry.within_g} if entry.within_g else {})


def silo_entries(holding: Iterable[Said]) -> tuple[SiloEntry, ...]:
    """Read all entries in force about silos, by their time.

    Raises:
        SilosRefusedError: one cannot be read.
    """
    found = [read(said) for said in holding if said.subject is Subject.SILO]
    return tuple(sorted(found, key=lambda one: (one.at_us, one.seq)))


def _grams(said: Said, name: str) -> int:
    value = said.what.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        expected = "a whole number of grams, 0 or more"
        raise SilosRefusedError(f"entry {said.seq} about silo {said.about}: {name} is {value!r}; expected {expected}")
    return value


@dataclass(frozen=True, slots=True)
class Filled:
    """Where the mix of some parcels went."""

    into: dict[str, list[Portion]]
    """By silo, in the order of arrival; every silo has its list."""
    anywhere: list[Portion]
    """Mix that came while nobody knows where the diverter pointed: possibly in any silo."""
    on_the_way: list[Portion]
    """Mix that had not reached the diverter when the last parcel left the drum (ways in grams only)."""


def fill(
    parcels: Iterable[Booked], diverter: Iterable[tuple[int, int | None]], silos: Sequence[Silo],
    entries: Iterable[SiloEntry] = (),
) -> Filled:  # fmt: skip
    """Send parcels into silos.

    Args:
        parcels: In the order they left the drum.
        diverter: Its changes: time [us] and code, in order; None: its position is not known (Bad).
        silos: All of the site. None: trucks are loaded under the drum.
        entries: Also takes those that say by hand which silo is filled; the later word counts, by whomever.

    Raises:
        SilosRefusedError: the silos contradict each other.
    """
    known = _checked(silos)
    gates_us, gates = _gates(diverter, known, entries)
    filled = Filled({silo.silo_id: [] for silo in known}, [], [])
    behind = _ways_behind(known)
    first = min(known, key=lambda silo: silo.travel_s)
    arrivals = (
        _by_time(parcels, first.travel_s)
        if first.travel_g is None
        else _by_mass(parcels, first.travel_g, filled.on_the_way)
    )
    for portion, until_us in arrivals:
        for part, gate in _parted(portion, until_us, gates_us, gates):
            if gate is None:
                filled.anywhere.append(part)
            else:
                later_us = part.arrived_us + behind[gate]
                filled.into[gate].append(replace(part, arrived_us=later_us) if behind[gate] else part)
    return filled


def _checked(silos: Sequence[Silo]) -> Sequence[Silo]:
    if not silos:
        return (UNDER_THE_DRUM,)
    ids = [silo.silo_id for silo in silos]
    codes = [silo.diverter_code for silo in silos if silo.diverter_code is not None]
    for name, values in (("silo_id", ids), ("diverter_code", codes)):
        twice = sorted({str(one) for one in values if list(values).count(one) > 1})
        if twice:
            raise SilosRefusedError(f"{name} {', '.join(twice)} stands twice; give each silo its own")
    if len({silo.travel_g for silo in silos}) > 1:
        raise SilosRefusedError("silos differ in travel_g; give all the same one, or travel_s to each")
    for silo in silos:
        least = min(silo.capacity_g, silo.mixing_g, silo.travel_g or 0)
        if least < 0 or silo.travel_s < 0.0 or not 0.0 <= silo.mismatch_share < 1.0:
            raise SilosRefusedError(f"silo {silo.silo_id}: a mass, a time or a share below 0, or a share of 1 or more")
    return silos


def _ways_behind(silos: Sequence[Silo]) -> dict[str, int]:
    """[us] Return by how much later than at the diverter a gram is in each silo."""
    shortest_s = min(silo.travel_s for silo in silos)
    return {silo.silo_id: round((silo.travel_s - shortest_s) * 1e6) for silo in silos}


def _gates(
    diverter: Iterable[tuple[int, int | None]], silos: Sequence[Silo], entries: Iterable[SiloEntry]
) -> tuple[list[int], list[str | None]]:
    """Return from when on which silo is filled; the first element is for all time before."""
    by_code = {silo.diverter_code: silo.silo_id for silo in silos if silo.diverter_code is not None}
    ids = {silo.silo_id for silo in silos}
    found: list[tuple[int, str | None]] = [
        (at_us, None if code is None else by_code.get(code)) for at_us, code in diverter
    ]
    found += [
        (one.at_us, one.silo_id if one.silo_id in ids else None) for one in entries if one.word is SiloWord.FILLING
    ]
    found.sort(key=lambda one: one[0])
    before = silos[0].silo_id if len(silos) == 1 else None
    return [at_us for at_us, _ in found], [before, *(gate for _, gate in found)]


def _by_time(parcels: Iterable[Booked], travel_s: float) -> Iterator[tuple[Portion, int]]:
    """Yield each parcel as it comes to the diverter, with the time of its last gram [us]."""
    way_us = round(travel_s * 1e6)
    for booked in parcels:
        yield of_parcel(booked, booked.began_us + way_us), booked.ended_us + way_us


def _by_mass(parcels: Iterable[Booked], way_g: int, on_the_way: list[Portion]) -> Iterator[tuple[Portion, int]]:
    """Yield mix as it comes to the diverter pushed by what follows; what has not come stays on the way.

    A parcel is cut where its pushers end: between two cuts its grams come evenly.
    """
    waiting: list[Portion] = []
    head = 0
    held_g = 0
    for booked in parcels:
        entering = of_parcel(booked, booked.began_us)
        waiting.append(entering)
        held_g += entering.mix_g
        due_g = held_g - way_g
        lasts_us = max(0, booked.ended_us - booked.began_us)
        came_us = booked.ended_us if entering.mix_g == 0 else booked.ended_us - due_g * lasts_us // entering.mix_g
        at_us = max(booked.began_us, came_us)
        while due_g > 0 and head < len(waiting):
            taken_g = min(due_g, waiting[head].mix_g)
            part, rest = cut(waiting[head], taken_g)
            until_us = at_us + (booked.ended_us - at_us) * taken_g // due_g
            yield replace(part, arrived_us=at_us), until_us
            at_us, due_g, held_g = until_us, due_g - taken_g, held_g - taken_g
            waiting[head] = rest
            head += 0 if rest.mix_g else 1
        if head > 1000:
            del waiting[:head]
            head = 0
    on_the_way += [portion for portion in waiting[head:] if portion.mix_g]


def _parted(
    portion: Portion, until_us: int, gates_us: list[int], gates: list[str | None]
) -> Iterator[tuple[Portion, str | None]]:
    """Cut a portion where the diverter changed while it passed, by grams."""
    at = bisect_right(gates_us, portion.arrived_us)
    left = portion
    while at < len(gates_us) and gates_us[at] < until_us and left.mix_g:
        passed_us, whole_us = gates_us[at] - left.arrived_us, until_us - left.arrived_us
        part, left = cut(left, left.mix_g * passed_us // whole_us, gates_us[at])
        if part.mix_g:
            yield part, gates[at]
        at += 1
    if left.mix_g:
        yield left, gates[at]
