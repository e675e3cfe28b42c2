"""What a person may ask of control over the desk: who may, what must be named with it, how surely it must be meant."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from crumbmeter.control.job import BAG_KG, MOST_JOB_KG
from crumbmeter.web.people import Role


class Confirm(StrEnum):
    """How surely it must be meant, by what a mistake would cost."""

    NONE = "none"
    ASK = "ask"
    TYPE = "type"


class Subject(StrEnum):
    """What is named with it."""

    MIX = "mix"
    STREAM = "stream"
    ALARM = "alarm"
    SIGNAL = "signal"
    SETTINGS = "settings"
    LOT = "lot"


@dataclass(frozen=True, slots=True)
class Value:
    """The number that comes with it, in SI."""

    unit: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Deed:
    """One kind of command."""

    says: str
    role: Role
    confirm: Confirm = Confirm.ASK
    subject: Subject | None = None
    value: Value | None = None
    reason: bool = False


_OPERATOR, _INTEGRATOR = Role.OPERATOR, Role.INTEGRATOR
MOISTURE: Final = Value("fraction of dry mass", 0.0, 0.2)
SHELF: Final = Value("s", 60.0, 12 * 3600.0)
MASS: Final = Value("kg", 0.0, 1e6)
KNOWN_MASS: Final = Value("kg", 0.001, 1e6)
BAG: Final = Value("kg", *BAG_KG)
JOB: Final = Value("kg of mix", 0.0, MOST_JOB_KG)
WASTED: Final = Value("kg of mix", 0.001, MOST_JOB_KG)
SHARE: Final = Value("fraction of what the drum holds", 0.01, 1.0)
COUNTED: Final = Value("SI unit of the signal", 0.0, 1e12)

DEEDS: Final[dict[str, Deed]] = {
    "stop feed": Deed("The feed stops and goes out of service.", _OPERATOR, Confirm.NONE),
    "hold feed": Deed("The feed holds with the blower on, until it is started again.", _OPERATOR, Confirm.NONE),
    "start feed": Deed("The feed goes in service: machinery starts by itself when the mix comes.", _OPERATOR),
    "select mix": Deed("This mix and its dose rule from now on.", _OPERATOR, subject=Subject.MIX),
    "set moisture": Deed(
        "The stream is taken to hold so much water, in its dry mass, from now on.", _OPERATOR,
        subject=Subject.STREAM, value=MOISTURE,
    ),
    "acknowledge": Deed(
        "The alarm is marked as seen by you. Its cause stays.", _OPERATOR, Confirm.NONE, Subject.ALARM
    ),
    "reset alarm": Deed(
        "The alarm, whose cause is gone, goes back to normal.", _OPERATOR, Confirm.NONE, Subject.ALARM
    ),
    "shelve alarm": Deed(
        "The alarm is not told for so long; then it comes back by itself.", _OPERATOR, subject=Subject.ALARM,
        value=SHELF, reason=True,
    ),
    "unshelve alarm": Deed(
        "The alarm is told again, if its condition holds.", _OPERATOR, Confirm.NONE, Subject.ALARM
    ),
    "reset subtotal": Deed("The job's subtotal starts at zero. Grand totals are never reset.", _OPERATOR),
    "drum dumped": Deed(
        "So much of what the standing drum holds is booked as wasted, and reckoned with no longer.", _OPERATOR,
        value=SHARE,
    ),
    "plan job": Deed(
        "The job is to have so much mix with rubber; 0 takes it back.", _OPERATOR, value=JOB
    ),
    "load bag": Deed(
        "A bag of this lot, with so much rubber, goes into the record.", _OPERATOR, subject=Subject.LOT, value=BAG
    ),
    "mix wasted": Deed(
        "So much mix that left the drum is marked as wasted. It stays in the record as it was made.", _OPERATOR,
        value=WASTED, reason=True,
    ),
    "hand over note": Deed(
        "What the next shift should know stands on the page, and goes into the record.", _OPERATOR, Confirm.NONE,
        reason=True,
    ),
    "monitor only": Deed("The feed stops, and from then on nothing is written to the field.", _OPERATOR),
    "enable control": Deed(
        "crumbmeter may then write to the feeder, under these settings. It does not start the feed.", _INTEGRATOR,
        Confirm.TYPE, Subject.SETTINGS,
    ),
    "take alarm out of service": Deed(
        "The alarm is not told any more until somebody returns it to service.", _INTEGRATOR, Confirm.TYPE,
        Subject.ALARM, reason=True,
    ),
    "return alarm to service": Deed(
        "The alarm is told again, if its condition holds.", _INTEGRATOR, subject=Subject.ALARM
    ),
    "settle total": Deed(
        "The oldest open gap of the totaliser is settled with what was counted. What was booked stays as it is.",
        _INTEGRATOR, Confirm.TYPE, Subject.SIGNAL, COUNTED, reason=True,
    ),
    "accept weight": Deed(
        "The weight is taken as right: its zero and tare are as they should be.", _INTEGRATOR, Confirm.TYPE,
        Subject.SIGNAL, reason=True,
    ),
    "confirm weight": Deed(
        "The reading is compared with the known weight that is on the hopper now.", _INTEGRATOR,
        subject=Subject.SIGNAL, value=KNOWN_MASS, reason=True,
    ),
    "measure trip": Deed(
        "The heartbeat is withheld until the feeder trips by itself; how long that takes goes into the record.",
        _INTEGRATOR, Confirm.TYPE,
    ),
    "relearn line": Deed(
        "The learned curve of the line's pressure is forgotten and learned anew; until then the fixed limits alone "
        "watch.", _INTEGRATOR, Confirm.TYPE, reason=True,
    ),
}  # fmt: skip
"""By kind. A kind that control does not know (an older one) is not offered."""

ALSO: Final[dict[str, frozenset[Role]]] = {"hand over note": frozenset({Role.QC})}
"""Roles that may do a deed beside the one that is named with it."""


def may_do(role: Role, kind: str, acts_as: frozenset[Role]) -> bool:
    """Tell whether somebody of this role may ask for a kind of command.

    Args:
        role: Of the person.
        kind: Of the command; it is in `DEEDS`.
        acts_as: Roles whose work the person may do.
    """
    return DEEDS[kind].role in acts_as or role in ALSO.get(kind, frozenset())
