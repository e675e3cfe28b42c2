"""The local socket's protocol, one JSON object a line each way. Sans-IO: bytes in, a request or a reason out.

Requests: `{"ask": "view"}`, `{"ask": "words"}`, `{"ask": "follow"}`, `{"ask": "settings"}`, `{"ask": "links"}`,
`{"ask": "trace", "device": "feeder", "seconds": 10}`, `{"ask": "put in force", "who": "ana", "reason": "better"}` and
`{"ask": "command", "kind": "stop feed", "who": "operator", "subject": "", "value": 0, "id": "...", "expires_in_s": 10,
"wait_s": 2}`. Each may carry a `tag`, which its answers carry too. docs/socket.md tells the answers.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.scan import ScanResult
from crumbmeter.outward.body import Json, finite, view_body
from crumbmeter.outward.origin import Names, Origin, Stamp
from crumbmeter.outward.payloads import encode, envelope

LINE_LIMIT = 65536
"""[bytes] Longest request line."""

VIEW_VALID_S = 3.0
"""[s] A view older than this says nothing about now."""

EXPIRY_MAX_S = 60.0
WAIT_MAX_S = 10.0
TRACE_MAX_S = 3600.0
SINCE_MAX_S = 86400.0
TEXT_MAX = 200


class Ask(StrEnum):
    """What may be asked."""

    VIEW = "view"
    FOLLOW = "follow"
    SETTINGS = "settings"
    COMMAND = "command"
    LINKS = "links"
    TRACE = "trace"
    WORDS = "words"
    """The view, and beside it the raw words that each signal was made of in that scan."""
    APPLY = "put in force"


class RequestError(Exception):
    """The line is no request that can be carried out; the text says why, for whoever sent it."""


@dataclass(frozen=True, slots=True)
class CommandAsk:
    """A command as asked for, before it has an expiry on this process's clock."""

    kind: CommandKind
    who: str
    command_id: str
    """Empty: the daemon is to make one."""
    subject: str
    value: float
    expires_in_s: float
    """[s] Process time from its arrival."""
    reason: str
    since_s: float
    wait_s: float
    """[s] Loop time for which the answer may wait for what becomes of it."""

    def command(self, command_id: str, who: str, now_s: float) -> Command:
        """Make the command for the intake.

        Args:
            command_id: to know it by.
            who: who asked, as far as the socket knows better.
            now_s: [s] Process time.
        """
        return Command(self.kind, who, command_id, now_s + self.expires_in_s, self.subject, self.value, self.reason,
                       self.since_s)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TraceAsk:
    """A look at the raw frames of one device."""

    device: str
    seconds: float
    """[s] Loop time."""


@dataclass(frozen=True, slots=True)
class ApplyAsk:
    """The site file as it is now on the disk is to be put in force."""

    who: str
    reason: str
    settings_id: str
    """Of the file as whoever asks has checked it; empty: whatever it is."""


@dataclass(frozen=True, slots=True)
class Request:
    """One line, understood."""

    ask: Ask
    tag: str | int | None
    command: CommandAsk | None = None
    trace: TraceAsk | None = None
    apply: ApplyAsk | None = None


def parse_request(line: bytes) -> Request:
    """Understand one line.

    Raises:
        RequestError: it is none; answer with its text.
    """
    try:
        body = json.loads(line)
    except (ValueError, RecursionError) as fault:
        raise RequestError(f"no JSON: {fault}") from fault
    if not isinstance(body, dict):
        raise RequestError("a request is a JSON object")
    try:
        ask = Ask(str(body.get("ask")))
    except ValueError as fault:
        raise RequestError(f"'ask' must be one of {', '.join(Ask)}") from fault
    tag = body.get("tag")
    if tag is not None and not isinstance(tag, (str, int)):
        raise RequestError("'tag' must be a text or a whole number")
    return Request(
        ask,
        tag,
        _command(body) if ask is Ask.COMMAND else None,
        _trace(body) if ask is Ask.TRACE else None,
        _apply(body) if ask is Ask.APPLY else None,
    )


def view_line(origin: Origin, names: Names, result: ScanResult, now_s: float) -> Json:
    """Make the body of a view.

    Args:
        origin: who says it.
        names: behind the indices.
        result: the newest scan.
        now_s: [s] Process time now, for the age of the scan.
    """
    stamp = Stamp(result.number, result.wall_us, result.view.now_s)
    age = {"scan_age_s": finite(max(0.0, now_s - result.began_s))}
    return envelope("view", origin, stamp, VIEW_VALID_S) | age | view_body(result.view, names)


def words_body(names: Names, result: ScanResult) -> Json:
    """Return by signal the raw words that came for it, as they stood in the image of a scan; null where none came."""
    blocks = result.image.blocks
    found: Json = {}
    for name, (block, offset, count) in zip(names.signal_ids, names.places, strict=False):
        words = blocks[block].words
        found[name] = None if words is None else list(words[offset : offset + count])
    return {"words": found}


def answer(kind: str, tag: str | int | None, body: Mapping[str, Any]) -> bytes:
    """Make one line of answer."""
    head: Json = {"answer": kind} if tag is None else {"answer": kind, "tag": tag}
    return encode(head | dict(body)) + b"\n"


def outcome_body(happening: Event | None) -> Json | None:
    """Make the body of what became of a command; None where nothing was heard in time."""
    if happening is None:
        return None
    detail = {key: finite(value) if isinstance(value, float) else value for key, value in happening.detail}
    return {"name": happening.name, "detail": detail}


def _command(body: Mapping[str, Any]) -> CommandAsk:
    try:
        kind = CommandKind(str(body.get("kind")))
    except ValueError as fault:
        raise RequestError(f"'kind' must be one of {', '.join(CommandKind)}") from fault
    who = _who(body)
    return CommandAsk(
        kind=kind,
        who=who,
        command_id=_text(body, "id"),
        subject=_text(body, "subject"),
        value=_number(body, "value", 0.0, -math.inf, math.inf),
        expires_in_s=_number(body, "expires_in_s", 10.0, 0.0, EXPIRY_MAX_S),
        reason=_text(body, "reason"),
        since_s=_number(body, "since_s", 0.0, 0.0, SINCE_MAX_S),
        wait_s=_number(body, "wait_s", 0.0, 0.0, WAIT_MAX_S),
    )


def _apply(body: Mapping[str, Any]) -> ApplyAsk:
    return ApplyAsk(_who(body), _text(body, "reason"), _text(body, "settings_id"))


def _who(body: Mapping[str, Any]) -> str:
    who = _text(body, "who")
    if not who.strip():
        raise RequestError("'who' must say who asks: the record keeps it")
    return who


def _trace(body: Mapping[str, Any]) -> TraceAsk:
    return TraceAsk(_text(body, "device"), _number(body, "seconds", 10.0, 0.1, TRACE_MAX_S))


def _text(body: Mapping[str, Any], key: str) -> str:
    value = body.get(key, "")
    if not isinstance(value, str) or len(value) > TEXT_MAX:
        raise RequestError(f"{key!r} must be a text of at most {TEXT_MAX} characters")
    return value


def _number(body: Mapping[str, Any], key: str, default: float, low: float, high: float) -> float:
    value = body.get(key, default)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise RequestError(f"{key!r} must be a number")
    try:
        number = float(value)
    except OverflowError as fault:
        raise RequestError(f"{key!r} is too large") from fault
    if not (math.isfinite(number) and low <= number <= high):
        raise RequestError(f"{key!r} must be a finite number from {low:g} to {high:g}")
    return number
