"""The application: routes, refusals in one shape, headers that keep a browser strict."""

from http import HTTPStatus
from typing import Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from crumbmeter import __version__
from crumbmeter.web import routes_door, routes_pages, routes_plant, routes_quality
from crumbmeter.web.faults import DeskError
from crumbmeter.web.parts import Parts

MOST_BODY: Final = 16_384
"""[bytes] Longest body of a request, where its operation allows no longer one."""
HEADERS: Final = {
    "content-security-policy": "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
ROUTERS: Final = (
    routes_pages.router,
    routes_pages.open_router,
    routes_door.router,
    routes_plant.router,
    routes_quality.router,
)
ABOUT: Final = """\
What the pages of the desk use, and any program may. Quantities are SI and their names end with the unit.
A value that is missing is null beside its quality. Log in with POST /api/v1/session; the cookie is the session, and
whatever changes something also needs its token in the header X-Crumbmeter-Token. This is no safety function.
"""


def make_app(parts: Parts) -> FastAPI:
    """Make the application around its parts."""
    app = FastAPI(
        title="crumbmeter desk",
        version=__version__,
        description=ABOUT,
        openapi_url="/api/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        max_body_size=MOST_BODY,
    )
    app.state.parts = parts
    for router in ROUTERS:
        app.include_router(router)
    app.add_exception_handler(DeskError, _refused)
    app.add_exception_handler(RequestValidationError, _senseless)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _failed)
    app.add_middleware(StrictHeaders)
    return app


class StrictHeaders:
    """Adds to every answer what keeps a browser from running or showing anything that is not the desk's own."""

    def __init__(self, app: ASGIApp) -> None:
        """Wrap the application."""
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""

        async def strict(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, receive, strict if scope["type"] == "http" else send)


async def _refused(_request: Request, fault: Exception) -> Response:
    assert isinstance(fault, DeskError)  # noqa: S101 - it is registered for this kind alone
    headers = {} if fault.retry_after_s is None else {"retry-after": str(fault.retry_after_s)}
    return JSONResponse(fault.body(), fault.status, headers)


async def _failed(request: Request, _fault: Exception) -> Response:
    """Answer where the desk itself is at fault; the server logs what it was."""
    answer = await _refused(
        request,
        DeskError(
            500, request.url.path, "a fault of the desk", "an answer", "Tell who looks after it: its log says more."
        ),
    )
    answer.headers.update(HEADERS)
    return answer


async def _senseless(request: Request, fault: Exception) -> Response:
    """Say where a request makes no sense. What stood there is not repeated: it may be a password."""
    assert isinstance(fault, RequestValidationError)  # noqa: S101 - it is registered for this kind alone
    first = fault.errors()[0]
    place = ".".join(str(part) for part in first["loc"])
    return await _refused(
        request,
        DeskError(422, place, str(first["type"]), str(first["msg"]), "See /api/docs for what this request takes."),
    )


async def _http(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)  # noqa: S101 - it is registered for this kind alone
    answer = await _refused(
        request,
        DeskError(
            fault.status_code,
            f"{request.method} {request.url.path}",
            str(fault.detail),
            "a request of the API",
            "See /api/docs.",
        ),
    )
    answer.headers.update(fault.headers or {})
    if fault.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        answer.headers["allow"] = ", ".join(sorted(_methods(request.url.path)))
    return answer


def _methods(path: str) -> set[str]:
    """Return all methods of a path: each of them is a route of its own."""
    routes = [route for router in ROUTERS for route in router.routes if isinstance(route, Route)]
    return {method for route in routes if route.path_regex.match(path) for method in route.methods or ()} or {"GET"}
