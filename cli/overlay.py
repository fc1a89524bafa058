"""A picture a photo, with the reading drawn where a person can disagree with it.

Above is the photo around the joint, with the mouth, the mark's near edge, the limit, the gap between them and
a scale on the pipe.  Below it stands the verdict in words, and the pipe's surface laid flat, where mouth and
mark are upright.  Where the road ended early, what was found until there is drawn, and why it ended.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calibration.fittings import MM_PER_UNIT, Fitting, Misuse
from cli import pen, say
from cli.answer import Answer, PremarkAnswer
from cli.files import MADE_HERE, own_place
from cli.jobs.findings import CAUTION
from cli.panel import LINE, Flat, Panel
from vision import geometry
from vision.records import Edge, Floats, Gap, Limb, Look, Photo, Pose, PremarkVerdict, Verdict

LONG_SIDE = 1600
AROUND = 1.7  # collar widths of photo to each side of the mouth
_REASONS_SHOWN = 3
_OUTLINES = {1: pen.MARK, 2: pen.MOUTH}  # pipe and collar, in the finder's order of classes
_PANEL_LINES = 40
_FLAT_MM = (-6.0, 26.0)  # from inside the collar to beyond the mouth: where everything is decided

AnyVerdict = TypeVar("AnyVerdict", bound=Verdict | PremarkVerdict)
AnyAnswer = TypeVar("AnyAnswer", bound=Answer | PremarkAnswer)


@dataclass(frozen=True)
class Drawing(Generic[AnyVerdict, AnyAnswer]):
    """What is drawn: a photo, what was found on it, how that is told, and the row it was held against."""

    verdict: AnyVerdict
    photo: Photo
    answer: AnyAnswer
    fitting: Fitting


_Joint = Drawing[Verdict, Answer]


def write(folder: Path, photo: Path, data: bytes, taken: set[str]) -> Path | None:
    """Put a picture into the folder under the photo's name; None where there is none."""
    if not data:
        return None
    path = own_place(folder, f"{photo.stem}-collargap", taken)
    taken.add(path.name)
    try:
        path.write_bytes(data)
    except OSError as error:
        with suppress(OSError):
            path.unlink(missing_ok=True)  # half a picture
        raise Misuse(f"The overlay {say.shown(path)} could not be written "
                     f"({error.strerror}). Name another folder.") from None
    return path


def jpeg(verdict: Verdict, answer: Answer, fitting: Fitting, long_side: int = LONG_SIDE) -> bytes:
    """The picture as JPEG bytes; b"" where the file was no photo."""
    if verdict.photo is None:
        return b""
    buffer = io.BytesIO()
    draw(verdict, verdict.photo, answer, fitting, long_side).save(buffer, "JPEG", quality=88, comment=MADE_HERE)
    return buffer.getvalue()


def draw(verdict: Verdict, photo: Photo, answer: Answer, fitting: Fitting,
         long_side: int = LONG_SIDE) -> Image.Image:
    """The photo with what was read, over a panel with what it means."""
    drawing = Drawing(verdict, photo, answer, fitting)
    sheet = Sheet.of(photo, view_of(_joint(drawing), photo, long_side))
    return lettered(sheet, _mark_up(drawing, sheet), lambda width, em: _panel(drawing, width, em))


# --- the part of the photo that is shown -------------------------------------------------------------


@dataclass(frozen=True)
class View:
    """From the photo's pixels to the picture's: a cut, then a scale."""

    corner: tuple[int, int]
    size: tuple[int, int]
    scale: float

    @property
    def em(self) -> float:
        """Height of letters: a thirtieth of the shorter side reads well on a phone."""
        return max(14.0, min(self.size) * self.scale / 32)

    @property
    def line(self) -> float:
        """Width of lines."""
        return max(2.0, self.em / 11)

    def at(self, points: Floats) -> Floats:
        """Points (..., 2) of the photo in the picture."""
        return np.asarray((np.asarray(points, float) - self.corner + 0.5) * self.scale - 0.5)

    def cut(self, photo: Photo) -> NDArray[np.uint8]:
        """The part of the photo, scaled; a copy."""
        (x, y), (w, h) = self.corner, self.size
        part = photo.pixels[y:y + h, x:x + w]
        size = round(w * self.scale), round(h * self.scale)
        smooth = cv2.INTER_AREA if self.scale < 1 else cv2.INTER_CUBIC
        return np.ascontiguousarray(cv2.resize(part, size, interpolation=smooth), dtype=np.uint8)


@dataclass(frozen=True)
class Sheet:
    """The part of the photo that is drawn on."""

    picture: NDArray[np.uint8]
    view: View

    @classmethod
    def of(cls, photo: Photo, view: View) -> Sheet:
        """As the photo has it."""
        return cls(view.cut(photo), view)

    def holds(self, points: Floats) -> bool:
        """Whether all points (n, 2) of the picture lie in it."""
        height, width = self.picture.shape[:2]
        return not ((points < 0).any() or (points >= [width, height]).any())


def _joint(drawing: _Joint) -> tuple[Floats, float] | None:
    """Where the mouth is in the photo, and how wide the collar looks there."""
    pose, sighting = drawing.verdict.pose, drawing.verdict.sighting
    if pose is not None:
        at = _on_pipe(pose, drawing.photo, np.array([pose.mouth_mm]), np.zeros(1))[0, 0]
        return at, drawing.fitting.collar_od_mm * pose.px_per_mm
    if sighting is not None:
        return sighting.mouth_px, sighting.collar_width_px
    return None


def view_of(joint: tuple[Floats, float] | None, photo: Photo, long_side: int) -> View:
    """All of the photo, or the joint with plenty around it where it is small."""
    width, height = photo.size_px
    corner, size = (0, 0), (width, height)
    if joint is not None:
        (x, y), half = joint[0], AROUND * joint[1]
        box = np.clip([x - half, y - half, x + half, y + half], 0, [width, height, width, height]).astype(int)
        if box[2] - box[0] > 100 and box[3] - box[1] > 100:
            corner, size = (int(box[0]), int(box[1])), (int(box[2] - box[0]), int(box[3] - box[1]))
    return View(corner, size, min(2.0, long_side / max(size)))


def inside(at: Floats, size: tuple[int, int], text: str, em: float) -> tuple[float, float]:
    """A place for a label's middle that keeps all of it in the picture."""
    half = pen.width_of(text, em) / 2 + em / 2
    return (float(np.clip(at[0], half, max(half, size[0] - half))), float(np.clip(at[1], em, size[1] - em)))


# --- marks on the photo ------------------------------------------------------------------------------

Label = tuple[Floats, str, pen.Colour]


def lettered(sheet: Sheet, labels: list[Label], panel: Callable[[int, float], Image.Image]) -> Image.Image:
    """The drawn part of the photo with its labels, over the panel.  panel: of a width, in letters of a height."""
    above, em = Image.fromarray(sheet.picture), sheet.view.em
    painter = ImageDraw.Draw(above)
    for at, text, colour in labels:
        pen.letters(painter, inside(at, above.size, text, em), text, em, colour, "mm", halo=True)
    below = panel(above.width, max(em, above.width / 44))
    whole = Image.new("RGB", (above.width, above.height + below.height), pen.PANEL)
    whole.paste(above, (0, 0))
    whole.paste(below, (0, above.height))
    return whole


def _mark_up(drawing: _Joint, sheet: Sheet) -> list[Label]:
    """Everything that is drawn on the photo; returns the labels, which are lettered afterwards."""
    verdict, view = drawing.verdict, sheet.view
    if verdict.pose is None or verdict.limbs is None:
        return _outlines(verdict, sheet)
    for limb in (*verdict.limbs.pipe, *(verdict.limbs.collar or ())):
        pen.stroke(sheet.picture, view.at(limb_ends(limb, drawing.photo)), pen.WHITE, view.line / 2)
    labels = _scale_bar(drawing, sheet, verdict.pose)
    return labels if verdict.gap is None else labels + _reading(drawing, sheet, verdict.pose, verdict.gap)


def _outlines(verdict: Verdict, sheet: Sheet) -> list[Label]:
    """What the finder took for pipe and collar."""
    sighting, view, labels = verdict.sighting, sheet.view, []
    if sighting is None:
        return []
    for number, colour in _OUTLINES.items():
        for ring in _rings(sighting.close, number):
            pen.stroke(sheet.picture, view.at(ring), colour, view.line, closed=True)
        name = "pipe" if number == 1 else "collar"
        reach = sighting.pipe_reach_px if number == 1 else -sighting.collar_reach_px
        labels.append((view.at(sighting.mouth_px + 0.5 * reach * sighting.axis_px), name, colour))
    return labels


def _rings(look: Look, number: int) -> list[Floats]:
    """Outlines (n, 2) of a class in the photo, without specks."""
    rings, _ = cv2.findContours((look.classes == number).astype(np.uint8), cv2.RETR_EXTERNAL,
                                cv2.CHAIN_APPROX_SIMPLE)
    least = 0.002 * look.classes.size
    large = [ring.reshape(-1, 2).astype(float) for ring in rings if cv2.contourArea(ring) > least]
    return [ring @ look.to_photo[:, :2].T + look.to_photo[:, 2] for ring in large]


def limb_ends(limb: Limb, photo: Photo) -> Floats:
    """A few points along a limb as the photo shows it, from one end of what was seen to the other."""
    along = np.array([-limb.line[1], limb.line[0]])
    reach = (limb.points_px - limb.centre_px) @ along
    steps = np.linspace(reach.min(), reach.max(), 9)
    return geometry.distort(limb.centre_px + steps[:, None] * along, photo.camera)


def _reading(drawing: _Joint, sheet: Sheet, pose: Pose, gap: Gap) -> list[Label]:
    """Mouth, limit, mark and the gap between them."""
    view, axis = sheet.view, axis_in_picture(pose, drawing.photo, sheet.view)
    mouth, near = view.at(gap.mouth.points_px), view.at(gap.near.points_px)
    limit = view.at(moved(gap.mouth, pose, drawing.photo, drawing.fitting.max_gap_mm))
    a, b = _facing(gap.mouth, view), _facing(gap.near, view)
    width, halo = _fine(view.line, float(np.linalg.norm(b - a)))
    pen.dashes(sheet.picture, limit, pen.LIMIT, 0.7 * width, view.em / 2, halo)
    pen.stroke(sheet.picture, mouth, pen.MOUTH, width, halo)
    pen.stroke(sheet.picture, near, pen.MARK, width, halo)
    reach = 3.2 * view.em
    pen.arrow(sheet.picture, a - axis * reach, a, pen.WHITE, view.line * 0.8)
    pen.arrow(sheet.picture, b + axis * reach, b, pen.WHITE, view.line * 0.8)
    text = _short(drawing.answer)
    room = abs(axis[0]) * pen.width_of(text, view.em) / 2 + (abs(axis[1]) + 0.6) * view.em
    return [(b + axis * (reach + room), text, pen.WHITE),
            (beyond(mouth, axis, -1, view.em), "mouth", pen.MOUTH),
            (beyond(near, axis, 1, view.em), "mark", pen.MARK)]


def _fine(width: float, apart: float) -> tuple[float, bool]:
    """Line width and whether to give it a halo: two lines close together must stay two lines."""
    return (width, True) if apart > 4 * width else (max(1.0, min(width, 0.4 * apart)), False)


def _short(answer: Answer) -> str:
    if answer.gap is None:
        return ""
    return f"gap {say.length(answer.gap.value, answer.unit)}"


def moved(edge: Edge, pose: Pose, photo: Photo, by_mm: float) -> Floats:
    """An edge's course in the photo, moved along the pipe."""
    pipe = pose.pipe
    along, angles = geometry.meet_cylinder_px(edge.points_px, pipe, pipe.radius_mm, photo.camera)
    there = geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, along + by_mm, angles)
    return geometry.project(there, photo.camera)


def _facing(edge: Edge, view: View) -> Floats:
    """The edge's point that lies nearest to the side facing the camera."""
    return view.at(edge.points_px[int(np.argmin(np.abs(edge.angles_rad)))])


def axis_in_picture(pose: Pose, photo: Photo, view: View) -> Floats:
    """Unit vector along the pipe, as the picture shows it at the mouth."""
    ends = view.at(_on_pipe(pose, photo, pose.mouth_mm + np.array([0.0, 10.0]), np.zeros(1))[0])
    run = ends[1] - ends[0]
    return np.asarray(run / np.linalg.norm(run))


def beyond(points: Floats, axis: Floats, side: int, em: float) -> Floats:
    """A place beyond one end of a line, moved away from its neighbour: `side` -1 towards the collar."""
    across = np.array([-axis[1], axis[0]])
    end = points[int(np.argmin(points @ across))]
    return np.asarray(end - across * 2.0 * em + side * axis * 1.6 * em)


def _on_pipe(pose: Pose, photo: Photo, along_mm: Floats, angles_rad: Floats) -> Floats:
    """Pixels (angles, along, 2) of the photo on the pipe's surface."""
    return geometry.cylinder_px(pose.pipe, along_mm, angles_rad, photo.camera)


def _scale_bar(drawing: _Joint, sheet: Sheet, pose: Pose) -> list[Label]:
    """An inch, or 10 mm, on the pipe's own surface beyond the mark: it shrinks where the pipe recedes."""
    length, name = (25.4, "1 in") if drawing.answer.unit == "in" else (10.0, "10 mm")
    view, gap = sheet.view, drawing.verdict.gap

    def at(along_mm: Floats, angles_rad: Floats) -> Floats:
        return view.at(_on_pipe(pose, drawing.photo, along_mm, angles_rad))

    start = 6.0 + (gap.most_mm + (gap.line_width_mm or 0.0) if gap else 0.0)
    along, angle = pose.mouth_mm + start + np.linspace(0, length, 13), np.radians(55)
    bar = at(along, np.array([angle]))[0]
    if not sheet.holds(bar):
        return []
    pen.stroke(sheet.picture, bar, pen.WHITE, view.line)
    for end in (along[0], along[-1]):
        pen.stroke(sheet.picture, at(np.array([end]), angle + np.radians([-4, 4]))[:, 0], pen.WHITE, view.line)
    middle, side = at(along[6:7], np.radians([0, 85]))[:, 0]
    outward = (side - middle) / float(np.linalg.norm(side - middle))
    return [(side + outward * 1.4 * view.em, name, pen.WHITE)]


# --- the panel below ---------------------------------------------------------------------------------


def _panel(drawing: _Joint, width: int, em: float) -> Image.Image:
    """Verdict, figures, reasons and the flat strip."""
    panel, strip, pose = Panel.blank(width, em, _PANEL_LINES), drawing.verdict.strip, drawing.verdict.pose
    y = panel.lines(_title(drawing, panel), _lines(drawing, panel))
    if strip is not None and pose is not None:
        flat = Flat.between(strip, pose, drawing.photo.camera, _FLAT_MM, panel.width)
        y = _laid_flat(drawing, flat, panel, y + 0.5 * em)
    return panel.cut(y)


def _title(drawing: _Joint, panel: Panel) -> float:
    """The verdict, the fitting, and who placed the lines; returns where they end."""
    answer, em = drawing.answer, panel.em
    y = panel.head(answer.verdict, _short(answer))
    demo = ", a demonstration row" if drawing.fitting.is_demo else ""
    panel.line(y, f"fitting {answer.fitting}{demo}", pen.QUIET)
    if answer.assisted:
        return panel.lines(y + LINE * em, panel.wrapped(say.assisted(answer.assisted.placed_by), pen.LIMIT))
    return y + 1.4 * em


def _lines(drawing: _Joint, panel: Panel) -> list[tuple[str, pen.Colour]]:
    answer, lines = drawing.answer, []
    if answer.gap and answer.insertion:
        lines.append((f"interval {say.interval(answer.gap, answer.unit)}, limit "
                      f"{say.limit_of(answer.limit, answer.unit)}", pen.WHITE))
        inserted = say.told(answer.insertion, answer.unit)
        lines.append((f"insertion {inserted}{_held_against(answer, drawing.fitting)}", pen.WHITE))
    return lines + doubted(answer, panel)


def doubted(answer: Answer | PremarkAnswer, panel: Panel) -> list[tuple[str, pen.Colour]]:
    """The first reasons with what to do, and what every picture has to say."""
    lines: list[tuple[str, pen.Colour]] = []
    for reason in answer.reasons[:_REASONS_SHOWN]:
        lines += panel.wrapped(reason.text, pen.WHITE) + panel.wrapped(reason.advice, pen.QUIET)
    return lines + panel.wrapped(CAUTION, pen.QUIET)


def _held_against(answer: Answer, fitting: Fitting) -> str:
    """What the insertion is a part of, or must come to."""
    if answer.insertion_from != "premark":
        return f" of {say.length(fitting.mark_depth_mm / MM_PER_UNIT[answer.unit], answer.unit)}"
    least = answer.min_insertion
    return ", by its marked pipe" if least is None else f", least {say.limit_of(least, answer.unit)}"


def _laid_flat(drawing: _Joint, flat: Flat, panel: Panel, y: float) -> float:
    """The pipe's surface laid flat: mouth and mark upright, the limit and the interval between them."""
    verdict, em = drawing.verdict, panel.em
    panel.line(y, "the pipe laid flat", pen.QUIET, 0.85)
    y += 1.2 * em
    picture, zero = _flat_marks(drawing, flat, em)
    panel.paste(y, picture)
    ruler = _Ruler(em, y + flat.height, flat.width, zero, flat.px_per_mm, em)
    if verdict.measurement is not None:
        ruler.span(panel.painter, verdict.measurement.gap.low_mm, verdict.measurement.gap.high_mm)
    return ruler.draw(panel.painter, drawing.answer.unit, legend=verdict.gap is not None)


def _flat_marks(drawing: _Joint, flat: Flat, em: float) -> tuple[NDArray[np.uint8], float]:
    """The flat picture with its lines, and where on it the mouth is."""
    picture, gap = flat.pixels(), drawing.verdict.gap
    if gap is None:
        return picture, -flat.first_mm * flat.px_per_mm
    mouth, near = flat.place(gap.mouth), flat.place(gap.near)
    zero = float(np.median(mouth[:, 0]))
    line, halo = _fine(max(2.0, em / 9), float(abs(np.median(near[:, 0]) - zero)))
    limit = flat.place(gap.mouth, drawing.fitting.max_gap_mm)
    pen.dashes(picture, limit, pen.LIMIT, 0.8 * line, em / 2, halo)
    pen.stroke(picture, mouth, pen.MOUTH, line, halo)
    pen.stroke(picture, near, pen.MARK, line, halo)
    return picture, zero


@dataclass(frozen=True)
class _Ruler:
    """The scale under the flat strip: 0 at the mouth, `zero` pixels from the strip's left side."""

    x: float
    y: float
    width: float
    zero: float
    px_per_mm: float
    em: float

    def span(self, painter: ImageDraw.ImageDraw, low_mm: float, high_mm: float) -> None:
        """The interval in which the mark's edge lies, as a bar."""
        ends = np.clip(self.zero + np.array([low_mm, high_mm]) * self.px_per_mm, 0, self.width)
        left, right = float(ends[0]), float(ends[1])
        thick = max(3, round(self.em / 4))
        top = self.y + 0.2 * self.em
        painter.rectangle((self.x + left, top, self.x + max(right, left + 1), top + thick), pen.MARK)

    def draw(self, painter: ImageDraw.ImageDraw, unit: str, legend: bool) -> float:
        """Ticks of 1/8 in or 5 mm, the one at 0 longer, and what the colours mean; returns where it ends."""
        step, y = (25.4 / 8 if unit == "in" else 5.0) * self.px_per_mm, self.y + 0.6 * self.em
        for number in range(-int(self.zero / step), int((self.width - self.zero) / step) + 1):
            at, long = self.x + self.zero + number * step, 0.3 * self.em * (number == 0)
            colour = pen.MOUTH if number == 0 else pen.QUIET
            painter.line((at, y - long, at, y + 0.5 * self.em), colour, max(1, round(self.em / 14)))
        y, size = y + 0.7 * self.em, 0.85 * self.em
        ticks = f"ticks {'1/8 in' if unit == 'in' else '5 mm'} from the mouth"
        pen.letters(painter, (self.x, y), ticks, size, pen.QUIET)
        right = self.x + self.width
        names = (("limit", pen.LIMIT), ("mark", pen.MARK), ("mouth", pen.MOUTH))
        for name, colour in names if legend else ():
            pen.letters(painter, (right, y), name, size, colour, "ra")
            right -= pen.width_of(name, size) + self.em
        return y + 1.1 * self.em
