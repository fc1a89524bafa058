"""Two photos of a joint at one scale, one above the other, both with the pipe to the right and the mouth in one line.

What has moved shows as a step between the two: the mouths stand under each other, the marks need not.  Below
lie both pipes laid flat, aligned the same way.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calibration.fittings import Fitting
from cli import pen, say
from cli.change import ChangeAnswer, moved_by, moved_within
from cli.files import MADE_HERE
from cli.jobs.findings import CAUTION
from vision import geometry
from vision.compare import Comparison
from vision.records import Edge, Floats, Gap, Photo, Pose, Strip, Verdict

_WIDTH = 1100
_BEFORE_MM, _BEYOND_MM = 22.0, 48.0  # of the mouth, in the photos
_FLAT_BEFORE_MM, _FLAT_BEYOND_MM = 6.0, 26.0
_HIGH = 0.36  # half height of a photo, in collar widths
_QUALITY = 88


def jpeg(said: Comparison, answer: ChangeAnswer, fitting: Fitting) -> bytes:
    """The picture as JPEG bytes."""
    buffer = io.BytesIO()
    draw(said, answer, fitting).save(buffer, "JPEG", quality=_QUALITY, comment=MADE_HERE)
    return buffer.getvalue()


def draw(said: Comparison, answer: ChangeAnswer, fitting: Fitting) -> Image.Image:
    """Verdict, both photos, both strips, the caution; a photo in which no joint was found is shown as it is."""
    em = _WIDTH / 44
    photos = [("then", said.old, answer.old), ("now", said.new, answer.new)]
    parts: list[Image.Image] = [_title(answer, fitting, em)]
    for name, verdict, one in photos:
        gap = f", gap {say.length(one.gap.value, answer.unit)}" if one.gap else ""
        parts.append(_named(_photo(verdict, said.edge, fitting), f"{name}{gap}", em))
    if said.movement is not None:
        parts += [_named(_flat(verdict, said.edge), f"{name}, the pipe laid flat", em) for name, verdict, _ in photos]
    both = all(verdict.gap is not None for _, verdict, _ in photos)
    parts.append(_foot(em, f"mark, {said.edge} edge" if said.edge else "mark", both))
    whole = Image.new("RGB", (_WIDTH, sum(part.height for part in parts)), pen.PANEL)
    y = 0
    for part in parts:
        whole.paste(part, (0, y))
        y += part.height
    return whole


def _title(answer: ChangeAnswer, fitting: Fitting, em: float) -> Image.Image:
    lines = _lines(answer, fitting, em)
    panel = Image.new("RGB", (_WIDTH, round((4.2 + 1.35 * len(lines)) * em)), pen.PANEL)
    taken = pen.badge(panel, (em, em), answer.verdict, 1.5 * em)
    painter = ImageDraw.Draw(panel)
    if answer.movement:
        pen.letters(painter, (2 * em + taken, 2.3 * em), moved_by(answer.movement, answer.unit), 1.3 * em, pen.WHITE,
                    "lm")
    for row, text in enumerate(lines):
        pen.letters(painter, (em, (4 + 1.35 * row) * em), text, em, pen.WHITE if row else pen.QUIET)
    return panel


def _lines(answer: ChangeAnswer, fitting: Fitting, em: float) -> list[str]:
    lines = [f"fitting {answer.fitting}{', a demonstration row' if fitting.is_demo else ''}"]
    if answer.movement and answer.e_n is not None:
        lines.append(f"{moved_within(answer.movement, answer.unit)}, E_n {answer.e_n:+.2f}, "
                     f"{say.limit_of(answer.least, answer.unit)} matters")
    for reason in answer.reasons[:3]:
        lines += pen.wrapped(reason.text, em, _WIDTH - 2 * em)
    return lines


def _foot(em: float, mark: str, both: bool) -> Image.Image:
    """both: both photos show a mouth, so that they are at one scale, one under the other."""
    panel = Image.new("RGB", (_WIDTH, round(3.2 * em)), pen.PANEL)
    painter = ImageDraw.Draw(panel)
    right = _WIDTH - em
    for name, colour in ((mark, pen.MARK), ("mouth", pen.MOUTH)):
        pen.letters(painter, (right, 0.4 * em), name, 0.85 * em, colour, "ra")
        right -= pen.width_of(name, 0.85 * em) + em
    told = "both at one scale, mouth under mouth" if both else "not aligned: not both show a mouth and a mark"
    pen.letters(painter, (em, 0.4 * em), told, 0.85 * em, pen.QUIET)
    pen.letters(painter, (em, 1.7 * em), CAUTION, 0.85 * em, pen.QUIET)
    return panel


def _named(picture: NDArray[np.uint8], name: str, em: float) -> Image.Image:
    made = Image.fromarray(picture)
    pen.letters(ImageDraw.Draw(made), (0.6 * em, 0.4 * em), name, em, pen.WHITE, halo=True)
    return made


# --- the photo, turned and scaled --------------------------------------------------------------------


def _photo(verdict: Verdict, edge: str | None, fitting: Fitting) -> NDArray[np.uint8]:
    """The joint with the pipe to the right, the mouth's middle at the same place for every photo."""
    photo, pose = verdict.photo, verdict.pose
    scale = _WIDTH / (_BEFORE_MM + _BEYOND_MM)
    size = _WIDTH, round(2 * _HIGH * fitting.collar_od_mm * scale)
    if photo is None:
        return np.full((120, _WIDTH, 3), pen.PANEL, np.uint8)
    if pose is None:
        return _whole(photo)
    mouth_mm = pose.mouth_mm + (float(np.median(verdict.gap.mouth.at_mm)) if verdict.gap else 0.0)
    to = _turned(photo, pose, mouth_mm, scale, size)
    picture = _warped(photo, to, size)
    if verdict.gap is not None:
        line = _mark(verdict.gap, edge)
        for points, colour in ((verdict.gap.mouth.points_px, pen.MOUTH), (line.points_px, pen.MARK)):
            pen.stroke(picture, points @ to[:, :2].T + to[:, 2], colour, 2.5)
    return picture


def _turned(photo: Photo, pose: Pose, mouth_mm: float, scale: float, size: tuple[int, int]) -> Floats:
    """(2, 3) from the photo to the picture: the near side of the mouth's middle to its place, the pipe level."""
    ends = geometry.cylinder_px(pose.pipe, mouth_mm + np.array([-0.5, 0.5]), np.zeros(1), photo.camera)[0]
    middle, along = ends.mean(0), ends[1] - ends[0]  # along: the photo's pixels of one millimetre
    px_per_mm = float(np.linalg.norm(along))
    cos, sin = along / px_per_mm
    turn = scale / px_per_mm * np.array([[cos, sin], [-sin, cos]])
    place = np.array([_BEFORE_MM * scale, size[1] / 2])
    return np.column_stack([turn, place - turn @ middle])


def _warped(photo: Photo, to: Floats, size: tuple[int, int]) -> NDArray[np.uint8]:
    """Resampled; shrunk first where the photo is finer than the picture, so that nothing aliases."""
    shrink = float(np.sqrt(abs(np.linalg.det(to[:, :2]))))
    pixels, back = photo.pixels, to.copy()
    if shrink < 0.7:
        pixels = np.asarray(cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8)
        ratio = np.array([photo.size_px[0] / pixels.shape[1], photo.size_px[1] / pixels.shape[0]])
        back[:, 2] = to[:, :2] @ ((ratio - 1) / 2) + to[:, 2]
        back[:, :2] = to[:, :2] * ratio
    flat = cv2.warpAffine(pixels, back, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
                          borderValue=pen.PANEL)
    return np.ascontiguousarray(flat, np.uint8)


def _whole(photo: Photo) -> NDArray[np.uint8]:
    width, height = photo.size_px
    size = _WIDTH, max(1, round(height * _WIDTH / width))
    return np.ascontiguousarray(cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def _mark(gap: Gap, edge: str | None) -> Edge:
    """The edge of the mark that was compared."""
    return gap.far if edge == "far" and gap.far is not None else gap.near


# --- the pipe laid flat ------------------------------------------------------------------------------


def _flat(verdict: Verdict, edge: str | None) -> NDArray[np.uint8]:
    """The strip from before the mouth to beyond the mark, its mouth in the same column for every photo."""
    strip, gap = verdict.strip, verdict.gap
    if strip is None or gap is None:
        return np.full((120, _WIDTH, 3), pen.PANEL, np.uint8)
    mouth = float(np.median(gap.mouth.at_mm))
    scale = _WIDTH / (_FLAT_BEFORE_MM + _FLAT_BEYOND_MM)
    height = round(0.16 * _WIDTH)
    columns = (mouth - _FLAT_BEFORE_MM + np.arange(_WIDTH) / scale - strip.first_mm) / strip.step_mm
    rows = np.linspace(0, strip.pixels.shape[0] - 1, height)
    grid = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))
    picture = np.ascontiguousarray(cv2.remap(strip.pixels, grid[0], grid[1], cv2.INTER_LINEAR), np.uint8)
    for line, colour in ((gap.mouth, pen.MOUTH), (_mark(gap, edge), pen.MARK)):
        pen.stroke(picture, _on_flat(line, strip, mouth, scale, height), colour, 2)
    return picture


def _on_flat(line: Edge, strip: Strip, mouth: float, scale: float, height: int) -> Floats:
    rows = np.interp(line.angles_rad, strip.angles_rad, np.linspace(0, height - 1, strip.angles_rad.size))
    return np.stack([(line.at_mm - mouth + _FLAT_BEFORE_MM) * scale, rows], -1)
