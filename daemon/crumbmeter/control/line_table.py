"""What is wrong with line or feed, from pressure, auger, weight and flow switch together: one table.

The first row that fits counts. Rendered into docs/line-diagnosis.md. No row stops anything by itself but
`HOSE_OFF` (permissives.py), beside the fixed limits of pressure, which stop as they ever did.
"""

from enum import StrEnum
from functools import cache

from crumbmeter.model.frozen import dataclass


class Pressure(StrEnum):
    """Where the line's pressure lies."""

    UNKNOWN = "not known"
    """No reading, nothing learned yet, or the line is not as it was long enough ago."""
    TOO_HIGH = "above its fixed limit"
    ABOVE = "above its curve"
    AS_LOADED = "as the auger's speed would make it"
    """Looked at only where the weight stands: rubber is under way after all."""
    ON_CURVE = "on its curve"
    BELOW = "below its curve"
    AT_BASE = "as with air alone"
    """While rubber ought to be under way."""
    BELOW_BASE = "below air alone, or below its fixed limit"


class Weight(StrEnum):
    """What the weigh hopper says."""

    UNKNOWN = "not to be believed now"
    """A refill, a bump, a Bad reading."""
    FALLING = "falls as it should"
    STANDING = "does not fall"


class Diagnosis(StrEnum):
    """What is wrong, most telling first. The value is what people read."""

    NONE = "not judged"
    """The line is at rest."""
    NO_AIR = "no air: the blower is not proven"
    PLUGGED = "line plugged"
    WEIGHT_DOUBTFUL = "rubber flows although the weight stands: look at the scale"
    EMPTY = "weigh hopper empty"
    BACKED_UP = "line plugging: rubber backs up to the auger"
    BRIDGE = "bridge in the weigh hopper"
    HOSE_OFF = "hose off, or air lost"
    INSTRUMENTS = "pressure and flow switch disagree"
    NOT_ARRIVING = "rubber does not reach the line's end"
    NO_RUBBER = "no rubber in the line; the weight cannot say why now"
    PLUGGING = "plug building up"
    SWITCH = "flow switch disagrees"
    LEAK = "less rubber in the line than the weight says"
    AIR_LOW = "air alone below what was learned"
    NOT_CLEAR = "line not clear: air alone above what was learned"
    CLEAR = "as learned"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one second showed."""

    auger: bool
    weight: Weight
    pressure: Pressure
    hopper_low: bool
    air: bool
    """Whether the blower is proven."""
    flow_switch: bool | None
    """None: the site has none, or it is Bad."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table. An empty tuple, or None, fits anything."""

    diagnosis: Diagnosis
    after_s: float
    """[s] The evidence must last for so long."""
    auger: bool | None = None
    weight: tuple[Weight, ...] = ()
    pressure: tuple[Pressure, ...] = ()
    hopper_low: bool | None = None
    air: bool | None = None
    flow_switch: tuple[bool | None, ...] = ()

    def fits(self, seen: Evidence) -> bool:
        """Tell whether the evidence is that of this row."""
        return (
            (self.auger is None or self.auger == seen.auger)
            and (not self.weight or seen.weight in self.weight)
            and (not self.pressure or seen.pressure in self.pressure)
            and (self.hopper_low is None or self.hopper_low == seen.hopper_low)
            and (self.air is None or self.air == seen.air)
            and (not self.flow_switch or seen.flow_switch in self.flow_switch)
        )


_D, _P, _W = Diagnosis, Pressure, Weight
_FALLING, _STANDING, _UNKNOWN = (_W.FALLING,), (_W.STANDING,), (_W.UNKNOWN,)

ROWS: tuple[Row, ...] = (
    Row(_D.NO_AIR, 2.0, auger=True, air=False),
    Row(_D.PLUGGED, 0.0, pressure=(_P.TOO_HIGH,)),
    Row(_D.WEIGHT_DOUBTFUL, 15.0, auger=True, weight=_STANDING, pressure=(_P.AS_LOADED,)),
    Row(_D.BACKED_UP, 2.0, auger=True, weight=_STANDING, pressure=(_P.ABOVE,)),
    Row(_D.HOSE_OFF, 2.0, auger=True, pressure=(_P.BELOW_BASE,)),
    Row(_D.EMPTY, 0.0, auger=True, weight=_STANDING, hopper_low=True),
    Row(_D.BRIDGE, 0.0, auger=True, weight=_STANDING),
    Row(_D.EMPTY, 8.0, auger=True, weight=_UNKNOWN, pressure=(_P.AT_BASE,), hopper_low=True),
    Row(_D.NO_RUBBER, 12.0, auger=True, weight=_UNKNOWN, pressure=(_P.AT_BASE,)),
    Row(_D.INSTRUMENTS, 8.0, auger=True, weight=_FALLING, pressure=(_P.AT_BASE,), flow_switch=(True,)),
    Row(_D.NOT_ARRIVING, 8.0, auger=True, weight=_FALLING, pressure=(_P.AT_BASE,)),
    Row(_D.NOT_ARRIVING, 12.0, auger=True, weight=_FALLING, pressure=(_P.UNKNOWN,), flow_switch=(False,)),
    Row(_D.PLUGGING, 4.0, auger=True, pressure=(_P.ABOVE,)),
    Row(_D.SWITCH, 15.0, auger=True, weight=_FALLING, pressure=(_P.ON_CURVE, _P.BELOW), flow_switch=(False,)),
    Row(_D.LEAK, 15.0, auger=True, weight=_FALLING, pressure=(_P.BELOW,)),
    Row(_D.AIR_LOW, 4.0, auger=False, pressure=(_P.BELOW_BASE,)),
    Row(_D.NOT_CLEAR, 4.0, auger=False, pressure=(_P.ABOVE,)),
    Row(_D.SWITCH, 15.0, auger=False, flow_switch=(True,)),
    Row(_D.CLEAR, 3.0),
)
"""In this order; the first row that fits counts, and the last fits always."""

QUIET = (_D.NONE, _D.CLEAR)
OF_PRESSURE = (_D.PLUGGING, _D.NOT_CLEAR, _D.BACKED_UP, _D.HOSE_OFF, _D.AIR_LOW, _D.LEAK)
"""Diagnoses that say how far the pressure is off."""
ALARM_OF: dict[Diagnosis, str] = {
    _D.PLUGGED: "pressure_high",
    _D.HOSE_OFF: "pressure_low",
    _D.PLUGGING: "line_plugging",
    _D.NOT_CLEAR: "line_plugging",
    _D.WEIGHT_DOUBTFUL: "no_rubber_flow",
    _D.BACKED_UP: "no_rubber_flow",
    _D.EMPTY: "no_rubber_flow",
    _D.BRIDGE: "no_rubber_flow",
    _D.NOT_ARRIVING: "rubber_not_arriving",
    _D.NO_RUBBER: "rubber_not_arriving",
    _D.AIR_LOW: "line_air_low",
    _D.SWITCH: "flow_switch",
    _D.INSTRUMENTS: "flow_switch",
}
"""One diagnosis, one alarm. A leak is shown and alarms nobody; without air the sequence stops and says so."""
PLUGS = (_D.PLUGGING, _D.NOT_CLEAR)


@cache
def row_for(seen: Evidence) -> Row:
    """Return the first row that fits."""
    return next(row for row in ROWS if row.fits(seen))
