"""Cross checks of the desk: who can reach it, and what else has its port. Pure."""

from pathlib import Path

from crumbmeter.site.checks.links import LOOPBACK, broker_port, is_embedded
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.desk import DeskKeys


def check_desk(draft: Draft) -> None:
    """Check that nobody's password can be overheard, and that the desk can listen."""
    desk = draft.desk
    if desk is None:
        return
    _tls(draft, desk)
    if desk.address not in LOOPBACK and not desk.behind_proxy and desk.tls_certificate is None:
        draft.say(
            "desk-without-tls",
            ("desk", "address"),
            "is not the loopback address, and passwords would cross the network in clear",
        )
    _ports(draft, desk)


def _tls(draft: Draft, desk: DeskKeys) -> None:
    pair = {"tls_certificate": desk.tls_certificate, "tls_key": desk.tls_key}
    for (key, value), other in zip(pair.items(), reversed(pair), strict=True):
        if value is None:
            continue
        if pair[other] is None:
            draft.say("needs-other-key", ("desk", key), f"needs {other}")
        if not Path(value).is_file():
            draft.say("file-not-there", ("desk", key), "no such file from here")


def _ports(draft: Draft, desk: DeskKeys) -> None:
    place = ("desk", "port") if "port" in draft.raw("desk") else ("desk",)
    mqtt = draft.publish.mqtt if draft.publish else None
    metrics = draft.publish.metrics if draft.publish else None
    if mqtt is not None and is_embedded(mqtt) and broker_port(mqtt.broker) == desk.port:
        draft.say("port-twice", place, f"port {desk.port} is that of the embedded broker too")
    if metrics is not None and metrics.port == desk.port:
        draft.say("port-twice", place, f"port {desk.port} is that of the metrics too")
