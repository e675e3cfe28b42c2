"""The newest scan as bits and words for the plant's controller. The map stands in offered_map.py.

An old scan says nothing about now: when it has aged past its limit every bit but `stop_requested` is 0, every figure is
Bad, and only totals and numbers that do not age stay as they were.
"""

import math
import struct
from collections.abc import Sequence
from typing import Final

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.quality import Quality
from crumbmeter.model.view import ScanView
from crumbmeter.outward.offered_map import (
    ALARMS,
    BITS,
    FIGURES,
    FIRST_TOTAL,
    FIRST_VALUE,
    MAP_VERSION,
    PERMISSIVES,
    RUN_STATES,
    TOTALS,
    VALUE_WORDS,
    WORD_COUNT,
)

_ACTIVE: Final = ("unacknowledged", "acknowledged")
_NOT_ACKNOWLEDGED: Final = ("unacknowledged", "returned, unacknowledged", "latched, unacknowledged")
_AT_REST: Final = ("monitor only", "idle", "local")
_NO_AGE: Final = 65535
_RUN_STATE: Final = {name: number for number, name in enumerate(RUN_STATES)}
_PERMISSIVE_BIT: Final = {name: 1 << place for place, name in enumerate(PERMISSIVES)}
_ALARM_BIT: Final = {name: 1 << place for place, name in enumerate(ALARMS)}
"""What is in none of them has no place in the map, and is left out rather than break the answer."""


@dataclass(frozen=True, slots=True)
class OfferedSite:
    """What a site says about how its state is offered."""

    units: str
    """`us` or `metric`."""
    mixes: tuple[str, ...]
    simulated: bool
    low_word_first: bool
    """Of values of two words: the less significant word comes first (CDAB)."""
    fresh_for_s: float
    """[s] A scan says something about now for so long."""


@dataclass(frozen=True, slots=True)
class Offered:
    """Bits and words as they are read."""

    bits: tuple[int, ...]
    words: tuple[int, ...]


def offered(view: ScanView | None, number: int, now_s: float, wall_us: int, site: OfferedSite) -> Offered:
    """Lay the newest scan out.

    Args:
        view: Of the newest scan; None: there was none yet.
        number: Of the scan.
        now_s: [s] Process time.
        wall_us: [us] UTC since 1970.
        site: How this site offers it.
    """
    age_s = math.inf if view is None else max(0.0, now_s - view.now_s)
    fresh = view is not None and age_s <= site.fresh_for_s
    bits = _bits(view if fresh else None, simulated=site.simulated)
    words = [0] * WORD_COUNT
    words[0], words[1], words[4] = MAP_VERSION, number % 65536, 1 if site.units == "us" else 2
    words[2] = sum(bit << place for place, bit in enumerate(bits))
    words[16] = _NO_AGE if age_s >= _NO_AGE else int(age_s)
    _put_whole(words, 18, wall_us // 1_000_000, site)
    if view is not None and fresh:
        words[3] = _RUN_STATE.get(view.run_state, 0)
        words[5] = site.mixes.index(view.mix_id) + 1 if view.mix_id in site.mixes else 0
        words[6], words[7] = _permissives(view)
        words[8:12], words[12:16] = _alarms(view, _ACTIVE), _alarms(view, _NOT_ACKNOWLEDGED)
    _put_figures(words, view if fresh else None, site)
    if view is not None:
        _put_totals(words, view, site)
    return Offered(bits, tuple(words))


def _bits(view: ScanView | None, *, simulated: bool) -> tuple[int, ...]:
    """Say every bit; of no view: all 0, but that a stop is requested."""
    true = {"simulated": simulated, "stop_requested": True}
    if view is not None:
        healthy = _healthy(view)
        true |= {
            "healthy": healthy,
            "stop_requested": not healthy,
            "scanning": True,
            "control_enabled": view.control_enabled,
            "in_service": view.in_service,
            "feeding": view.run_state == "feeding",
            "permissives_met": all(one.met for one in view.permissives),
            "alarm_active": any(one.state in _ACTIVE for one in view.alarms),
            "alarm_unacknowledged": any(one.state in _NOT_ACKNOWLEDGED for one in view.alarms),
            "high_alarm_active": any(one.state in _ACTIVE and one.priority == "high" for one in view.alarms),
            "rubber_wanted": view.wanted_kg_s > 0.0,
            "learning": view.learning,
        }
    return tuple(int(true.get(name, False)) for name, _ in BITS)


def _healthy(view: ScanView) -> bool:
    """Tell whether no stop is requested of the plant.

    A scan that only claims the owner register says nothing of it; at rest there is nothing for which to stop a plant
    that runs.
    """
    said = view.outputs.value(OutputRole.PLANT_HEALTHY)
    claims = tuple(role for role, _ in view.outputs.values) == (OutputRole.OWNER,)
    return said == 1.0 or (claims and view.run_state in _AT_REST)


def _permissives(view: ScanView) -> tuple[int, int]:
    met = known = 0
    for one in view.permissives:
        bit = _PERMISSIVE_BIT.get(one.name.replace("pugmill", "drum"), 0)
        met |= bit if one.met else 0
        known |= bit if one.met is not None else 0
    return met, known


def _alarms(view: ScanView, states: Sequence[str]) -> list[int]:
    whole = sum(_ALARM_BIT.get(one.alarm_id, 0) for one in view.alarms if one.state in states)
    return [whole >> (16 * place) & 0xFFFF for place in range(4)]


def _put_figures(words: list[int], view: ScanView | None, site: OfferedSite) -> None:
    for place, figure in enumerate(FIGURES):
        value, quality = (None, Quality.BAD) if view is None else figure.read(view)
        at = FIRST_VALUE + place * VALUE_WORDS
        shown = math.nan if value is None else figure.shown(value, site.units)
        _put_two(words, at, struct.pack(">f", shown), site)
        words[at + 2] = int(quality)


def _put_totals(words: list[int], view: ScanView, site: OfferedSite) -> None:
    for place, total in enumerate(TOTALS):
        _put_whole(words, FIRST_TOTAL + 2 * place, total.shown(view, site.units), site)


def _put_whole(words: list[int], at: int, value: int, site: OfferedSite) -> None:
    _put_two(words, at, (value % (1 << 32)).to_bytes(4, "big"), site)


def _put_two(words: list[int], at: int, data: bytes, site: OfferedSite) -> None:
    high, low = struct.unpack(">HH", data)
    words[at : at + 2] = (low, high) if site.low_word_first else (high, low)
