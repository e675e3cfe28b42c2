"""Calibrations as entries of the quality record: read out of one, and made into one.

An entry holds the kind and its trials. Beside them may stand what was read and typed on the way to them (`readings`),
what was reckoned (`figures`), and of a feeder the runs, so that a verdict can be worked out again by hand.
"""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, Final

from crumbmeter.qc.calibrations import LEGAL_FOR_TRADE, Calibration, CalibrationKind, Trial
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.weighing_runs import FeederRun, Minimum

KEYS: Final = ("kind", "trials", "certificate", "note", "regime", "runs", "minimum", "figures", "readings")
RUN_NUMBERS: Final = ("duration_s", "mass_kg", "warm_up_s", "refills")
RUN_WORDS: Final = ("scale_isolated", "checked_before", "checked_after")


class CalibrationRefusedError(ValueError):
    """An entry is no calibration. The message names the key, what was found and what is expected."""


def read(said: Said) -> Calibration:
    """Read a calibration out of an entry.

    Raises:
        CalibrationRefusedError: the entry is none.
    """
    place = f"calibration of {said.about}"
    if said.subject is not Subject.CALIBRATION:
        raise CalibrationRefusedError(f"entry {said.seq} is about a {said.subject.value}, not a calibration")
    unknown = sorted(set(said.what) - set(KEYS))
    if unknown:
        raise CalibrationRefusedError(f"{place}: unknown key {unknown[0]!r}; it knows {', '.join(KEYS)}")
    try:
        kind = CalibrationKind(said.what.get("kind", ""))
    except ValueError:
        words = ", ".join(one.value for one in CalibrationKind)
        raise CalibrationRefusedError(f"{place}: kind {said.what.get('kind')!r} is not one of {words}") from None
    trials = tuple(
        _trial(f"{place}, trial {number}", kind, one)
        for number, one in enumerate(_list(place, "trials", said.what), start=1)
    )
    if bool(trials) is (kind is CalibrationKind.MOVED):
        expected = "a move has no trials" if trials else "trials are missing; give at least one"
        raise CalibrationRefusedError(f"{place}: {expected}")
    runs, minimum = _runs(place, kind, said.what, len(trials))
    return Calibration(
        said.about, kind, said.effective_us, said.who, trials, str(said.what.get("certificate", "")),
        str(said.what.get("note", "")), said.seq, _regime(place, said.what), runs, minimum,
        _figures(place, said.what), _mapping(place, "readings", said.what),
    )  # fmt: skip


def what(calibration: Calibration) -> dict[str, Any]:
    """Return a calibration as the content of an entry; instrument, time and person stand in the entry itself."""
    content: dict[str, Any] = {"kind": calibration.kind.value}
    if calibration.trials:
        base, error = _trial_keys(calibration.kind)
        content["trials"] = [
            {base: one.base_kg, error: one.error_kg if error == "change_kg" else one.base_kg + one.error_kg}
            for one in calibration.trials
        ]
    if calibration.runs:
        names = (*RUN_NUMBERS, *RUN_WORDS)
        content["runs"] = [
            {name: value for name in names if (value := getattr(one, name)) is not None} for one in calibration.runs
        ]
        content["minimum"] = calibration.minimum.value
    extra = {
        "certificate": calibration.certificate, "note": calibration.note, "regime": calibration.regime,
        "figures": dict(calibration.figures), "readings": dict(calibration.readings),
    }  # fmt: skip
    return content | {key: value for key, value in extra.items() if value}


def _list(place: str, key: str, given: Mapping[str, Any]) -> Sequence[Any]:
    found = given.get(key, [])
    if not isinstance(found, Sequence) or isinstance(found, str):
        raise CalibrationRefusedError(f"{place}: {key} must be a list of tables")
    return found


def _mapping(place: str, key: str, given: Mapping[str, Any]) -> Mapping[str, Any]:
    found = given.get(key, {})
    if not isinstance(found, Mapping):
        raise CalibrationRefusedError(f"{place}: {key} is {found!r}, and must be a table")
    return found


def _figures(place: str, given: Mapping[str, Any]) -> Mapping[str, float]:
    found = _mapping(place, "figures", given)
    return {name: _number(place, name, value) for name, value in found.items()}


def _regime(place: str, given: Mapping[str, Any]) -> str:
    found = str(given.get("regime", ""))
    if found not in ("", LEGAL_FOR_TRADE):
        raise CalibrationRefusedError(f"{place}: regime is {found!r}; it is {LEGAL_FOR_TRADE} or left out")
    return found


def _runs(
    place: str, kind: CalibrationKind, given: Mapping[str, Any], trials: int
) -> tuple[tuple[FeederRun, ...], Minimum]:
    tables = _list(place, "runs", given)
    runs = tuple(_run(f"{place}, run {number}", one) for number, one in enumerate(tables, start=1))
    if runs and kind not in (CalibrationKind.FEEDER_RUN, CalibrationKind.FEEDER_CATCH):
        raise CalibrationRefusedError(f"{place}: a {kind.value} has no runs")
    if len(runs) != trials and (runs or kind is CalibrationKind.FEEDER_RUN):
        raise CalibrationRefusedError(f"{place}: {len(runs)} runs for {trials} trials; give one for each")
    try:
        return runs, Minimum(given.get("minimum", Minimum.TIME.value))
    except ValueError:
        words = "; ".join(one.value for one in Minimum)
        raise CalibrationRefusedError(f"{place}: minimum {given.get('minimum')!r} is not one of: {words}") from None


def _run(place: str, given: Any) -> FeederRun:
    if not isinstance(given, Mapping) or not set(RUN_NUMBERS) <= set(given) <= {*RUN_NUMBERS, *RUN_WORDS}:
        raise CalibrationRefusedError(
            f"{place}: {given!r} must have {', '.join(RUN_NUMBERS)} and may have {', '.join(RUN_WORDS)}"
        )
    duration_s, mass_kg, warm_up_s, refills = (_number(place, name, given[name]) for name in RUN_NUMBERS)
    words = [given.get(name) for name in RUN_WORDS]
    for name, word in zip(RUN_WORDS, words, strict=True):
        if word is not None and not isinstance(word, bool):
            raise CalibrationRefusedError(f"{place}: {name} is {word!r}, and must be true or false")
    if refills < 0.0 or refills != int(refills):
        raise CalibrationRefusedError(f"{place}: refills is {refills!r}, and must be a whole number of 0 or more")
    return FeederRun(duration_s, mass_kg, warm_up_s, int(refills), *words)


def _trial_keys(kind: CalibrationKind) -> tuple[str, str]:
    return ("full_scale_kg", "change_kg") if kind is CalibrationKind.BELT_ZERO else ("reference_kg", "indicated_kg")


def _number(place: str, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise CalibrationRefusedError(f"{place}: {key} is {value!r}, and must be a finite number")
    return float(value)


def _trial(place: str, kind: CalibrationKind, given: Any) -> Trial:
    keys = _trial_keys(kind)
    if not isinstance(given, Mapping) or set(given) != set(keys):
        raise CalibrationRefusedError(f"{place}: {given!r} must have {keys[0]} and {keys[1]}")
    base, other = (_number(place, key, given[key]) for key in keys)
    if base <= 0.0:
        raise CalibrationRefusedError(f"{place}: {keys[0]} is {base!r}, and must be above 0")
    return Trial(base, other if kind is CalibrationKind.BELT_ZERO else other - base)
