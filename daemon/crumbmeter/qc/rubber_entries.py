"""What people say about rubber: bag lots with their certificates, bags that were emptied, contents, waste, catch tests.

A bag lot is an entry of subject `BAG_LOT` about the lot; all else one of subject `RUBBER` about where it was. Bags
themselves are events of the plant's record (`bag_loaded`).
"""

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Any

from crumbmeter.model.events import Event
from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.said import Said, Subject


class RubberRefusedError(ValueError):
    """An entry about rubber cannot be read; the text names the field, what it holds and what was expected."""


@dataclass(frozen=True, slots=True)
class BagLot:
    """Bulk bags of one delivery."""

    lot: str
    certificate: str = ""
    """Number of the certificate; empty: none was handed over."""
    supplier: str = ""
    scale: str = ""
    """What weighed its bags; bags of one scale are wrong the same way. Empty: a scale of this lot's own."""
    bias_g: int | None = None
    """[g] Standard uncertainty of a bag that all bags of the scale share; None: nobody stated it."""
    random_g: int = 0
    """[g] Standard uncertainty of a bag by itself."""


@dataclass(frozen=True, slots=True)
class BagLoad:
    """One bag that was hung up or emptied."""

    lot: str
    loaded_us: int
    """[us] UTC since 1970."""
    mass_g: int
    seq: int = 0
    """Its entry in the plant's record."""


class RubberWord(StrEnum):
    """What an entry about rubber says."""

    SUPPLY = "supply hopper holds"
    WEIGH = "weigh hopper holds"
    WASTE = "waste"
    """Swept up, wet, foreign: taken out before the feeder."""
    LOSS = "loss"
    """Known to be gone, and to where it was not seen."""
    CAUGHT = "catch test"
    """Caught behind the feeder for a test, so that it is in no parcel."""


TAKEN_OUT = frozenset({RubberWord.WASTE, RubberWord.LOSS, RubberWord.CAUGHT})


@dataclass(frozen=True, slots=True)
class RubberEntry:
    """One thing people said about rubber."""

    word: RubberWord
    at_us: int
    """[us] UTC since 1970."""
    mass_g: int
    within_g: int | None = None
    """[g] How exact, as a half-width; None: nobody stated it."""
    note: str = ""
    seq: int = 0


def read_bag_lot(said: Said) -> BagLot:
    """Read a bag lot out of an entry.

    Raises:
        RubberRefusedError: a field is of the wrong kind.
    """
    if not said.about.strip():
        raise RubberRefusedError(f"entry {said.seq}: it names no lot; expected what stands on the bags' label")
    bias_g = _grams(said, "bias_g") if "bias_g" in said.what else None
    random_g = _grams(said, "random_g") if "random_g" in said.what else 0
    certificate, supplier, scale = (_word(said, name) for name in ("certificate", "supplier", "scale"))
    return BagLot(said.about.strip(), certificate, supplier, scale, bias_g, random_g)


def what_bag_lot(lot: BagLot) -> dict[str, Any]:
    """Turn a bag lot back into the content of an entry. It is never empty: an empty one would take something back."""
    made: dict[str, Any] = {"certificate": lot.certificate, "supplier": lot.supplier, "scale": lot.scale}
    made |= {"random_g": lot.random_g}
    return made | ({} if lot.bias_g is None else {"bias_g": lot.bias_g})


def read(said: Said) -> RubberEntry:
    """Read an entry about rubber.

    Raises:
        RubberRefusedError: it says no known thing, or its mass is none.
    """
    word = said.what.get("word")
    known = [one.value for one in RubberWord]
    if word not in known:
        raise RubberRefusedError(f"entry {said.seq} about rubber: word is {word!r}; expected one of {known}")
    within_g = _grams(said, "within_g") if "within_g" in said.what else None
    return RubberEntry(
        RubberWord(word), said.effective_us, _grams(said, "mass_g"), within_g, _word(said, "note"), said.seq
    )


def what(entry: RubberEntry) -> dict[str, Any]:
    """Turn it back into the content of an entry."""
    made: dict[str, Any] = {"word": entry.word.value, "mass_g": entry.mass_g}
    made |= {} if entry.within_g is None else {"within_g": entry.within_g}
    return made | ({"note": entry.note} if entry.note else {})


def bag_lots(holding: Iterable[Said]) -> Mapping[str, BagLot]:
    """Read all bag lots in force, by lot; the later entry about a lot counts.

    Raises:
        RubberRefusedError: one cannot be read.
    """
    return {lot.lot: lot for lot in (read_bag_lot(one) for one in holding if one.subject is Subject.BAG_LOT)}


def rubber_entries(holding: Iterable[Said]) -> tuple[RubberEntry, ...]:
    """Read all entries in force about rubber, by their time.

    Raises:
        RubberRefusedError: one cannot be read.
    """
    found = [read(said) for said in holding if said.subject is Subject.RUBBER]
    return tuple(sorted(found, key=lambda one: (one.at_us, one.seq)))


def bag_load(happened: Event, at_us: int, seq: int) -> BagLoad | None:
    """Take a bag out of an event of the plant's record; None where the event is no bag.

    Args:
        happened: Any event.
        at_us: [us] When it was booked.
        seq: Its entry in the plant's record.
    """
    mass_kg = happened.get("mass_kg")
    if happened.name != "bag_loaded" or isinstance(mass_kg, bool) or not isinstance(mass_kg, float | int):
        return None
    return BagLoad(str(happened.get("lot")), at_us, round(mass_kg * 1000.0), seq)


def _word(said: Said, name: str) -> str:
    value = said.what.get(name, "")
    if not isinstance(value, str):
        raise RubberRefusedError(f"entry {said.seq} about {said.about}: {name} is {value!r}; expected text")
    return value.strip()


def _grams(said: Said, name: str) -> int:
    value = said.what.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        expected = "a whole number of grams, 0 or more"
        raise RubberRefusedError(f"entry {said.seq} about {said.about}: {name} is {value!r}; expected {expected}")
    return value
