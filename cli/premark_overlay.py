"""The picture of a marked pipe: cut, mark and the catalog's depth, drawn where a person can disagree with them."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from calibration.fittings import Fitting
from cli import overlay, pen, say
from cli.answer import PremarkAnswer
from cli.files import MADE_HERE
from cli.panel import Flat, Panel
from vision import geometry
from vision.records import Depth, Ends, Floats, Pose, PremarkVerdict

_AROUND = 1.9  # pipe widths of photo to each side of the cut
_PANEL_LINES = 44
_SHOWN_MM = (-8.0, 8.0)  # of the flat strip: before the cut, and beyond the mark or the catalog's depth

_Pipe = overlay.Drawing[PremarkVerdict, PremarkAnswer]


def jpeg(verdict: PremarkVerdict, answer: PremarkAnswer, fitting: Fitting, long_side: int = overlay.LONG_SIDE,
         quality: int = 88) -> bytes:
    """The picture as JPEG bytes; b"" where the file was no photo."""
    if verdict.photo is None:
        return b""
    made = io.BytesIO()
    picture = _draw(overlay.Drawing(verdict, verdict.photo, answer, fitting), long_side)
    picture.save(made, "JPEG", quality=quality, comment=MADE_HERE)
    return made.getvalue()


def _draw(drawing: _Pipe, long_side: int) -> Image.Image:
    sheet = overlay.Sheet.of(drawing.photo, overlay.view_of(_place(drawing), drawing.photo, long_side))
    return overlay.lettered(sheet, _mark_up(drawing, sheet), lambda width, em: _panel(drawing, width, em))


def _place(drawing: _Pipe) -> tuple[Floats, float] | None:
    """The middle between cut and mark in the photo, and how wide the pipe looks there, with room."""
    pose, sighting, fitting = drawing.verdict.pose, drawing.verdict.sighting, drawing.fitting
    if pose is not None:
        middle = np.array([pose.mouth_mm + 0.5 * fitting.mark_depth_mm])
        at = geometry.cylinder_px(pose.pipe, middle, np.zeros(1), drawing.photo.camera)[0, 0]
        wide = max(fitting.pipe_od_mm, fitting.mark_depth_mm)
        return at, _AROUND / overlay.AROUND * wide * pose.px_per_mm
    if sighting is not None:
        return sighting.mouth_px, sighting.collar_width_px
    return None


def _mark_up(drawing: _Pipe, sheet: overlay.Sheet) -> list[overlay.Label]:
    """Everything that is drawn on the photo; returns the labels, which are lettered afterwards."""
    verdict, view = drawing.verdict, sheet.view
    if verdict.pose is None or verdict.limbs is None:
        return []
    for limb in verdict.limbs.pipe:
        pen.stroke(sheet.picture, view.at(overlay.limb_ends(limb, drawing.photo)), pen.WHITE, view.line / 2)
    return [] if verdict.ends is None else _reading(drawing, sheet, verdict.pose, verdict.ends)


def _reading(drawing: _Pipe, sheet: overlay.Sheet, pose: Pose, ends: Ends) -> list[overlay.Label]:
    """Cut, the catalog's depth, and the mark."""
    view, axis = sheet.view, overlay.axis_in_picture(pose, drawing.photo, sheet.view)
    cut = view.at(ends.cut.points_px)
    told = view.at(overlay.moved(ends.cut, pose, drawing.photo, drawing.fitting.mark_depth_mm))
    pen.dashes(sheet.picture, told, pen.LIMIT, 0.7 * view.line, view.em / 2)
    pen.stroke(sheet.picture, cut, pen.MOUTH, view.line)
    labels = [(overlay.beyond(cut, axis, -1, view.em), "cut", pen.MOUTH),
              (overlay.beyond(told, -axis, 0, view.em), "catalog", pen.LIMIT)]  # its other end: marks lie near it
    if drawing.verdict.depth is not None:
        near = view.at(drawing.verdict.depth.near.points_px)
        pen.stroke(sheet.picture, near, pen.MARK, view.line)
        labels.append((overlay.beyond(near, axis, 1, view.em), _short(drawing.answer) or "mark", pen.MARK))
    return labels


def _short(answer: PremarkAnswer) -> str:
    return f"mark {say.told(answer.depth, answer.unit)}" if answer.depth else ""


def _panel(drawing: _Pipe, width: int, em: float) -> Image.Image:
    """Verdict, figures, reasons and the flat strip."""
    panel, verdict, answer = Panel.blank(width, em, _PANEL_LINES), drawing.verdict, drawing.answer
    y = panel.head(answer.verdict, _short(answer))
    demo = ", a demonstration row" if drawing.fitting.is_demo else ""
    panel.line(y, f"marked pipe, fitting {answer.fitting}{demo}", pen.QUIET)
    y = panel.lines(y + 1.4 * em, _lines(answer, panel))
    if verdict.pose is not None and verdict.depth is not None and verdict.strip is not None:
        end = max(drawing.fitting.mark_depth_mm, verdict.depth.value_mm) + _SHOWN_MM[1]
        reach = _SHOWN_MM[0], end
        flat = Flat.between(verdict.strip, verdict.pose, drawing.photo.camera, reach, panel.width)
        _lay_flat(flat, verdict.depth, drawing.fitting.mark_depth_mm, panel, y + 0.5 * em)
        y += 0.5 * em + flat.height
    return panel.cut(y)


def _lines(answer: PremarkAnswer, panel: Panel) -> list[tuple[str, pen.Colour]]:
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
    return lines + overlay.doubted(answer, panel)


def _lay_flat(flat: Flat, depth: Depth, told_mm: float, panel: Panel, y: float) -> None:
    """The pipe's surface laid flat, with cut, mark and the catalog's depth as upright lines."""
    picture, line = flat.pixels(), max(2.0, panel.em / 9)
    pen.dashes(picture, flat.place(depth.cut, told_mm), pen.LIMIT, 0.8 * line, panel.em / 2)
    pen.stroke(picture, flat.place(depth.cut), pen.MOUTH, line)
    pen.stroke(picture, flat.place(depth.near), pen.MARK, line)
    panel.paste(y, picture)
