"""The panel below a photo: the verdict in words, and the pipe's surface laid flat."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from calibration.camera import Camera
from cli import pen
from vision import geometry
from vision.records import Edge, Floats, Pose, Strip

LINE = 1.35  # letters' heights from line to line


@dataclass(frozen=True)
class Panel:
    """What is written on, from the top downwards, in letters `em` pixels high; that wide are its margins too."""

    canvas: Image.Image
    em: float

    @classmethod
    def blank(cls, width: int, em: float, lines: int) -> Panel:
        """Room for so many lines."""
        return cls(Image.new("RGB", (width, lines * round(em)), pen.PANEL), em)

    @property
    def width(self) -> float:
        """Between the margins."""
        return self.canvas.width - 2 * self.em

    @property
    def painter(self) -> ImageDraw.ImageDraw:
        """For what is no line of text."""
        return ImageDraw.Draw(self.canvas)

    def head(self, verdict: str, figure: str) -> float:
        """The verdict with its figure; returns where they end."""
        size = 1.5 * self.em
        taken = pen.badge(self.canvas, (self.em, self.em), verdict, size)
        at = self.em + taken + self.em, self.em + 0.85 * size
        pen.letters(self.painter, at, figure, 1.3 * self.em, pen.WHITE, "lm")
        return self.em + 1.7 * size + 0.5 * self.em

    def line(self, y: float, text: str, colour: pen.Colour, size: float = 1.0) -> None:
        """A line of text at a height."""
        pen.letters(self.painter, (self.em, y), text, size * self.em, colour)

    def lines(self, y: float, told: Iterable[tuple[str, pen.Colour]]) -> float:
        """Lines from a height downwards; returns where they end."""
        for text, colour in told:
            self.line(y, text, colour)
            y += LINE * self.em
        return y

    def wrapped(self, text: str, colour: pen.Colour) -> list[tuple[str, pen.Colour]]:
        """A sentence as lines between the margins."""
        return [(line, colour) for line in pen.wrapped(text, self.em, self.width)]

    def paste(self, y: float, picture: NDArray[np.uint8]) -> None:
        """A picture between the margins."""
        self.canvas.paste(Image.fromarray(picture), (round(self.em), round(y)))

    def cut(self, y: float) -> Image.Image:
        """All that was written, with a margin below."""
        return self.canvas.crop((0, 0, self.canvas.width, min(self.canvas.height, round(y + self.em))))


@dataclass(frozen=True)
class Flat:
    """Columns of a strip as a picture so many pixels wide."""

    strip: Strip
    pose: Pose
    camera: Camera
    columns: tuple[int, int]
    width: int

    @classmethod
    def between(cls, strip: Strip, pose: Pose, camera: Camera, reach_mm: tuple[float, float], width: float) -> Flat:
        """From here to there along the pipe, from the pose's mouth, as far as the strip has it."""
        first, last = (round((at - strip.first_mm) / strip.step_mm) for at in reach_mm)
        return cls(strip, pose, camera, (max(0, first), min(strip.pixels.shape[1], last)), round(width))

    @property
    def height(self) -> int:
        """Three tenths of the width."""
        return round(0.3 * self.width)

    @property
    def px_per_mm(self) -> float:
        """Along the pipe."""
        return self.width / ((self.columns[1] - self.columns[0]) * self.strip.step_mm)

    @property
    def first_mm(self) -> float:
        """Where its left side lies along the pipe, from the pose's mouth."""
        return self.strip.first_mm + self.columns[0] * self.strip.step_mm

    def pixels(self) -> NDArray[np.uint8]:
        """The picture; a copy."""
        part = self.strip.pixels[:, slice(*self.columns)]
        return np.array(cv2.resize(part, (self.width, self.height), interpolation=cv2.INTER_LINEAR), np.uint8)

    def place(self, edge: Edge, moved_mm: float = 0.0) -> Floats:
        """An edge's points (n, 2) in the picture, moved along the pipe."""
        along, angles = geometry.meet_cylinder_px(edge.points_px, self.pose.pipe, self.pose.pipe.radius_mm, self.camera)
        rows = np.interp(angles, self.strip.angles_rad, np.linspace(0, self.height - 1, self.strip.angles_rad.size))
        return np.stack([(along - self.pose.mouth_mm - self.first_mm + moved_mm) * self.px_per_mm, rows], -1)
