"""`collargap serve JOB_FOLDER`: the installer's phone page."""

from __future__ import annotations

import ipaddress
import socket
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    import uvicorn
    from fastapi import FastAPI

    from cli.jobs.asked import Job
    from cli.jobs.worker import Inspector

MISUSE = 2
LIMIT_S = 60.0  # for looking at a photo, of which a fast one needs two
HEADER_LIMIT_S = 10.0
_LOOPBACK = "127.0.0.1"
_WHITE, _BLACK = "\x1b[48;5;231m", "\x1b[48;5;16m"  # of the terminal's fixed colours


def serve_command(
    folder: Annotated[Path, typer.Argument(help="The job's folder: photos and joints.csv lie there.",
                                           metavar="JOB_FOLDER", show_default=False)],
    fitting: Annotated[str, typer.Option(help="Fitting of every joint to which joints.csv gives none.",
                                         metavar="ID", show_default=False)] = "",
    catalog: Annotated[Path | None, typer.Option(
        help="Your catalog of fittings (TOML); else COLLARGAP_CATALOG, else the demonstration rows.",
        metavar="FILE", show_default=False)] = None,
    camera: Annotated[Path | None, typer.Option(
        help="Profile of the camera of all phones, as `camera solve` wrote it.", metavar="FILE",
        show_default=False)] = None,
    site: Annotated[str, typer.Option(help="Name of the site; else that of the folder.", show_default=False)] = "",
    ledger: Annotated[Path | None, typer.Option(
        help="The ledger; else COLLARGAP_LEDGER, else the one in your data folder.", metavar="FILE",
        show_default=False)] = None,
    host: Annotated[str, typer.Option(
        help="Address to listen on: 0.0.0.0 lets phones of the same network in; else only this machine.",
        show_default=False)] = _LOOPBACK,
    port: Annotated[int, typer.Option(help="Port to listen on.", min=0, max=65535)] = 8765,
    workers: Annotated[int | None, typer.Option(min=1, help="Processes that look at photos; else one a core.",
                                                show_default=False)] = None,
) -> None:
    """Open the job to phones: take photos of joints, read verdicts, place lines, fill in the checklist.

    Prints an address with an access code, and its QR code. Photos and answers are those of `collargap job`.
    Only for a network that you trust: what phones send is not encrypted. Ctrl-C ends it; nothing is lost, if it is
    started again under the same address and port: phones keep unsent photos for that one.

    Exit status: 0 when it was ended; 2 misuse; 1 when the address can't be listened on.
    """
    try:
        import fastapi  # noqa: F401
        import jinja2  # noqa: F401
        import python_multipart  # noqa: F401
        import segno  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError as error:
        _leave(f"The phone page needs {error.name}, which is not installed. Install it: "
               "pip install 'collargap[phone]'", MISUSE)
    from calibration.fittings import Misuse
    from cli.phone.access import new_code

    code = new_code()
    try:
        app = build(Asked(folder, fitting, catalog, camera, site, ledger), code, Staff(workers))
    except Misuse as error:
        _leave(str(error), MISUSE)
    line = _listening(host, port)
    for sentence in welcome(line, host, code, sys.stdout.isatty()):
        typer.echo(sentence)
    sys.stdout.flush()
    with suppress(KeyboardInterrupt):  # Ctrl-C is how this command is meant to end
        server_of(app).run(sockets=[line])
    typer.echo("Ended. Photos and answers are kept; `collargap job` finds them.", err=True)


@dataclass(frozen=True)
class Asked:
    """The job that the command line asked for."""

    folder: Path
    fitting: str = ""
    catalog: Path | None = None
    camera: Path | None = None
    site: str = ""
    ledger: Path | None = None


@dataclass(frozen=True)
class Staff:
    """Who looks at photos.  workers: None for a process a core; eager: they start at once, not with the first photo."""

    workers: int | None = None
    limit_s: float = LIMIT_S
    eager: bool = True


def build(asked: Asked, code: str, staff: Staff, inspector: Inspector | None = None) -> FastAPI:
    """The application for a job folder; inspector: what looks, where not the real one.  Raises Misuse."""
    from cli.jobs.engine import usable_cores
    from cli.ledger import default_path
    from cli.phone.access import Access
    from cli.phone.app import create_app
    from cli.phone.crew import Crew
    from cli.phone.desk import Desk
    from cli.phone.service import Service

    desk = Desk(_job_of(asked, inspector), asked.ledger or default_path())
    desk.look_before()
    crew = Crew(staff.workers or usable_cores(), staff.limit_s, staff.eager)
    porter = Crew(1, min(staff.limit_s, HEADER_LIMIT_S), staff.eager)
    return create_app(Service(desk, crew, porter), Access(code, str(desk.top)))


def server_of(app: FastAPI) -> uvicorn.Server:
    """The server of an application, with its limits."""
    import uvicorn

    from cli.phone.door import MOST, PATIENCE_S, Door

    return uvicorn.Server(uvicorn.Config(
        app, http=Door, log_level="warning", access_log=False, server_header=False, limit_concurrency=MOST,
        timeout_keep_alive=int(PATIENCE_S), timeout_graceful_shutdown=5))


def _job_of(asked: Asked, inspector: Inspector | None) -> Job:
    from calibration.fittings import Misuse, find_fitting
    from cli import disk
    from cli.jobs.asked import Job
    from cli.jobs.inspection import inspect_photo
    from cli.jobs.text import visible

    folder = asked.folder
    if not folder.is_dir():
        raise Misuse(f"There is no folder {visible(str(folder))}. Make it, or name the job's folder.")
    rows = disk.read_catalog(asked.catalog)
    if asked.fitting:
        find_fitting(rows, asked.fitting)
    return Job(folder, _site_of(asked), rows, inspector or inspect_photo, fitting=asked.fitting,
               camera=disk.read_camera(asked.camera))


def _site_of(asked: Asked) -> str:
    """The site's name, as `collargap job` has it."""
    from cli.jobs.sitename import site_of
    from cli.jobs.text import name_of
    from cli.ledger import Ledger, default_path

    if asked.site:
        return name_of(asked.site)
    with Ledger(asked.ledger or default_path()) as ledger:
        name, told = site_of(asked.folder, ledger)
    for sentence in told:
        typer.echo(sentence, err=True)
    return name


def _listening(host: str, port: int) -> socket.socket:
    """The socket to listen on; leaves with a sentence where it can't be had."""
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server(address[:2], family=family, backlog=128)
    except OSError as error:
        _leave(f"Nothing can listen on {host}, port {port} ({error.strerror or error}). Name another --port, or end "
               "what uses it.", 1)


def welcome(line: socket.socket, host: str, code: str, coloured: bool = False) -> list[str]:
    """What is printed: where the page is, its code, the QR code, and who can reach it."""
    port = line.getsockname()[1]
    shown = own_address() if _is_any(host) else host
    address = f"http://{f'[{shown}]' if ':' in shown else shown}:{port}/?code={code}"
    said = [f"The phone page: {address}", f"Its code, to type: {code}", qr(address, coloured)]
    if _is_loopback(host):
        said.append("Only this machine can open it. For phones of the same network: --host 0.0.0.0")
    else:
        said.append("Phones of the same network can open it. What they send is not encrypted: use a network that you "
                    "trust, and end the page when the work is done.")
    said.append("Photos that a phone has not sent yet wait on it for this very address: start the page again with the "
                f"same --host and --port {port}.")
    return [*said, "Ctrl-C ends it."]


def qr(text: str, coloured: bool) -> str:
    """A QR code for a terminal: dark on light whatever its colours, or in plain blocks for one that has none."""
    import io

    import segno

    made = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(made, border=2, compact=not coloured)
    # segno turns the terminal's own colours round, which on a light one makes a code that few phones read.
    return made.getvalue().rstrip("\n").replace("\x1b[7m", _WHITE).replace("\x1b[49m", _BLACK)


def own_address() -> str:
    """This machine's address in its network.  Connecting a datagram socket sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): nobody's
            return str(probe.getsockname()[0])
        except OSError:
            return _LOOPBACK


def _is_any(host: str) -> bool:
    return host in ("0.0.0.0", "::", "")


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _leave(sentence: str, status: int) -> NoReturn:
    from cli.job import visible_lines

    typer.echo(visible_lines(sentence), err=True)
    raise typer.Exit(status)
