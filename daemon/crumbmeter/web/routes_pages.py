"""Pages and health: what anybody may fetch, for there is nothing of the plant in it."""

from fastapi import APIRouter, Request
from starlette.responses import Response

from crumbmeter.web import models
from crumbmeter.web.access import Desk
from crumbmeter.web.static import HERE, Shelf

router = APIRouter(include_in_schema=False)
open_router = APIRouter()
_PAGE = Shelf(HERE / "page")
_API_PAGE = Shelf(HERE / "apidoc")


@router.get("/")
async def page(request: Request) -> Response:
    """Serve the operator's page: a shell that asks for a session."""
    return _PAGE.answer("index.html", request)


@router.get("/card")
async def card_page(request: Request) -> Response:
    """Serve the page that prints cards for feeding by hand."""
    return _PAGE.answer("card.html", request)


@router.get("/quality")
async def quality_page(request: Request) -> Response:
    """Serve the page of quality control."""
    return _PAGE.answer("quality.html", request)


@router.get("/assets/{name:path}")
async def asset(name: str, request: Request) -> Response:
    """Serve a file of the page."""
    return _PAGE.answer(name, request)


@router.get("/api/docs")
async def api_page(request: Request) -> Response:
    """Serve the viewer of the API's document."""
    return _API_PAGE.answer("index.html", request)


@router.get("/api/docs/{name}")
async def api_page_file(name: str, request: Request) -> Response:
    """Serve a file of that viewer."""
    return _API_PAGE.answer(name, request)


@open_router.get(
    "/health", tags=["health"], openapi_extra={"x-crumbmeter-role": "nobody", "x-crumbmeter-changes": False}
)
async def health(parts: Desk) -> models.Health:
    """Say that the desk is there, and how its link to control is."""
    return models.Health(desk="up", link=models.Link.model_validate(parts.link.body()))
