"""The pages that people see.  Each has an address of its own, so that the phone's back button does what it should,
and each works without a script, but for taking photos and placing lines.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Form, Query, Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse, RedirectResponse, Response

from cli.answer import program_version
from cli.jobs.checklist import ANSWERS, ITEMS
from cli.jobs.matching import folded
from cli.jobs.text import visible
from cli.phone.access import Access
from cli.phone.api import JointName, Phone
from cli.phone.guard import entered, must_wait, path_of
from cli.phone.names import LONGEST_ASKED
from cli.phone.troubles import BadRequest, Taken
from cli.phone.words import Line, card, checked_off, line
from cli.say import CAUTION, CAUTIONS, DEMO

AskedName = Annotated[str, Form(max_length=LONGEST_ASKED)]
_YEAR_S = 365 * 24 * 3600
_HERE = Path(__file__).parent

_jinja = Environment(
    loader=FileSystemLoader(_HERE / "pages"), autoescape=select_autoescape(default=True, default_for_string=True),
    undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
)
_jinja.filters["shown"] = visible
_jinja.globals.update(cautions=CAUTIONS, caution=CAUTION, demo_words=DEMO, items=ITEMS, answers=ANSWERS,
                      version=program_version())

routes = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


def page(template: str, status: int = 200, **facts: Any) -> HTMLResponse:
    """A page from its template."""
    return HTMLResponse(_jinja.get_template(template).render(**facts), status)


def trouble_page(status: int, code: str, text: str) -> HTMLResponse:
    """A page that says what went wrong and leads on."""
    return page("trouble.html.j2", status, code=code, text=text)


def _size_cookie(request: Request) -> str:
    """Of this job: another one's size would go unnoticed."""
    access: Access = request.app.state.access
    return f"size-{access.tag}"


def _size_of(request: Request, phone: Phone) -> Any:
    """The catalog's row that this phone chose, or None."""
    chosen = request.cookies.get(_size_cookie(request), "")
    rows = phone.desk.job.catalog
    found = next((row for row in rows if row.id == chosen), None)
    return found or (rows[0] if len(rows) == 1 else None)


def _joint_url(joint: str) -> str:
    return f"/joint?name={quote(joint, safe='')}"


@routes.get("/")
async def home(request: Request, phone: Phone) -> Response:
    """The next joint, and those that still wait for a photo."""
    size = _size_of(request, phone)
    if size is None:
        return RedirectResponse("/size", 303)
    return await _home(phone, size)


@dataclass(frozen=True)
class Refused:
    """A name that somebody wrote, and why no joint can be begun by it."""

    name: str
    why: str


async def _home(phone: Phone, size: Any, refused: Refused | None = None) -> Response:
    # The answer to a form bears no mark: loading it again would send the form again.
    mark = "" if refused else await phone.at_desk(phone.desk.mark)
    lines = [line(each) for each in await phone.survey()]
    return page("home.html.j2", 400 if refused else 200, mark=mark, site=visible(phone.desk.job.site), size=size,
                token=str(uuid.uuid4()), following=await phone.at_desk(phone.desk.next_joint), refused=refused,
                counts=_counts(lines), missing=[each for each in lines if each.word == "missing"])


def _counts(lines: list[Line]) -> dict[str, int]:
    words = [each.word for each in lines]
    return {word: words.count(word) for word in ("full", "short", "unproven", "missing", "checking")}


@routes.get("/size")
async def sizes(request: Request, phone: Phone, back: str = "/") -> Response:
    """Large tiles, chosen once."""
    return page("size.html.j2", sizes=phone.desk.job.catalog, chosen=_size_of(request, phone), back=path_of(back))


@routes.post("/size")
async def choose(request: Request, phone: Phone, fitting: Annotated[str, Form(max_length=80)],
                 back: Annotated[str, Form(max_length=300)] = "/") -> Response:
    """Keep the size on this phone."""
    if fitting not in [row.id for row in phone.desk.job.catalog]:
        raise BadRequest("This size is not in the catalog any more. Choose one of those shown.")
    answer = RedirectResponse(path_of(back), 303)
    answer.set_cookie(_size_cookie(request), fitting, max_age=_YEAR_S, httponly=True, samesite="lax")
    return answer


@routes.post("/begin")
async def begin(request: Request, phone: Phone, token: Annotated[uuid.UUID, Form()],
                name: AskedName = "", offered: AskedName = "") -> Response:
    """Begin a joint; sent twice, it is one joint.  A name that can't be had stays where it was written."""
    size = _size_of(request, phone)
    if size is None:
        return RedirectResponse("/size", 303)
    name = name.strip() or offered
    try:
        given = await phone.at_desk(phone.desk.claim, str(token), name, name == offered, size.id)
    except (BadRequest, Taken) as error:
        return await _home(phone, size, Refused(name, str(error)))
    its = await phone.at_desk(phone.desk.size_of, given.joint)
    told = "&new=1" if given.new else "" if its == size else f"&asked={quote(size.id, safe='')}"
    return RedirectResponse(_joint_url(given.joint) + told, 303)


@routes.get("/next")
async def following(phone: Phone, after: JointName) -> Response:
    """The next joint as of the tap: since the page came, another phone may have photographed the one that was next."""
    found = await phone.at_desk(phone.desk.next_joint, after)
    return RedirectResponse(_joint_url(found.joint) if found.listed else "/", 303)


@routes.get("/joint")
async def joint(phone: Phone, name: JointName, saved: bool = False,
                asked: Annotated[str, Query(max_length=80)] = "", new: bool = False) -> Response:
    """A joint: its photos, those of its marked pipe, its checklist, the camera.

    saved: the checklist was just kept.  asked: the size that the phone began it with, where the list has another.
    new: it was just added to the list.
    """
    told, mark = await phone.at_desk(phone.desk.page_of, name)
    cards = [card(each) for each in told]
    photos, pipes = ([each for each in cards if each.marked == marked] for marked in (False, True))
    lines = [line(each) for each in await phone.survey()]
    here = next((each for each in lines if folded(each.name) == folded(name)),
                Line(name, "missing", len(photos), "", False, False))  # so new that the survey has not seen it
    said = await phone.at_desk(phone.desk.checklist, name)
    size = await phone.at_desk(phone.desk.size_of, name)
    other = next((row for row in phone.desk.job.catalog if row.id == asked and row != size), None)
    return page("joint.html.j2", site=visible(phone.desk.job.site), mark=mark, size=size, other=other, joint=here,
                photos=photos, pipes=pipes, said=said, checked_off=checked_off(said), saved=saved,
                token=str(uuid.uuid4()), following=await phone.at_desk(phone.desk.next_joint, here.name), new=new)


@routes.get("/part/photo")
async def photo_part(phone: Phone, photo: uuid.UUID) -> Response:
    """One photo's card, for the script to put in its place."""
    told = await phone.photo(str(photo))
    return page("photo.html.j2", photo=card(told), newest=True)


@routes.post("/checklist")
async def checklist(request: Request, phone: Phone, joint: AskedName) -> Response:
    """Keep what this phone answered: an answer that stood there already may be another phone's, and changed since."""
    form = await request.form()
    answers = {key: str(form[key]) for key in ITEMS if form.get(key) in ANSWERS and form[key] != form.get(f"was-{key}")}
    await phone.at_desk(phone.desk.note_checklist, joint, answers)
    return RedirectResponse(f"{_joint_url(joint)}&saved=1#checklist", 303)


@routes.get("/joints")
async def joints(phone: Phone) -> Response:
    """All joints of the job."""
    mark = await phone.at_desk(phone.desk.mark)
    lines = [line(each) for each in await phone.survey()]
    return page("joints.html.j2", mark=mark, site=visible(phone.desk.job.site), lines=lines, counts=_counts(lines))


@routes.get("/lines")
async def lines(phone: Phone, photo: uuid.UUID) -> Response:
    """Placing lines by hand."""
    await phone.at_desk(phone.desk.of_joint_itself, str(photo))
    told = await phone.at_desk(phone.desk.photo, str(photo))
    return page("lines.html.j2", photo=card(told), joint=told.sent.joint)


@routes.get("/enter")
async def enter() -> Response:
    """Where a code can be typed."""
    return page("trouble.html.j2", code="code", text="Scan the QR code that the computer shows, or type its code.")


@routes.post("/enter")
async def try_code(request: Request, code: Annotated[str, Form(max_length=80)]) -> Response:
    """Come in by a typed code."""
    access: Access = request.app.state.access
    address = request.client.host if request.client else ""
    if access.right(code.lower()):
        return entered(code.lower(), access)
    if wait_s := access.must_wait_s(address):
        return must_wait(lambda _, *told: trouble_page(*told), request.scope, wait_s)
    access.tried(address)
    return trouble_page(401, "code", "That is not the code. Type it as the computer shows it.")

