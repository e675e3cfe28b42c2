"""Follow every name in a site to what it names. Works on the values as they were read, whatever else is wrong there."""

from collections.abc import Iterator, Mapping
from typing import Any

from crumbmeter.alarms.catalogue import BY_ID
from crumbmeter.model.units import UNITS
from crumbmeter.site.draft import NAMED, Draft
from crumbmeter.site.keys.base import Keys, Ref
from crumbmeter.site.keys.site import ROLES, SiteFile
from crumbmeter.site.lines import KeyPath
from crumbmeter.site.problems import have, nearest
from crumbmeter.site.profiles import find_profile, known_profiles, load_profile
from crumbmeter.site.validate import known_keys, metadata_of, models_in


def read_profiles(draft: Draft) -> None:
    """Read the profile of every device, once each; say what is wrong with them."""
    for device, entry in draft.raw("devices").items():
        name = entry.get("profile") if isinstance(entry, dict) else None
        if not isinstance(name, str) or name in draft.profiles:
            continue
        path = find_profile(name, draft.folders)
        if path is None:
            known = known_profiles(draft.folders)
            _dangling(draft, "no-such-profile", ("devices", device, "profile"), "profile", name, known)
            continue
        profile, problems = load_profile(name, path, path.as_posix())
        draft.profiles[name] = profile
        draft.problems += problems


def follow_references(draft: Draft) -> None:
    """Check every key that names a signal, a register, a mix, a role or an alarm."""
    for path, ref, value in _references(draft):
        if ref.kind == "signal":
            _signal(draft, path, ref, value)
        elif ref.kind == "register":
            _register(draft, path, value)
        elif ref.kind == "mix" and value not in draft.raw("mixes"):
            _dangling(draft, "no-such-mix", path, "mix", value, draft.raw("mixes"))
    for role in draft.raw("outputs"):
        if role not in ROLES:
            _dangling(draft, "no-such-role", ("outputs", role), "output role", role, ROLES)
    for alarm in draft.raw("alarms"):
        if alarm not in BY_ID:
            _dangling(draft, "no-such-alarm", ("alarms", alarm), "alarm", alarm, BY_ID)


def _references(draft: Draft) -> Iterator[tuple[KeyPath, Ref, str]]:
    for section, info in known_keys(SiteFile).items():
        model = next(models_in(info.annotation))
        data = draft.raw(section)
        if section in NAMED:
            for name, entry in data.items():
                if isinstance(entry, dict):
                    yield from _in_table(model, (section, name), entry)
        else:
            yield from _in_table(model, (section,), data)


def _in_table(model: type[Keys], path: KeyPath, data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, Ref, str]]:
    for key, info in known_keys(model).items():
        value = data.get(key)
        if isinstance(value, str):
            for note in metadata_of(info):
                if isinstance(note, Ref):
                    yield (*path, key), note, value
        elif isinstance(value, dict):
            for inner in models_in(info.annotation):
                yield from _in_table(inner, (*path, key), value)


def _dangling(draft: Draft, code: str, path: KeyPath, what: str, name: str, known: Any) -> None:
    close = nearest(name, known)
    remedy = f"Did you mean {close}?" if close else ""
    draft.say(code, path, f'no {what} named "{name}" ({have(known)})', remedy=remedy)


def _signal(draft: Draft, path: KeyPath, ref: Ref, name: str) -> None:
    signals = draft.raw("signals")
    if name not in signals:
        _dangling(draft, "no-such-signal", path, "signal", name, signals)
        return
    register = draft.register_of_signal(name)
    if register is None or register.unit not in UNITS:
        return
    dimension = UNITS[register.unit].dimension
    if dimension not in ref.dimensions:
        wanted, is_of = " or ".join(ref.dimensions).replace("_", " "), dimension.replace("_", " ")
        fitting = [other for other in signals if _dimension(draft, other) in ref.dimensions]
        close = nearest(name, fitting)
        hint = f"Did you mean {close}?" if close else f"Signals of {wanted}: {have(fitting)}."
        draft.say("wrong-dimension", path, f"needs a {wanted}, but {name} is a {is_of} ({register.unit})", remedy=hint)


def _dimension(draft: Draft, signal: str) -> str | None:
    register = draft.register_of_signal(signal)
    return UNITS[register.unit].dimension if register and register.unit in UNITS else None


def _register(draft: Draft, path: KeyPath, reference: str) -> None:
    device, dot, name = reference.partition(".")
    if not dot:
        return  # its form is a problem of its own
    devices = draft.raw("devices")
    if device not in devices:
        _dangling(draft, "no-such-device", path, "device", device, devices)
        return
    profile = draft.profile_of(device)
    if profile is not None and profile.doc is not None and name not in profile.registers:
        known = profile.registers if "outputs" not in path else profile.writable or profile.registers
        _dangling(draft, "no-such-register", path, f"register in {profile.name}", name, sorted(known))
