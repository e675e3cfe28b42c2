"""Who may make a request: session first, then the token where something changes, then the role. One place for all."""

from typing import Annotated, Any, Final

from fastapi import Depends, Request, Security
from fastapi.security import APIKeyCookie, APIKeyHeader

from crumbmeter.web.faults import DeskError
from crumbmeter.web.models import Refused
from crumbmeter.web.parts import Parts, parts_of
from crumbmeter.web.people import Person, Role
from crumbmeter.web.sessions import Session

COOKIE: Final = "crumbmeter_session"
TOKEN_HEADER: Final = "X-Crumbmeter-Token"  # noqa: S105 - a name

_cookie = APIKeyCookie(name=COOKIE, auto_error=False, description="Set by the login.")
_token = APIKeyHeader(
    name=TOKEN_HEADER, auto_error=False, description="From the login; with everything that changes something."
)

Desk = Annotated[Parts, Depends(parts_of)]
CookieValue = Annotated[str | None, Security(_cookie)]
Responses = dict[int | str, dict[str, Any]]


class Caller:
    """Somebody who is logged in."""

    __slots__ = ("person", "session")

    def __init__(self, person: Person, session: Session) -> None:
        self.person = person
        self.session = session


def look_up(parts: Parts, cookie: str | None) -> Caller | None:
    """Find who makes a request; None: nobody is logged in."""
    session = parts.sessions.find(cookie, parts.clock.now_s())
    person = None if session is None else parts.door.person_of(session)
    return None if session is None or person is None else Caller(person, session)


def caller_of(parts: Desk, cookie: CookieValue) -> Caller:
    """Find who makes a request.

    Raises:
        DeskError: 401 where nobody is logged in.
    """
    caller = look_up(parts, cookie)
    if caller is None:
        raise DeskError(401, "session", "nobody is logged in, or the session is over", "a session", "Log in.")
    return caller


LoggedInCaller = Annotated[Caller, Depends(caller_of)]


def with_token(parts: Desk, caller: LoggedInCaller, token: Annotated[str | None, Security(_token)]) -> Caller:
    """Let a change through only from a page that this session's token was given to.

    Raises:
        DeskError: 403 where the token is missing or another session's.
    """
    if not parts.sessions.token_is_right(caller.session, token):
        found = "missing" if token is None else "not this session's"
        raise DeskError(403, TOKEN_HEADER, found, "the token of this session", "Read /api/v1/session and send it.")
    return caller


class _Needs:
    """Lets through who may do the work of one role, and has a password of their own."""

    def __init__(self, role: Role) -> None:
        self._role = role

    def __call__(self, request: Request, caller: LoggedInCaller) -> None:
        if caller.person.one_time:
            raise DeskError(
                403, "session", "a one-time password", "a password of your own",
                "Change it first: POST /api/v1/session/password.",
            )  # fmt: skip
        if not caller.person.may(self._role):
            raise forbidden(request.url.path, caller.person.role.value, f"the role {self._role.value}")


def forbidden(place: str, found: str, expected: str) -> DeskError:
    """Say that somebody's role is not enough."""
    return DeskError(403, place, f"the role {found}", expected, "Ask somebody of that role, or the integrator.")


def answers(*codes: int) -> Responses:
    """Describe the refusals of an operation for the document."""
    return {code: {"model": Refused, "description": _SAYS[code]} for code in sorted(codes)}


def answers_beside_a_stream(*codes: int) -> Responses:
    """Describe the refusals of an operation whose success is no JSON."""
    body = {"application/json": {"schema": {"$ref": "#/components/schemas/Refused"}}}
    return {code: {"content": body, "description": _SAYS[code]} for code in sorted(codes)}


def guarded(role: Role | None, *codes: int, changes: bool = False) -> dict[str, Any]:
    """Guard one operation: keyword arguments of its route, so that the document and the check cannot disagree.

    Args:
        role: Whose work it is; None: everybody's who is logged in, also with a one-time password.
        codes: Further refusals, for the document.
        changes: It changes something, and so needs the token.
    """
    guards: list[Any] = [Depends(with_token if changes else caller_of)]
    if role is not None:
        guards.append(Depends(_Needs(role)))
    own = {401, 403, 503} if changes or role is not None else {401, 503}
    return {
        "dependencies": guards,
        "responses": answers(*own, *codes),
        "openapi_extra": {"x-crumbmeter-role": "any" if role is None else role.value, "x-crumbmeter-changes": changes},
    }


_SAYS: Final = {
    400: "No request that can be read.",
    401: "Nobody is logged in, or a password is wrong.",
    403: "The role is not enough, the token is missing, or the password must be changed first.",
    404: "No such thing.",
    409: "It cannot be done now; the answer says why.",
    413: "The body is too long.",
    422: "The request does not make sense; the answer says where.",
    429: "Tried too often; Retry-After says how long to wait.",
    503: "Control does not answer, or the desk has no room.",
}
