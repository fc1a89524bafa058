"""The phone page as one ASGI application: its table of contents."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from cli.answer import program_version
from cli.phone import api, pages
from cli.phone.access import Access
from cli.phone.guard import Guard
from cli.phone.service import Service
from cli.phone.troubles import Trouble

_STATIC = Path(__file__).parent / "static"


def create_app(service: Service, access: Access) -> FastAPI:
    """The application for one job folder and one access code."""

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        await service.start()
        try:
            yield
        finally:
            await service.stop()

    app = FastAPI(title="collargap", version=program_version(), lifespan=life, docs_url=None, redoc_url=None,
                  openapi_url="/api/openapi.json")
    app.state.service, app.state.access = service, access
    app.include_router(api.routes)
    app.include_router(pages.routes)
    app.mount("/static", StaticFiles(directory=_STATIC))
    app.add_exception_handler(Trouble, _trouble)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _fault)
    app.add_middleware(Guard, access=access, refuse=_refuse, open_paths=("/static/",))
    return app


def _refuse(scope: Scope, status: int, code: str, text: str) -> Response:
    """JSON for the script, a page for a person."""
    if scope["path"].startswith("/api/"):
        return JSONResponse({"code": code, "text": text}, status)
    return pages.trouble_page(status, code, text)


async def _trouble(request: Request, error: Any) -> Response:
    return _refuse(request.scope, error.status, error.code, str(error))


async def _unreadable(request: Request, error: Any) -> Response:
    told = "; ".join(f"{'.'.join(str(part) for part in each['loc'][1:])}: {each['msg']}" for each in error.errors()[:3])
    return _refuse(request.scope, 422, "unreadable", f"What was sent can't be read ({told}). Reload the page, and try "
                   "again.")


async def _plain(request: Request, error: Any) -> Response:
    text = ("There is no such page. Go back to the start." if error.status_code == 404
            else "This page can't be asked that way. Go back to the start.")
    return _refuse(request.scope, error.status_code, "not-there" if error.status_code == 404 else "method", text)


async def _fault(request: Request, error: Any) -> Response:
    return _refuse(request.scope, 500, "fault", f"The program failed ({type(error).__name__}). This is a fault of "
                   "collargap; nothing that was kept is lost. Try again, and report it.")
