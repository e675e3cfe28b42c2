"""MQTT payloads as bytes, and their topics. Published schema: config/mqtt-payloads.schema.json; docs/mqtt.md."""

import json
from enum import StrEnum
from typing import Any

from crumbmeter.model.events import Event
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.view import ScanView
from crumbmeter.outward.body import Json, finite, summary_body
from crumbmeter.outward.origin import SCHEMA, Origin, Stamp, iso_utc

STATE_VALID_S = 5.0
"""[s] A state older than this says nothing about now."""


class Topic(StrEnum):
    """Last level of the topic; also the `type` of the payload."""

    STATUS = "status"
    STATE = "state"
    PARCEL = "parcel"
    EVENT = "event"
    HEAD = "head"


RETAINED = frozenset({Topic.STATUS, Topic.HEAD})
"""Kinds that the broker keeps for whoever comes later. A retained state would be an old value that looks live."""


class Presence(StrEnum):
    """Why the daemon says that it is there, or not."""

    STARTED = "started"
    STOPPED = "stopped"
    LINK_LOST = "link lost"


def topic_name(root: str, site_id: str, topic: Topic) -> str:
    """Join a topic: `root/site/kind`. Root may have several levels; none of it may hold a wildcard.

    Raises:
        ValueError: a wildcard, an empty level or a NUL; correct the site file.
    """
    name = f"{root.strip('/')}/{site_id}/{topic.value}"
    if any(mark in name for mark in "+#\0") or "" in name.split("/"):
        raise ValueError(f"{name!r} is no topic to publish to: it holds a wildcard or an empty level")
    return name


def encode(body: Json) -> bytes:
    """Write JSON as UTF-8 without blanks. A number that is not finite raises rather than gets out."""
    return json.dumps(body, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()


def envelope(kind: str, origin: Origin, stamp: Stamp, valid_for_s: float | None) -> Json:
    """Make the keys that every payload begins with.

    Args:
        kind: `type` of the payload.
        origin: who says it.
        stamp: when, and its number.
        valid_for_s: [s] How long it holds, from `wall_time`; None: a record, or until the next one replaces it.
    """
    return {
        "schema": SCHEMA,
        "type": kind,
        "site_id": origin.site_id,
        "boot_id": origin.boot_id,
        "settings_id": origin.settings_id,
        "simulated": origin.simulated,
        "seq": stamp.seq,
        "wall_time": iso_utc(stamp.wall_us),
        "process_time_s": finite(stamp.process_s),
        "valid_for_s": valid_for_s,
    }


def status(origin: Origin, stamp: Stamp, presence: Presence, version: str) -> bytes:
    """Make the birth, the last will or the farewell: one topic, all retained, so that the last word stands.

    The last will is written when the connection is made; its `wall_time` is that of the connection, not of the loss.
    """
    online = presence is Presence.STARTED
    body = envelope(Topic.STATUS, origin, stamp, None)
    return encode(body | {"online": online, "reason": presence.value, "version": version})


def state(origin: Origin, stamp: Stamp, view: ScanView) -> bytes:
    """Make the summary of one scan."""
    return encode(envelope(Topic.STATE, origin, stamp, STATE_VALID_S) | summary_body(view))


def parcel(origin: Origin, stamp: Stamp, item: Parcel) -> bytes:
    """Make one mix parcel. Its own word on simulation rules."""
    body = envelope(Topic.PARCEL, origin, stamp, None)
    body["simulated"] = item.simulated or origin.simulated
    return encode(
        body
        | {
            "number": item.number,
            "began_s": finite(item.began_s),
            "ended_s": finite(item.ended_s),
            "mix_id": item.mix_id,
            "dose_basis": str(item.dose_basis),
            "dose_target_fraction": finite(item.dose_target),
            "target_rubber_g": item.target_rubber_g,
            "rubber_g": item.rubber_g,
            "rubber_uncertainty_g": item.rubber_uncertainty_g,
            "dry_aggregate_g": item.dry_aggregate_g,
            "recycle_g": item.recycle_g,
            "recycle_binder_g": item.recycle_binder_g,
            "virgin_binder_g": item.virgin_binder_g,
            "mix_g": item.mix_g,
            "quality": item.quality.word,
            "worst_state": str(item.worst_state),
            "controlled": item.controlled,
        }
    )


def event(origin: Origin, stamp: Stamp, item: Event) -> bytes:
    """Make one happening."""
    detail = {key: _plain(value) for key, value in item.detail}
    return encode(envelope(Topic.EVENT, origin, stamp, None) | {"name": item.name, "detail": detail})


def head(origin: Origin, stamp: Stamp, strand: str, last_seq: int, head_sha256: str) -> bytes:
    """Make the head of one chain of the journal: whoever keeps it can prove later that no tail was cut off.

    Args:
        origin: who says it.
        stamp: when.
        strand: name of the chain.
        last_seq: sequence number of the newest record that the head covers.
        head_sha256: 64 hexadecimal digits.
    """
    body = envelope(Topic.HEAD, origin, stamp, None)
    return encode(body | {"strand": strand, "last_seq": last_seq, "head_sha256": head_sha256})


def _plain(value: Any) -> str | float | int | bool | None:
    if isinstance(value, float):
        return finite(value)
    if value is None or isinstance(value, (bool, int)):
        return value
    return str(value)
