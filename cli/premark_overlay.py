"""The picture of a marked pipe: cut, mark and the catalog's depth, drawn where a person can disagree with them."""

from __future__ import annotations

import io

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calibration.fittings import Fitting
from cli import overlay, pen, say
from cli.answer import PremarkAnswer
from cli.jobs.findings import CAUTION
from vision import geometry
from vision.records import Depth, Edge, Floats, Photo, Pose, PremarkVerdict

_AROUND = 1.9  # pipe widths of photo to each side of the cut
_REASONS_SHOWN = 3
_SHOWN_MM = (-8.0, 8.0)  # of the flat strip: before the cut, and beyond the mark or the catalog's depth


def jpeg(verdict: PremarkVerdict, answer: PremarkAnswer, fitting: Fitting, long_side: int = overlay.LONG_SIDE,
         quality: int = 88) -> bytes:
    """The picture as JPEG bytes; b"" where the file was no photo."""
    if verdict.photo is None:
        return b""
    made = io.BytesIO()
    _draw(verdict, verdict.photo, answer, fitting, long_side).save(made, "JPEG", quality=quality,
                                                                comment=overlay.MADE_HERE)
    return made.getvalue()


def _draw(verdict: PremarkVerdict, photo: Photo, answer: PremarkAnswer, fitting: Fitting,
          long_side: int) -> Image.Image:
    view = overlay.view_of(_place(verdict, photo, fitting), photo, long_side)
    picture = view.cut(photo)
    labels = _mark_up(picture, view, verdict, photo, answer, fitting)
    above = Image.fromarray(picture)
    painter = ImageDraw.Draw(above)
    for at, text, colour in labels:
        pen.letters(painter, overlay.inside(at, above.size, text, view.em), text, view.em, colour, "mm", halo=True)
    below = _panel(verdict, photo, answer, fitting, above.width, max(view.em, above.width / 44))
    whole = Image.new("RGB", (above.width, above.height + below.height), pen.PANEL)
    whole.paste(above, (0, 0))
    whole.paste(below, (0, above.height))
    return whole


def _place(verdict: PremarkVerdict, photo: Photo, fitting: Fitting) -> tuple[Floats, float] | None:
    """The middle between cut and mark in the photo, and how wide the pipe looks there, with room."""
    if verdict.pose is not None:
        middle = np.array([verdict.pose.mouth_mm + 0.5 * fitting.mark_depth_mm])
        at = geometry.cylinder_px(verdict.pose.pipe, middle, np.zeros(1), photo.camera)[0, 0]
        wide = max(fitting.pipe_od_mm, fitting.mark_depth_mm)
        return at, _AROUND / overlay.AROUND * wide * verdict.pose.px_per_mm
    if verdict.sighting is not None:
        return verdict.sighting.mouth_px, verdict.sighting.collar_width_px
    return None


def _mark_up(picture: NDArray[np.uint8], view: overlay.View, verdict: PremarkVerdict, photo: Photo,
             answer: PremarkAnswer, fitting: Fitting) -> list[overlay.Label]:
    """Everything that is drawn on the photo; returns the labels, which are lettered afterwards."""
    pose = verdict.pose
    if pose is None or verdict.limbs is None:
        return []
    for limb in verdict.limbs.pipe:
        pen.stroke(picture, view.at(overlay.limb_ends(limb, photo)), pen.WHITE, view.line / 2)
    labels = []
    if verdict.ends is not None:
        cut = view.at(verdict.ends.cut.points_px)
        told = view.at(_moved(verdict.ends.cut, pose, photo, fitting.mark_depth_mm))
        pen.dashes(picture, told, pen.LIMIT, 0.7 * view.line, view.em / 2)
        pen.stroke(picture, cut, pen.MOUTH, view.line)
        axis = overlay.axis_in_picture(pose, photo, view)
        labels = [(overlay.beyond(cut, axis, -1, view.em), "cut", pen.MOUTH),
                  (overlay.beyond(told, -axis, 0, view.em), "catalog", pen.LIMIT)]  # its other end: marks lie near it
        if verdict.depth is not None:
            near = view.at(verdict.depth.near.points_px)
            pen.stroke(picture, near, pen.MARK, view.line)
            labels.append((overlay.beyond(near, axis, 1, view.em), _short(answer) or "mark", pen.MARK))
    return labels


def _moved(edge: Edge, pose: Pose, photo: Photo, by_mm: float) -> Floats:
    """An edge's course moved along the pipe."""
    along, angles = geometry.meet_cylinder_px(edge.points_px, pose.pipe, pose.pipe.radius_mm, photo.camera)
    pipe = pose.pipe
    moved = geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, along + by_mm, angles)
    return geometry.project(moved, photo.camera)


def _short(answer: PremarkAnswer) -> str:
    return f"mark {say.told(answer.depth, answer.unit)}" if answer.depth else ""


def _panel(verdict: PremarkVerdict, photo: Photo, answer: PremarkAnswer, fitting: Fitting, width: int,
           em: float) -> Image.Image:
    """Verdict, figures, reasons and the flat strip."""
    canvas = Image.new("RGB", (width, 44 * round(em)), pen.PANEL)
    margin, size = em, 1.5 * em
    taken = pen.badge(canvas, (margin, margin), answer.verdict, size)
    painter = ImageDraw.Draw(canvas)
    pen.letters(painter, (margin + taken + em, margin + 0.85 * size), _short(answer), 1.3 * em, pen.WHITE, "lm")
    y = margin + 1.7 * size + 0.5 * em
    demo = ", a demonstration row" if fitting.is_demo else ""
    pen.letters(painter, (margin, y), f"marked pipe, fitting {answer.fitting}{demo}", em, pen.QUIET)
    y += 1.4 * em
    for line, colour in _lines(answer, width - 2 * margin, em):
        pen.letters(painter, (margin, y), line, em, colour)
        y += 1.35 * em
    if verdict.pose is not None and verdict.depth is not None and verdict.strip is not None:
        flat = _flat(verdict, verdict.depth, verdict.pose, photo, fitting, round(width - 2 * margin), em)
        canvas.paste(flat, (round(margin), round(y + 0.5 * em)))
        y += 0.5 * em + flat.height
    return canvas.crop((0, 0, width, min(canvas.height, round(y + margin))))


def _lines(answer: PremarkAnswer, width: float, em: float) -> list[tuple[str, pen.Colour]]:
    lines: list[tuple[str, pen.Colour]] = []
    if answer.depth and answer.cut:
        told = say.limit_of(answer.mark_depth, answer.unit)
        span = "no nearer, as the lens is not known"
        if answer.depth.value is not None:
            span = f"interval {say.interval(answer.depth, answer.unit)}"
        lines.append((f"{span}; catalog {told}", pen.WHITE))
        lines.append((say.tolerance_of(answer), pen.WHITE))
        angle = answer.cut.angle_deg
        lines.append((f"cut {angle.value:.1f}° out of square, {angle.low:.1f} to {angle.high:.1f}°", pen.WHITE))
    for reason in answer.reasons[:_REASONS_SHOWN]:
        lines += [(line, pen.WHITE) for line in pen.wrapped(reason.text, em, width)]
        lines += [(line, pen.QUIET) for line in pen.wrapped(reason.advice, em, width)]
    return lines + [(line, pen.QUIET) for line in pen.wrapped(CAUTION, em, width)]


def _flat(verdict: PremarkVerdict, depth: Depth, pose: Pose, photo: Photo, fitting: Fitting, width: int,
          em: float) -> Image.Image:
    """The pipe's surface laid flat, with cut, mark and the catalog's depth as upright lines."""
    strip = verdict.strip
    assert strip is not None
    end = max(fitting.mark_depth_mm, depth.value_mm) + _SHOWN_MM[1]
    first = max(0, round((_SHOWN_MM[0] - strip.first_mm) / strip.step_mm))
    last = min(strip.pixels.shape[1], round((end - strip.first_mm) / strip.step_mm))
    height = round(0.3 * width)
    flat = np.array(cv2.resize(strip.pixels[:, first:last], (width, height), interpolation=cv2.INTER_LINEAR), np.uint8)
    per_mm = width / ((last - first) * strip.step_mm)
    start = pose.mouth_mm + strip.first_mm + first * strip.step_mm

    def place(edge: Edge, moved_mm: float = 0.0) -> Floats:
        along, angles = geometry.meet_cylinder_px(edge.points_px, pose.pipe, pose.pipe.radius_mm, photo.camera)
        rows = np.interp(angles, strip.angles_rad, np.linspace(0, height - 1, strip.angles_rad.size))
        return np.stack([(along - start + moved_mm) * per_mm, rows], -1)

    line = max(2.0, em / 9)
    pen.dashes(flat, place(depth.cut, fitting.mark_depth_mm), pen.LIMIT, 0.8 * line, em / 2)
    pen.stroke(flat, place(depth.cut), pen.MOUTH, line)
    pen.stroke(flat, place(depth.near), pen.MARK, line)
    return Image.fromarray(flat)
