"""Strokes and letters for pictures that are read on a phone: each with a dark halo, so any ground will do."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Colour = tuple[int, int, int]
Points = NDArray[np.float64]

WHITE: Colour = (255, 255, 255)
BLACK: Colour = (0, 0, 0)
PANEL: Colour = (18, 22, 27)
QUIET: Colour = (166, 176, 186)
MOUTH: Colour = (64, 224, 255)
MARK: Colour = (255, 110, 180)
LIMIT: Colour = (255, 214, 0)
VERDICTS: dict[str, tuple[Colour, Colour]] = {  # ground, letters
    "full": ((27, 94, 32), WHITE),
    "placed": ((27, 94, 32), WHITE),
    "short": ((176, 0, 32), WHITE),
    "misplaced": ((176, 0, 32), WHITE),
    "unproven": ((255, 214, 0), BLACK),
}
VERDICTS |= {"still": VERDICTS["full"], "moved": VERDICTS["short"]}
_SHIFT = 4  # OpenCV draws at sixteenths of a pixel


def _fixed(points: Points) -> NDArray[np.int32]:
    return np.round(np.asarray(points, float).reshape(-1, 1, 2) * (1 << _SHIFT)).astype(np.int32)


def stroke(picture: NDArray[np.uint8], points: Points, colour: Colour, width: float, halo: bool = True,
           closed: bool = False) -> None:
    """A smooth line through points (n, 2), drawn in place."""
    if len(points) < 2 or not np.isfinite(points).all():
        return
    line = [_fixed(points)]
    if halo:
        cv2.polylines(picture, line, closed, BLACK, max(3, round(2.2 * width)), cv2.LINE_AA, _SHIFT)
    cv2.polylines(picture, line, closed, colour, max(1, round(width)), cv2.LINE_AA, _SHIFT)


def dashes(picture: NDArray[np.uint8], points: Points, colour: Colour, width: float, dash: float,
           halo: bool = True) -> None:
    """A broken line along points (n, 2): dashes and pauses of the same length, pixels."""
    if len(points) < 2 or not np.isfinite(points).all():
        return
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    for start in np.arange(0.0, run[-1], 2 * dash):
        at = np.linspace(start, min(start + dash, run[-1]), 6)
        stroke(picture, np.stack([np.interp(at, run, points[:, k]) for k in (0, 1)], -1), colour, width, halo)


def arrow(picture: NDArray[np.uint8], tail: Points, tip: Points, colour: Colour, width: float) -> None:
    """A line with a filled head that ends exactly at the tip."""
    run = tip - tail
    length = float(np.linalg.norm(run))
    if length < 1 or not np.isfinite(run).all():
        return
    along = run / length
    across = np.array([-along[1], along[0]])
    head = min(4.5 * width, length)
    back, half = tip - along * head, across * head * 0.45
    wings = np.array([tip, back + half, back - half])
    stroke(picture, np.array([tail, tip - along * head * 0.8]), colour, width)
    cv2.polylines(picture, [_fixed(wings)], True, BLACK, max(2, round(width)), cv2.LINE_AA, _SHIFT)
    cv2.fillPoly(picture, [_fixed(wings)], colour, cv2.LINE_AA, _SHIFT)


def font(size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Pillow's own letters, so that pictures look the same everywhere."""
    return ImageFont.load_default(max(8.0, size))


def letters(draw: ImageDraw.ImageDraw, at: tuple[float, float], text: str, size: float, colour: Colour,
            anchor: str = "la", halo: bool = False) -> None:
    """A line of text; signs that the letters lack are written plainly."""
    draw.text(at, plain(text), colour, font(size), anchor=anchor, stroke_width=round(size / 9) if halo else 0,
              stroke_fill=BLACK)


def plain(text: str) -> str:
    """What Pillow's letters can show."""
    swaps = str.maketrans({"→": ">", "’": "'", "“": '"', "”": '"', "–": "-", "…": "..."})
    return text.translate(swaps).encode("latin-1", "replace").decode("latin-1")


def width_of(text: str, size: float) -> float:
    """Pixels that a line of text takes."""
    return float(font(size).getlength(plain(text)))


def wrapped(text: str, size: float, width: float) -> list[str]:
    """Lines of at most `width` pixels."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def badge(picture: Image.Image, at: tuple[float, float], verdict: str, size: float) -> float:
    """The verdict as word, shape and colour; returns the width taken.

    A tick in a disc, a cross in an octagon, a question mark in a triangle: told apart without colour.
    """
    ground, ink = VERDICTS[verdict]
    height, word = 1.7 * size, verdict.upper()
    width = 2.3 * size + width_of(word, size) + 0.8 * size
    big = Image.new("RGBA", (round(4 * width), round(4 * height)))  # drawn large and shrunk: smooth edges
    draw = ImageDraw.Draw(big)
    draw.rounded_rectangle((0, 0, big.width - 1, big.height - 1), 1.2 * size, (*ground, 255))
    _shape(draw, verdict, 4 * (0.45 * size + 0.65 * size), 2 * height, 4 * 0.62 * size, ground, ink)
    small = big.resize((round(width), round(height)), Image.Resampling.LANCZOS)
    picture.paste(small, (round(at[0]), round(at[1])), small)
    letters(ImageDraw.Draw(picture), (at[0] + 2.1 * size, at[1] + height / 2), word, size, ink, "lm")
    return width


def _shape(draw: ImageDraw.ImageDraw, verdict: str, x: float, y: float, r: float, ground: Colour,
           ink: Colour) -> None:
    def ring(corners: int, turn: float, radius: float) -> list[tuple[float, float]]:
        angles = turn + 2 * np.pi * np.arange(corners) / corners
        return [(x + radius * float(np.cos(a)), y + radius * float(np.sin(a))) for a in angles]

    thick = round(0.26 * r)
    if verdict in ("full", "placed", "still"):
        draw.ellipse((x - r, y - r, x + r, y + r), ink)
        tick = [(x - 0.48 * r, y + 0.02 * r), (x - 0.12 * r, y + 0.4 * r), (x + 0.5 * r, y - 0.38 * r)]
        draw.line(tick, ground, thick, "curve")
    elif verdict in ("short", "misplaced", "moved"):
        draw.polygon(ring(8, np.pi / 8, 1.05 * r), ink)
        for sign in (1, -1):
            arm = 0.42 * r
            draw.line([(x - arm, y - sign * arm), (x + arm, y + sign * arm)], ground, thick)
    else:
        draw.polygon([(px, py + 0.18 * r) for px, py in ring(3, -np.pi / 2, 1.25 * r)], ink)
        draw.text((x, y + 0.2 * r), "?", ground, font(1.35 * r), anchor="mm", stroke_width=round(r / 18))
