"""The phone page without vision: an app over a folder, asked without a port, or served to real phones.

A stub photo is one of `job_stub`.
"""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI

from cli.jobs.worker import Inspector
from cli.serve import Asked, Staff, build, server_of
from tests.job_stub import stub_inspection

CODE = "abcd-efgh-jkmn"
LIST = "joint,fitting,photo,location,installer,machine,date\n"
SETTLED = {"settled": {"collar": ["moved", "confirmed"], "mouth": "moved", "mark": "confirmed"}}


def app_of(folder: Path, ledger: Path, *, inspector: Inspector = stub_inspection, workers: int = 1,
           limit_s: float = 20.0, eager: bool = False, **more: Any) -> FastAPI:
    """An app with the stub in one process.  more: what else the command line may ask for."""
    return build(Asked(folder, ledger=ledger, **more), CODE, Staff(workers, limit_s, eager), inspector)


@asynccontextmanager
async def phone(app: FastAPI, code: str = CODE, address: str = "10.0.0.7") -> AsyncIterator[httpx.AsyncClient]:
    """A phone that came in with a code; the app has to be running."""
    transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 50000))
    async with httpx.AsyncClient(transport=transport, base_url="http://page.test",
                                 cookies={app.state.access.cookie: code} if code else {}) as client:
        yield client


@asynccontextmanager
async def running(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    """The app from its start to its end, and one phone."""
    async with app.router.lifespan_context(app), phone(app) as client:
        yield client


def main(folder: str, ledger: str) -> None:
    """Serve the stub on a port of loopback, and print its address."""
    import socket

    line = socket.create_server(("127.0.0.1", 0), backlog=128)
    print(f"http://127.0.0.1:{line.getsockname()[1]}", flush=True)
    server_of(app_of(Path(folder), Path(ledger), workers=2)).run(sockets=[line])


if __name__ == "__main__":
    main(*sys.argv[1:])
