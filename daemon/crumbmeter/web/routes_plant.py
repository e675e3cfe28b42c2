"""The API's part about the plant: what is, what was, what can be done, and doing it."""

import asyncio
import uuid
from typing import Annotated, Final

from fastapi import APIRouter, Query
from starlette.responses import JSONResponse, Response

from crumbmeter.alarms.catalogue import CATALOGUE
from crumbmeter.model.events import event
from crumbmeter.model.units import UNITS
from crumbmeter.site.card import cards
from crumbmeter.web import models
from crumbmeter.web.access import Caller, Desk, LoggedInCaller, answers_beside_a_stream, forbidden, guarded
from crumbmeter.web.actions import actions
from crumbmeter.web.deeds import DEEDS, may_do
from crumbmeter.web.faults import DeskError
from crumbmeter.web.parts import Json, Parts
from crumbmeter.web.people import MAY_ACT_AS, Role
from crumbmeter.web.stream import EventStreamResponse
from crumbmeter.web.view_models import ViewBody

router = APIRouter(prefix="/api/v1", tags=["plant"])
WAIT_S: Final = 3.0
"""[s] Control may take so long to say what became of a command."""
REFUSALS: Final = frozenset({"command_refused", "command_expired", "command_displaced"})
EVENT_FIELDS: Final = {
    "event": {"enum": ["view", "beat", "session_over"]},
    "data": {
        "type": "string",
        "contentMediaType": "application/json",
        "description": "view: as /api/v1/view. beat: wall_time (UTC, ISO 8601) and link. session_over: why.",
    },
    "id": {"type": "string", "description": "Of a view: the number of its scan."},
    "retry": {"type": "string", "description": "[ms] After so long a browser connects again."},
}
STREAMED: Final = {
    "description": "Server-sent events, for as long as the session lasts.",
    "content": {"text/event-stream": {"schema": {"type": "object", "properties": EVENT_FIELDS}}},
}
Minutes = Annotated[int, Query(ge=10, le=720, description="[min] How far back.")]


@router.get("/view", response_model=ViewBody, **guarded(Role.VIEWER))
async def view(parts: Desk) -> Response:
    """Return the newest view, as control sent it, and how the link to control is."""
    return JSONResponse(parts.view())


@router.get("/settings", response_model=models.SettingsBody, **guarded(Role.VIEWER))
async def settings(parts: Desk) -> Response:
    """Return what control goes by."""
    return JSONResponse(settings_body(parts))


@router.get("/links", response_model=models.LinksBody, **guarded(Role.VIEWER))
async def links(parts: Desk) -> Response:
    """Return how the links to the devices are."""
    return JSONResponse(await parts.link.ask({"ask": "links"}))


@router.get(
    "/stream",
    response_class=EventStreamResponse,
    status_code=200,
    **guarded(Role.VIEWER) | {"responses": {200: STREAMED, **answers_beside_a_stream(401, 403, 503)}},
)
async def stream(parts: Desk, caller: LoggedInCaller) -> Response:
    """Stream events: `view` (the newest view, at most five a second), `beat` once a second, `session_over` at its end.

    `beat` goes on while control is down: {"wall_time": "...", "link": {"up": false, "silent_s": 12.3}}.
    """
    refusal = parts.streams.refusal()
    if refusal is not None:
        raise refusal
    return parts.streams.response(caller.session)


@router.get("/trend", **guarded(Role.VIEWER, 422))
async def trend(parts: Desk, minutes: Minutes = 10) -> models.TrendBody:
    """Return the last minutes, at most 1500 rows: thinned to the least and the greatest of each bucket of seconds."""
    until = parts.wall_us() // 1_000_000
    return models.TrendBody.model_validate(await asyncio.to_thread(parts.trend.body, until, minutes))


@router.get("/cards", **guarded(Role.VIEWER))
async def hand_cards(parts: Desk) -> models.CardsBody:
    """Return cards for feeding by hand, with the feed factor as learned; none at a batch plant."""
    params, view = parts.site.params, parts.link.view
    learned = view is not None and not view["learning"] and view["feed_factor_kg_rev"] is not None
    factor = view["feed_factor_kg_rev"] if view is not None and learned else params.weighing.feed_factor_kg_rev
    return models.CardsBody(
        feed_factor_kg_rev=factor,
        factor_learned=learned,
        delay_s=params.line.travel_s + params.feed.auger_lag_s,
        cards=[
            models.CardBody(
                mix_id=card.mix_id,
                title=card.title,
                rows=[
                    models.CardRowBody(
                        mix_kg_s=UNITS[card.mix_unit].to_si(row.mix),
                        rubber_kg_s=row.rubber_kg_s,
                        auger_speed_rev_s=row.auger_rpm / 60.0,
                        possible=row.can,
                    )
                    for row in card.rows
                ],
            )
            for card in cards(parts.site, factor)
        ],
    )


@router.get("/actions", **guarded(Role.VIEWER))
async def offered(parts: Desk, caller: LoggedInCaller) -> list[models.ActionBody]:
    """List the kinds of command, and whether the caller may ask for each of them now."""
    link = parts.link
    found = actions(caller.person.role, link.view, link.settings, parts.site, up=link.up)
    return [models.ActionBody.model_validate(one) for one in found]


@router.post("/commands", **guarded(Role.VIEWER, 400, 409, 413, 422, changes=True))
async def command(parts: Desk, caller: LoggedInCaller, body: models.CommandRequest) -> models.CommandAnswer:
    """Ask something of control. It decides; 409 says why it did not do it."""
    role = caller.person.role
    command_id = body.id or uuid.uuid4().hex
    told = {"command": body.kind, "who": caller.person.name, "command_id": command_id}
    if not may_do(role, body.kind, MAY_ACT_AS[role]):
        parts.report(event("desk_command_refused", **told, why="role"))
        raise forbidden(f"body.kind = {body.kind}", role.value, f"the role {DEEDS[body.kind].role.value}")
    try:
        answer = await parts.link.ask(_request(caller, body, command_id), WAIT_S + 5.0)
    except DeskError as fault:
        parts.report(event("desk_command_refused", **told, why=fault.found))
        raise
    outcome = answer.get("outcome")
    refused = not answer["accepted"] or (outcome is not None and outcome["name"] in REFUSALS)
    why = str(answer["why"] if outcome is None else outcome["detail"].get("why", answer["why"]))
    if refused:
        parts.report(event("desk_command_refused", **told, why=why))
        raise DeskError(
            409, f"body.kind = {body.kind}", why, "a state in which it can be done",
            "Put right what it says, then ask again.",
        )  # fmt: skip
    parts.report(event("desk_command", **told, outcome=None if outcome is None else outcome["name"]))
    return models.CommandAnswer.model_validate({key: answer[key] for key in ("id", "accepted", "why", "outcome")})


@router.get("/alarms/catalogue", **guarded(Role.VIEWER))
async def catalogue() -> list[models.CatalogueAlarm]:
    """List every alarm there is, with what to do about it."""
    return [
        models.CatalogueAlarm(
            alarm_id=spec.alarm_id,
            priority=spec.priority.name.lower(),  # type: ignore[arg-type]
            text=spec.text,
            cause=spec.text,
            consequence=spec.consequence,
            remedy=spec.remedy,
            time_to_act_s=spec.time_s,
            latches=spec.latches,
        )
        for spec in CATALOGUE
    ]


def settings_body(parts: Parts) -> Json:
    """Make the settings: control's word, and beside it what only the desk knows.

    Raises:
        DeskError: 503 before control has answered once.
    """
    said = parts.link.settings
    if said is None:
        raise DeskError(
            503, "control", "no settings have come yet", "control that runs",
            "See whether `crumbmeter run` runs on this site.", retry_after_s=2,
        )  # fmt: skip
    own = {
        "streams": [stream.stream_id for stream in parts.site.params.streams],
        "training": parts.training,
        "zone": parts.zone,
    }
    return own | {key: value for key, value in said.items() if key != "answer"}


def _request(caller: Caller, body: models.CommandRequest, command_id: str) -> Json:
    return {
        "ask": "command",
        "kind": body.kind,
        "who": f"{caller.person.name} ({caller.person.role.value}, desk)",
        "subject": body.subject,
        "value": 0.0 if body.value is None else body.value,
        "reason": body.reason,
        "since_s": body.since_s,
        "id": command_id,
        "wait_s": WAIT_S,
    }
