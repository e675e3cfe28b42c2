"""How many alarms a person had to take, by the record: rates, floods, the most frequent, those that chatter or stand.

Definitions and limits after ISA-18.2 and EEMUA 191 as the project's check values give them (section 6b): one alarm in
ten minutes is what a person can manage; more than ten in ten minutes begin a flood, which ends with fewer than five; an
alarm that is raised three times within a minute chatters; one that stands for more than a day is stale.
"""

from collections import Counter
from collections.abc import Sequence

from crumbmeter.alarms.catalogue import BY_ID, Priority
from crumbmeter.alarms.flood import ENDS_BELOW, WINDOW_S, Flood, follow_flood
from crumbmeter.alarms.life import ACTIVE
from crumbmeter.model.events import Event
from crumbmeter.model.frozen import dataclass

CHATTERS_AT, CHATTERS_IN_S = 3, 60.0
STALE_S = 24 * 3600.0
TOP = 10
MANAGEABLE_PER_10_MIN = 1.0
HOUR_S, DAY_S = 3600.0, 86400.0


@dataclass(frozen=True, slots=True)
class TopAlarm:
    """One of the most frequent."""

    alarm_id: str
    count: int
    share: float
    """Of all new alarms."""


@dataclass(frozen=True, slots=True)
class AlarmLoad:
    """What a period held."""

    period_s: float
    raised: int
    per_hour: float
    per_day: float
    per_10_min: float
    most_in_10_min: int
    most_in_an_hour: int
    over_manageable: float
    """Share of the ten-minute windows with more than one new alarm."""
    floods: int
    flood_share: float
    """Share of the time that a flood lasted."""
    by_priority: tuple[tuple[str, int], ...]
    top: tuple[TopAlarm, ...]
    chattering: tuple[tuple[str, int], ...]
    """Alarm, and how often it did."""
    stale: tuple[tuple[str, float], ...]
    """Alarm, and the longest time [s] for which it stood."""


def load_of(happened: Sequence[tuple[float, Event]], began_s: float, ended_s: float) -> AlarmLoad:
    """Sum up the alarms of a period.

    Args:
        happened: Events with their time [s], in order; others than those of alarms are passed over.
        began_s: [s] Beginning of the period.
        ended_s: [s] Its end, later than the beginning.

    Raises:
        ValueError: the period has no length.
    """
    if ended_s <= began_s:
        raise ValueError("a period without a length")
    raised = [(at_s, str(one.get("alarm"))) for at_s, one in happened if one.name == "alarm_raised"]
    period_s = ended_s - began_s
    count = len(raised)
    names = Counter(name for _, name in raised)
    windows = _counts(raised, began_s, period_s, WINDOW_S)
    floods, flood_s = _floods([at_s for at_s, _ in raised], ended_s)
    priorities = Counter(BY_ID[name].priority for _, name in raised if name in BY_ID)
    return AlarmLoad(
        period_s=period_s,
        raised=count,
        per_hour=count * HOUR_S / period_s,
        per_day=count * DAY_S / period_s,
        per_10_min=count * WINDOW_S / period_s,
        most_in_10_min=max(windows, default=0),
        most_in_an_hour=max(_counts(raised, began_s, period_s, HOUR_S), default=0),
        over_manageable=sum(number > MANAGEABLE_PER_10_MIN for number in windows) / len(windows) if windows else 0.0,
        floods=floods,
        flood_share=flood_s / period_s,
        by_priority=tuple((priority.name.lower(), priorities[priority]) for priority in Priority),
        top=tuple(TopAlarm(name, number, number / count) for name, number in names.most_common(TOP)),
        chattering=_chattering(raised),
        stale=_stale(happened, ended_s),
    )


def _counts(raised: Sequence[tuple[float, str]], began_s: float, period_s: float, window_s: float) -> list[int]:
    """Count by whole windows from the beginning; the last one may be cut short."""
    counts = [0] * max(1, -int(-period_s // window_s))
    for at_s, _ in raised:
        counts[min(len(counts) - 1, max(0, int((at_s - began_s) // window_s)))] += 1
    return counts


def _floods(times_s: Sequence[float], ended_s: float) -> tuple[int, float]:
    """Return how many floods there were, and how long [s] they lasted in all."""
    state, last_s, floods, lasted_s = Flood(), 0.0, 0, 0.0
    for at_s in times_s:
        lasted_s += _passed_in_flood(state, at_s - last_s)
        state, _ = follow_flood(state, 0, at_s - last_s)
        before = state.on
        state, _ = follow_flood(state, 1, 0.0)
        floods += state.on and not before
        last_s = at_s
    return floods, lasted_s + _passed_in_flood(state, ended_s - last_s)


def _passed_in_flood(state: Flood, passed_s: float) -> float:
    """[s] Return for how much of the time without a new alarm a flood goes on: until fewer than five are left."""
    if not state.on:
        return 0.0
    # The fifth newest (`ENDS_BELOW`) leaves the window last of those that keep the flood going.
    ends_in_s = WINDOW_S - state.ages_s[-ENDS_BELOW] if len(state.ages_s) >= ENDS_BELOW else 0.0
    return min(passed_s, max(0.0, ends_in_s))


def _chattering(raised: Sequence[tuple[float, str]]) -> tuple[tuple[str, int], ...]:
    """Return the alarms that were raised three times within a minute, and how often they began to."""
    times: dict[str, list[float]] = {}
    began: Counter[str] = Counter()
    chatters: set[str] = set()
    for at_s, name in raised:
        mine = times.setdefault(name, [])
        mine.append(at_s)
        quick = len(mine) >= CHATTERS_AT and at_s - mine[-CHATTERS_AT] < CHATTERS_IN_S
        if quick and name not in chatters:
            began[name] += 1
        (chatters.add if quick else chatters.discard)(name)
    return tuple(began.most_common())


def _stale(happened: Sequence[tuple[float, Event]], ended_s: float) -> tuple[tuple[str, float], ...]:
    """Return the alarms that stood for more than a day, and their longest time [s]."""
    since: dict[str, float] = {}
    longest: dict[str, float] = {}
    active = {state.value for state in ACTIVE}
    for at_s, one in happened:
        name = str(one.get("alarm"))
        if one.name == "alarm_raised":
            since.setdefault(name, at_s)
        elif name in since and one.name.startswith("alarm_") and one.get("state") not in active:
            longest[name] = max(longest.get(name, 0.0), at_s - since.pop(name))
    for name, at_s in since.items():
        longest[name] = max(longest.get(name, 0.0), ended_s - at_s)
    return tuple(sorted((name, stood_s) for name, stood_s in longest.items() if stood_s > STALE_S))
