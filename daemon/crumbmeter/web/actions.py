"""What can be done now, and why the rest cannot: a hint for the page. Control alone decides, when it is asked. Pure."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from crumbmeter.alarms.acts import MOST_SHELVED_S
from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.alarms.life import LIVE, TO_BE_SEEN, AlarmState
from crumbmeter.model.commands import CommandKind
from crumbmeter.site import Site
from crumbmeter.web.deeds import DEEDS, Deed, Subject, may_do
from crumbmeter.web.people import MAY_ACT_AS, Role

Json = dict[str, Any]
View = Mapping[str, Any]

KNOWN: Final = frozenset(kind.value for kind in CommandKind)
OFFERED: Final = {kind: deed for kind, deed in DEEDS.items() if kind in KNOWN}
"""What control of this version understands."""
ALWAYS: Final = frozenset({"stop feed", "monitor only"})
"""Never held back: they make the plant safer."""


def actions(role: Role, view: View | None, settings: View | None, site: Site, *, up: bool) -> list[Json]:
    """List every kind of command with whether this role may ask for it now.

    Args:
        role: Of who asks.
        view: Newest view; None before the first.
        settings: Control's settings; None before they came.
        site: The site as the desk read it.
        up: Whether the link to control is up.
    """
    return [_action(kind, deed, role, view, settings, site, up=up) for kind, deed in OFFERED.items()]


def _action(
    kind: str, deed: Deed, role: Role, view: View | None, settings: View | None, site: Site, *, up: bool
) -> Json:
    choices = None if deed.subject is None else _choices(kind, deed, view or {}, settings or {}, site)
    why_not = ""
    if not may_do(role, kind, MAY_ACT_AS[role]):
        why_not = f"only {_who(deed)} may do this"
    elif not up or view is None:
        why_not = "" if kind in ALWAYS else "control does not answer"
    elif kind == "drum dumped" and site.params.batch is not None:
        why_not = "this is a batch plant, it has no drum"
    elif kind not in ALWAYS:
        why_not = _WHY_NOT.get(kind, _nothing)(view, settings or {})
        if not why_not and choices == [] and deed.subject is not Subject.LOT:
            why_not = _NONE_THERE.get(kind, "there is nothing that it could be done to")
    return {
        "kind": kind,
        "says": deed.says,
        "role": deed.role.value,
        "allowed": why_not == "",
        "why_not": why_not,
        "subject": None if choices is None else {"kind": str(deed.subject), "choices": choices},
        "value": None if deed.value is None else _value(kind, deed, choices),
        "reason": deed.reason,
        "confirm": deed.confirm.value,
    }


def _who(deed: Deed) -> str:
    able = [role.value for role in Role if deed.role in MAY_ACT_AS[role]]
    return " or ".join(able)


def _value(kind: str, deed: Deed, choices: list[str] | None) -> Json:
    assert deed.value is not None  # noqa: S101 - the caller has looked
    body: Json = {"unit": deed.value.unit, "low": deed.value.low, "high": deed.value.high, "high_by_subject": {}}
    if kind == "shelve alarm":
        most = {spec.alarm_id: MOST_SHELVED_S[spec.priority] for spec in CATALOGUE}
        body["high_by_subject"] = {name: most[name] for name in choices or () if name in most}
    return body


def _choices(kind: str, deed: Deed, view: View, settings: View, site: Site) -> list[str]:
    match deed.subject:
        case Subject.MIX:
            return [mix.mix_id for mix in site.params.mixes if mix.mix_id != view.get("mix_id")]
        case Subject.STREAM:
            return [stream.stream_id for stream in site.params.streams if stream.wet]
        case Subject.ALARM:
            return _alarms(kind, view)
        case Subject.SETTINGS:
            return [str(settings["settings_id"])] if "settings_id" in settings else []
        case Subject.SIGNAL:
            return _signals(kind, view, site)
        case _:
            return []


def _alarms(kind: str, view: View) -> list[str]:
    """List the alarms to which it can be done by the table of states; one that is not in the view is normal."""
    states = {alarm["alarm_id"]: alarm["state"] for alarm in view.get("alarms", ())}
    wanted = _STATES[kind]
    return [
        spec.alarm_id for spec in CATALOGUE if states.get(spec.alarm_id, AlarmState.NORMAL.value) in wanted
    ]  # fmt: skip


def _signals(kind: str, view: View, site: Site) -> list[str]:
    if kind == "settle total":
        return [one["signal_id"] for one in view.get("totalisers", ()) if one["open_gaps_count"] > 0]
    if kind == "confirm weight":
        return [site.params.signals[site.params.weighing.hopper_mass].signal_id]
    return [one["signal_id"] for one in view.get("signals", ()) if one["unit"] == "kg"]


_LIVE_STATES = frozenset(state.value for state in LIVE)
_STATES: Final[dict[str, frozenset[str]]] = {
    "acknowledge": frozenset(state.value for state in TO_BE_SEEN),
    "reset alarm": frozenset({AlarmState.LATCHED_SEEN.value}),
    "shelve alarm": _LIVE_STATES,
    "unshelve alarm": frozenset({AlarmState.SHELVED.value}),
    "take alarm out of service": _LIVE_STATES | {AlarmState.SHELVED.value, AlarmState.SUPPRESSED.value},
    "return alarm to service": frozenset({AlarmState.OUT_OF_SERVICE.value}),
}
_NONE_THERE: Final = {
    "acknowledge": "no alarm waits to be acknowledged",
    "reset alarm": "no alarm is latched and acknowledged",
    "unshelve alarm": "no alarm is shelved",
    "return alarm to service": "no alarm is out of service",
    "select mix": "there is no other mix",
    "set moisture": "no stream is indicated wet",
    "settle total": "no totaliser has an open gap",
}


def _nothing(_view: View, _settings: View) -> str:
    return ""


def _enable(view: View, settings: View) -> str:
    if not settings.get("control_allowed", True):
        return "the site file does not allow control ([control] allowed = false)"
    return "control is enabled already" if view["control_enabled"] else ""


def _start(view: View, _settings: View) -> str:
    if not view["control_enabled"]:
        return "control is not enabled: crumbmeter only watches"
    if view["trip"]["measuring"]:
        return "the feeder's trip time is being measured; wait for it"
    return ""


def _hold(view: View, _settings: View) -> str:
    return "" if view["in_service"] else "the feed is not in service"


def _out_of_service(view: View, _settings: View) -> str:
    return "the feed is in service: stop it first" if view["in_service"] else ""


def _trip(view: View, settings: View) -> str:
    return "it is being measured" if view["trip"]["measuring"] else _out_of_service(view, settings)


_WHY_NOT: Final[dict[str, Callable[[View, View], str]]] = {
    "enable control": _enable,
    "start feed": _start,
    "hold feed": _hold,
    "confirm weight": _out_of_service,
    "measure trip": _trip,
    "relearn line": _out_of_service,
}
