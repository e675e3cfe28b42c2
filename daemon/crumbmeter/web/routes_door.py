"""The API's part about who is there: session, passwords, people."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from crumbmeter.web import models
from crumbmeter.web.access import COOKIE, Desk, LoggedInCaller, answers, guarded, look_up
from crumbmeter.web.parts import Parts
from crumbmeter.web.people import NAME_PATTERN, Person, Role
from crumbmeter.web.sessions import Session

router = APIRouter(prefix="/api/v1")
Named = Annotated[str, Path(pattern=NAME_PATTERN, description="Name of a person.")]
EVERYBODY: dict[str, Any] = {"openapi_extra": {"x-crumbmeter-role": "nobody", "x-crumbmeter-changes": False}}


@router.get("/session", tags=["session"], **EVERYBODY)
async def session(parts: Desk, request: Request) -> models.LoggedIn | models.LoggedOut:
    """Say who is logged in."""
    caller = look_up(parts, request.cookies.get(COOKIE))
    return models.LoggedOut(who=None) if caller is None else _logged_in(parts, caller.person, caller.session)


@router.post("/session", tags=["session"], responses=answers(400, 401, 413, 422, 429, 503), **EVERYBODY)
async def login(parts: Desk, body: models.Login, request: Request, response: Response) -> models.LoggedIn:
    """Log in; the answer sets the cookie."""
    session_id, began = await parts.door.login(body.name, body.password, address_of(request, parts))
    before = look_up(parts, request.cookies.get(COOKIE))
    if before is not None:
        parts.sessions.end(before.session, "another login in the same browser")
    response.set_cookie(
        COOKIE, session_id, max_age=int(parts.site.desk.session_s), path="/", secure=parts.secure, httponly=True,
        samesite="strict",
    )  # fmt: skip
    person = parts.door.person_of(began)
    assert person is not None  # noqa: S101 - the login has just found it, and nothing was waited for since
    return _logged_in(parts, person, began)


@router.delete("/session", tags=["session"], status_code=204, **guarded(None, changes=True))
async def logout(parts: Desk, caller: LoggedInCaller, response: Response) -> None:
    """Log out."""
    parts.sessions.end(caller.session, "logged out")
    response.delete_cookie(COOKIE, path="/", secure=parts.secure, httponly=True, samesite="strict")


@router.post(
    "/session/password", tags=["session"], status_code=204, **guarded(None, 400, 409, 413, 422, 429, changes=True)
)
async def change_password(parts: Desk, caller: LoggedInCaller, body: models.PasswordChange) -> None:
    """Give oneself another password; one's other sessions end."""
    await parts.door.change_password(caller.session, body.old, body.new)


@router.get("/people", tags=["people"], **guarded(Role.INTEGRATOR))
async def people(parts: Desk) -> list[models.PersonBody]:
    """List everybody who may log in."""
    return [
        models.PersonBody(name=one.name, role=one.role, must_change_password=one.one_time) for one in parts.door.people
    ]


@router.post("/people", tags=["people"], status_code=201, **guarded(Role.INTEGRATOR, 400, 409, 413, 422, changes=True))
async def add_person(parts: Desk, caller: LoggedInCaller, body: models.NewPerson) -> models.OneTimePassword:
    """Add somebody; the one-time password is shown this once."""
    password = await parts.door.add(body.name, body.role, caller.person.name)
    return models.OneTimePassword(name=body.name, password=password)


@router.delete(
    "/people/{name}", tags=["people"], status_code=204, **guarded(Role.INTEGRATOR, 404, 409, 422, changes=True)
)
async def remove_person(parts: Desk, caller: LoggedInCaller, name: Named) -> None:
    """Remove somebody; their sessions end at once."""
    await parts.door.remove(name, caller.person.name)


@router.post("/people/{name}/password", tags=["people"], **guarded(Role.INTEGRATOR, 404, 422, changes=True))
async def reset_password(parts: Desk, caller: LoggedInCaller, name: Named) -> models.OneTimePassword:
    """Give somebody a new one-time password; their sessions end at once."""
    return models.OneTimePassword(name=name, password=await parts.door.reset(name, caller.person.name))


def address_of(request: Request, parts: Parts) -> str:
    """Return where a request comes from. Behind a proxy: its last word, for anybody can write what stands before."""
    own = request.client.host if request.client else "unknown"
    if not parts.site.desk.behind_proxy:
        return own
    said = request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
    return said[:64] or own


def _logged_in(parts: Parts, person: Person, began: Session) -> models.LoggedIn:
    return models.LoggedIn(
        who=person.name,
        role=person.role,
        token=parts.sessions.token(began),
        ends_in_s=round(parts.sessions.left_s(began, parts.clock.now_s()), 1),
        must_change_password=person.one_time,
    )
