"""What the page's own script asks for, as JSON.  `/api/openapi.json` describes it.

Every change can be sent again without harm: photos, joints and lines carry a number that the phone made.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Body, Depends, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from cli.jobs.checklist import ITEMS, Answer
from cli.lines import Edge, Lines, Side
from cli.phone.names import LONGEST_ASKED, Kind
from cli.phone.service import Service
from cli.phone.told import Told
from cli.phone.troubles import BadRequest, NotThere
from cli.phone.words import card, line

_LONGEST_WAIT_S = 20.0


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Error(BaseModel):
    """What went wrong: a code for programs, a sentence with the remedy for people."""

    code: str
    text: str


class Size(BaseModel):
    """A size to choose: a row of the catalog."""

    fitting: str
    size: str
    demo: bool


class Start(BaseModel):
    """What a phone needs to begin: the sizes, and the number that the next joint would get."""

    site: str
    next: str
    sizes: list[Size]


class Mark(BaseModel):
    """A mark that is another one when a page would tell something else."""

    mark: str


class NewJoint(_Sent):
    """A joint that a phone asks for.  token: made by the phone; the same token gets the same joint.

    offered: the name is the number that was offered; where another phone has it by now, the next one is given.
    """

    token: UUID
    name: Annotated[str, Field(min_length=1, max_length=LONGEST_ASKED)]
    offered: bool = False
    fitting: Annotated[str, Field(min_length=1, max_length=80)]


class GivenJoint(BaseModel):
    """The joint that the phone was given.  photos: how many there are of it already."""

    joint: str
    fitting: str
    photos: int


class JointLine(BaseModel):
    """A joint of the job.  verdict: full, short, unproven, missing where it has no photo yet, or checking where one
    that may settle it has not been looked at yet.

    marked: what was seen of its marked pipe, null where nobody photographed that.
    """

    joint: str
    verdict: Literal["full", "short", "unproven", "missing", "checking"]
    photos: int
    about: str
    marked: Literal["placed", "misplaced", "unproven"] | None


class Photo(BaseModel):
    """A photo.  state: kept (being looked at), checked, failed or gone from the folder (`error` says why).

    kind: "after", the made joint, or "before", its marked pipe.  do: one sentence for the person at the joint.
    depth: of the mark, from the cut.  insertion: where it was told from both photos.
    answer: the JSON object of `collargap check`, or of `collargap premark`, or null.
    """

    id: str
    joint: str
    file: str
    kind: Kind
    state: Literal["kept", "checked", "failed", "gone"]
    verdict: Literal["full", "short", "unproven", "placed", "misplaced"] | None
    gap: str
    depth: str
    insertion: str
    do: str
    error: str
    assisted: bool
    answer: dict[str, Any] | None


Settled = Literal["untouched", "moved", "confirmed"]


class HowSettled(_Sent):
    """What the person did with each line: a suggestion that nobody moved or confirmed is nobody's line."""

    collar: tuple[Settled, Settled] = ("untouched", "untouched")
    mouth: Settled = "untouched"
    mark: Settled = "untouched"

    def untouched(self) -> list[str]:
        """The lines that nobody settled, in words."""
        names = ("the collar's one side", "the collar's other side", "the mouth", "the mark's near edge")
        return [name for name, how in zip(names, (*self.collar, self.mouth, self.mark), strict=True)
                if how == "untouched"]


class PlacedLines(_Sent):
    """Lines that a person placed, in pixels of the upright photo, whose size is `size_px`.

    settled: what the person did with each of them; all have to be moved or confirmed.
    """

    settled: HowSettled = HowSettled()
    placed_by: Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\s\x00-\x1f\x7f][^\x00-\x1f\x7f]*$")]
    size_px: tuple[Annotated[int, Field(ge=1, le=100_000)], Annotated[int, Field(ge=1, le=100_000)]]
    point_u_px: Annotated[float, Field(ge=0.5, le=100)] = 2.5
    collar: tuple[Side, Side]
    pipe: tuple[Side, Side] | None = None
    mouth: Edge
    mark: Edge


class Preview(BaseModel):
    """What lines are placed on.  size_px: of the photo itself.  start: lines to start from, or null."""

    size_px: tuple[int, int]
    start: dict[str, Any] | None


class Checklist(_Sent):
    """An installer's answers: yes, no or na, by the points' codes; points without an answer are left out."""

    answers: dict[Literal["cut-square", "lubricant", "line-drawn", "seated", "nut-spins", "gasket", "protector"],
                  Answer]


def service_of(request: Request) -> Service:
    """The service of this app."""
    found: Service = request.app.state.service
    return found


Phone = Annotated[Service, Depends(service_of)]
PhotoId = Annotated[UUID, Path(description="The phone's own number of the photo.")]
JointName = Annotated[str, Query(min_length=1, max_length=LONGEST_ASKED)]
_ERRORS: dict[int | str, dict[str, Any]] = {
    status: {"model": Error} for status in (400, 401, 403, 404, 409, 413, 415, 422, 429, 503)
}
routes = APIRouter(prefix="/api", responses=_ERRORS)


@routes.get("/start")
async def start(phone: Phone) -> Start:
    """What there is to choose."""
    job = phone.desk.job
    sizes = [Size(fitting=row.id, size=row.nominal_size, demo=row.is_demo) for row in job.catalog]
    return Start(site=job.site, next=await phone.at_desk(phone.desk.next_name), sizes=sizes)


@routes.get("/joints")
async def joints(phone: Phone) -> list[JointLine]:
    """The joints of this job, in the order of the list."""
    lines = [line(each) for each in await phone.survey()]
    return [JointLine(joint=each.name, verdict=each.word, photos=each.photos, about=each.about,  # type: ignore[arg-type]
                      marked=each.marked or None)  # type: ignore[arg-type]
            for each in lines]


@routes.get("/mark")
async def mark(phone: Phone, joint: Annotated[str, Query(max_length=LONGEST_ASKED,
                                                         description="A joint; else all of them.")] = "") -> Mark:
    """Whether anything has changed: cheap, to be asked now and then."""
    return Mark(mark=await phone.at_desk(phone.desk.mark, joint))


@routes.post("/joints")
async def new_joint(phone: Phone, asked: NewJoint) -> GivenJoint:
    """Begin a joint, or go on with one that is there."""
    given = await phone.at_desk(phone.desk.claim, str(asked.token), asked.name, asked.offered, asked.fitting)
    return GivenJoint(joint=given.joint, fitting=given.fitting, photos=given.photos)


_BODY = {"requestBody": {"required": True, "content": {
    kind: {"schema": {"type": "string", "format": "binary"}}
    for kind in ("image/jpeg", "image/png", "image/webp", "image/heic", "image/tiff")}}}


@routes.put("/photos/{photo_id}", openapi_extra=_BODY)
async def send_photo(phone: Phone, photo_id: PhotoId, joint: JointName, request: Request,
                     kind: Annotated[Kind, Query(description="What it shows: the made joint (after), or its marked "
                                                             "pipe before it was pushed in.")] = "after") -> Photo:
    """Send a photo of a joint, the file as the camera wrote it.  Sent again, it is there once."""
    return told(await phone.arrive(str(photo_id), joint, request.stream(), kind))


@routes.get("/photos/{photo_id}")
async def photo(phone: Phone, photo_id: PhotoId,
                wait: Annotated[float, Query(ge=0, le=_LONGEST_WAIT_S,
                                             description="Seconds to wait for it to be looked at.")] = 0.0) -> Photo:
    """A photo, and what was seen on it."""
    return told(await phone.photo(str(photo_id), wait))


@routes.post("/photos/{photo_id}/again")
async def again(phone: Phone, photo_id: PhotoId) -> Photo:
    """Look at a photo once more."""
    return told(await phone.again(str(photo_id)))


@routes.put("/photos/{photo_id}/lines")
async def place(phone: Phone, photo_id: PhotoId, placed: PlacedLines) -> Photo:
    """Measure with lines that a person placed."""
    if untouched := placed.settled.untouched():
        raise BadRequest(f"Nobody has moved or confirmed {', '.join(untouched)}. Move each line to the edge that you "
                         "see, or say that it lies right.")
    lines = Lines(format="collargap-lines-1", **placed.model_dump(exclude={"settled"}))
    return told(await phone.place(str(photo_id), lines))


@routes.delete("/photos/{photo_id}/lines")
async def unplace(phone: Phone, photo_id: PhotoId) -> Photo:
    """Measure without a person's lines again."""
    return told(await phone.place(str(photo_id), None))


@routes.get("/photos/{photo_id}/preview")
async def preview(phone: Phone, photo_id: PhotoId) -> Preview:
    """What a person needs to place lines."""
    made = await phone.preview(str(photo_id))
    return Preview(size_px=made.size_px, start=made.start)


_JPEG: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}}}


@routes.get("/photos/{photo_id}/preview.jpg", response_class=Response, responses=_JPEG)
async def preview_jpeg(phone: Phone, photo_id: PhotoId) -> Response:
    """The upright photo, at most 2000 pixels long."""
    return Response((await phone.preview(str(photo_id))).jpeg, media_type="image/jpeg")


@routes.get("/photos/{photo_id}/overlay.jpg", response_class=Response, responses=_JPEG)
async def overlay(phone: Phone, photo_id: PhotoId) -> Response:
    """The photo with the reading drawn in."""
    jpeg = await phone.at_desk(phone.desk.overlay, str(photo_id))
    if not jpeg:
        raise NotThere("No picture with the reading is at hand for this photo.")
    return Response(jpeg, media_type="image/jpeg")


@routes.get("/checklist")
async def checklist(phone: Phone, joint: JointName) -> Checklist:
    """The last answers for a joint."""
    answers = await phone.at_desk(phone.desk.checklist, joint)
    return Checklist.model_validate({"answers": {key: value for key, value in answers.items() if key in ITEMS}})


@routes.put("/checklist")
async def answer_checklist(phone: Phone, joint: JointName, sent: Annotated[Checklist, Body()]) -> Checklist:
    """Keep an installer's answers for a joint; points without one keep theirs, and earlier ones stay in the ledger."""
    await phone.at_desk(phone.desk.note_checklist, joint, {str(key): value for key, value in sent.answers.items()})
    return await checklist(phone, joint)


def told(photo: Told) -> Photo:
    """A photo as the script reads it."""
    said, sent = card(photo), photo.sent
    verdict = photo.answer["verdict"] if photo.answer and sent.state == "checked" else None
    return Photo(id=sent.id, joint=sent.joint, file=sent.name, kind=sent.kind, state=sent.state, verdict=verdict,
                 gap=said.gap, depth=said.depth, insertion=said.insertion, do=said.do, error=sent.error,
                 assisted=bool(said.placed_by), answer=photo.answer if sent.state == "checked" else None)
