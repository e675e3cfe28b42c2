"""The API's part about quality: what QC asks, what can be taken away, and what people say for the record."""

import asyncio
from datetime import date
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Path, Query
from starlette.responses import JSONResponse, Response

from crumbmeter.model.events import event
from crumbmeter.report.questions import BY_NAME
from crumbmeter.report.taking import MEDIA
from crumbmeter.web import quality_models as models
from crumbmeter.web.access import Caller, Desk, LoggedInCaller, answers_beside_a_stream, forbidden, guarded
from crumbmeter.web.faults import DeskError
from crumbmeter.web.people import Role

router = APIRouter(prefix="/api/v1/quality", tags=["quality"])
From = Annotated[date | None, Query(alias="from", description="First production day; today where nothing is said.")]
To = Annotated[date | None, Query(description="Last production day.")]
About = Annotated[str, Query(max_length=200, description="What it is about: a deviation, a ticket, a lot.")]
Name = Annotated[str, Path(max_length=40, description="Of a question.")]
Kind = Literal["pdf", "json", "csv", "tsv", "parquet"]
LONG_BODY: Final = 1_310_720
"""[bytes] A raw curve of the laboratory, or a day of load tickets, however it is escaped."""
FILE: Final = {
    "description": "The answer as a file.",
    "content": {media.split(";")[0]: {"schema": {"type": "string", "format": "binary"}} for media in MEDIA.values()},
}


@router.get("", **guarded(Role.VIEWER, 409))
async def overview(parts: Desk) -> models.QualityBody:
    """Say which questions can be asked, and which forms there are."""
    return models.QualityBody.model_validate(await asyncio.to_thread(parts.quality.overview, parts.wall_us()))


@router.get("/answers/{name}", response_model=models.AnswerBody, **guarded(Role.VIEWER, 404, 409, 422))
async def answer(parts: Desk, name: Name, from_: From = None, to: To = None, about: About = "") -> Response:
    """Answer a question over some production days."""
    days = (from_, to)
    return JSONResponse(await asyncio.to_thread(parts.quality.answer, name, days, about, parts.wall_us()))


@router.get(
    "/files/{name}.{kind}",
    response_class=Response,
    status_code=200,
    **guarded(Role.VIEWER) | {"responses": {200: FILE, **answers_beside_a_stream(401, 403, 404, 409, 422, 503)}},
)
async def file(parts: Desk, name: Name, kind: Kind, from_: From = None, to: To = None, about: About = "") -> Response:
    """Take an answer away as a file."""
    if name not in BY_NAME or kind not in BY_NAME[name].files:
        raise DeskError(404, "path", f"{name}.{kind}", "a question and one of its formats", "See /api/v1/quality.")
    made = await parts.quality.file(name, kind, (from_, to), about, parts.wall_us())
    headers = {"content-disposition": f'attachment; filename="crumbmeter-{name}.{kind}"'}
    return Response(made, media_type=MEDIA[kind], headers=headers)


@router.post("/entries", max_body_size=LONG_BODY, **guarded(Role.VIEWER, 400, 404, 409, 413, 422, 429, changes=True))
async def say(parts: Desk, caller: LoggedInCaller, body: models.EntryRequest) -> models.EntryAnswer:
    """Say something for the quality record. Who says it, and when, is added here."""
    form = await asyncio.to_thread(parts.quality.form, body.form)
    if caller.person.role.value not in form.roles:
        raise forbidden(f"body.form = {body.form}", caller.person.role.value, f"one of {', '.join(form.roles)}")
    fields = dict(body.fields)
    if any(one.kind == "password" for one in form.fields):
        await parts.door.prove(caller.session, fields.pop("password", ""))
    put = await asyncio.to_thread(parts.quality.say, body.form, fields, _who(caller), parts.wall_us())
    parts.report(event("said_for_record", form=body.form, about=put.about, entry=put.seq, who=caller.person.name))
    return models.EntryAnswer(says=f"On record as entry {put.seq}: {put.subject.value} {put.about}.", seq=put.seq)


@router.post("/tickets", max_body_size=LONG_BODY, **guarded(Role.VIEWER, 400, 404, 409, 413, 422, changes=True))
async def tickets(parts: Desk, caller: LoggedInCaller, body: models.TicketsRequest) -> models.TicketsAnswer:
    """Put load tickets of a CSV text on record (docs/trucks.md): the lines that are fine, whatever the others are."""
    if caller.person.role is Role.VIEWER:
        raise forbidden("tickets", caller.person.role.value, "the role operator, qc or integrator")
    found = await asyncio.to_thread(parts.quality.tickets, body.csv, _who(caller), parts.wall_us(), as_csv=True)
    if found.new:
        parts.report(event("tickets_taken", count=len(found.new), who=caller.person.name))
    return models.TicketsAnswer(
        recorded=[one.about for one in found.new], known=list(found.known), problems=list(found.problems)
    )


def _who(caller: Caller) -> str:
    return f"{caller.person.name} ({caller.person.role.value}, desk)"
