"""Photos that went through other programs: `python -m tests.benchmarks.passed_on FOLDER [FOLDER...]`.

FOLDER holds what `studio.known --scenario mix` or `unmarked` made.  Each photo is shown as a messenger, an editor or a
well-meaning customer leaves it, always without EXIF; prints how many were judged rightly and how many falsely, and how
many gaps lie inside their intervals, for each way.  Strokes, circles and arrows lie about the joint as it was found.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageEnhance, ImageFilter, ImageFont, ImageOps

from calibration.fittings import Fitting
from tests.benchmarks.known import LIMIT_MM, kind_of
from vision.geometry import project
from vision.pipeline import inspect
from vision.records import Verdict

PENS = ("#ff0000", "#ffff00", "#ffffff", "#000000", "#0060ff", "#00d000")


@dataclass(frozen=True)
class Shown:
    """A photo, where its mouth lies and which way its pipe goes, px, and how wide that is; the dice of this photo."""

    picture: Image.Image
    mouth_px: tuple[float, float]
    along: tuple[float, float]
    wide_px: float
    dice: random.Random

    def drawn(self, points: list[tuple[float, float]], wide_mm: float = 1.5, pipe_mm: float = 60.0) -> Image.Image:
        """With a line through points, in half widths of the pipe along it and across."""
        picture, (x, y), (u, v) = self.picture.copy(), self.mouth_px, self.along
        half = self.wide_px / 2
        at = [(x + half * (a * u - b * v), y + half * (a * v + b * u)) for a, b in points]
        wide_px = max(3, round(wide_mm * self.wide_px / pipe_mm))
        ImageDraw.Draw(picture).line(at, self.dice.choice(PENS), wide_px, "curve")
        return picture


def _stroke(shown: Shown) -> Image.Image:
    at, slant = shown.dice.uniform(-0.05, 0.9), shown.dice.uniform(-0.15, 0.15)
    return shown.drawn([(at + slant * b, b) for b in np.linspace(-1.4, 1.4, 30)], shown.dice.uniform(0.8, 2.5))


def _circle(shown: Shown) -> Image.Image:
    wide, tall = shown.dice.uniform(1.0, 1.8), shown.dice.uniform(0.8, 1.6)
    turns = np.linspace(0, 2 * math.pi, 90)
    return shown.drawn([(wide * math.cos(t), tall * math.sin(t)) for t in turns], shown.dice.uniform(1.0, 3.0))


def _arrow(shown: Shown) -> Image.Image:
    way = shown.dice.uniform(0, 2 * math.pi)
    tip, end = (0.2 * math.cos(way), 0.2 * math.sin(way)), (2 * math.cos(way), 2 * math.sin(way))
    barbs = [(tip[0] + 0.4 * math.cos(way + s), tip[1] + 0.4 * math.sin(way + s)) for s in (0.5, -0.5)]
    return shown.drawn([end, tip, barbs[0], tip, barbs[1]], 2.0)


def _crop(shown: Shown) -> Image.Image:
    (x, y), reach, size = shown.mouth_px, shown.dice.uniform(1.6, 3.0) * shown.wide_px, shown.picture.size
    box = (max(0, x - reach), max(0, y - 0.75 * reach), min(size[0], x + reach), min(size[1], y + 0.75 * reach))
    return shown.picture.crop(tuple(round(side) for side in box))


def _screenshot(shown: Shown) -> Image.Image:
    small, bars = ImageOps.contain(shown.picture, (1080, 2340)), Image.new("RGB", (1080, 2340), "black")
    bars.paste(small, ((1080 - small.width) // 2, (2340 - small.height) // 2))
    return bars


def _stamped(shown: Shown) -> Image.Image:
    picture = shown.picture.copy()
    place = (picture.width * shown.dice.choice((0.03, 0.55)), picture.height * shown.dice.choice((0.05, 0.4, 0.8)))
    font = ImageFont.load_default(picture.width // 26)
    ImageDraw.Draw(picture).text(place, "2026-11-03 14:22\nFILL LINE 14", "yellow", font, stroke_width=2,
                                 stroke_fill="black")
    return picture


WAYS: dict[str, Callable[[Shown], Image.Image]] = {
    "without EXIF": lambda shown: shown.picture,
    "a stroke drawn across the pipe": _stroke,
    "a circle about the joint": _circle,
    "an arrow at it": _arrow,
    "date and place written on it": _stamped,
    "cropped": _crop,
    "a screenshot with bars": _screenshot,
    "grey": lambda shown: ImageOps.grayscale(shown.picture),
    "vivid": lambda shown: ImageEnhance.Contrast(ImageEnhance.Color(shown.picture).enhance(2)).enhance(1.4),
    "sharpened": lambda shown: shown.picture.filter(ImageFilter.UnsharpMask(3, 250, 2)),
    "mirrored": lambda shown: ImageOps.mirror(shown.picture),
    "turned by some degrees": lambda shown: shown.picture.rotate(shown.dice.uniform(-20, 20), expand=True),
}


def shown_of(said: Verdict, name: str) -> Shown:
    """The photo as it was found to lie; about its middle where it wasn't."""
    picture = Image.fromarray(said.photo.pixels)
    dice = random.Random(name)
    if said.pose is None:
        return Shown(picture, (picture.width / 2, picture.height / 2), (1.0, 0.0), picture.width / 4, dice)
    pipe = said.pose.pipe
    points = pipe.point_mm + np.outer([said.pose.mouth_mm, said.pose.mouth_mm + 30], pipe.direction)
    mouth, beyond = project(points, said.photo.camera)
    along = (beyond - mouth) / np.linalg.norm(beyond - mouth)
    return Shown(picture, tuple(mouth), tuple(along), 2 * pipe.radius_mm * said.pose.px_per_mm, dice)


def counted(path: Path, ways: list[str]) -> dict[str, Counter[str]]:
    """What was said of one photo, each way."""
    truth = json.loads(path.read_text())
    row = Fitting(id="true", nominal_size="true", unit="mm", collar_od=truth["collar_od_mm"],
                  pipe_od=truth["pipe_od_mm"], mark_depth=28.575, max_gap=LIMIT_MM, source="the scene's own")
    plain, kind, gap = inspect(path.with_suffix(".jpg").read_bytes(), row), kind_of(truth), truth["gap_near_mm"]
    right = None if kind == "nothing to measure" else "full" if max(gap, 0.0) <= LIMIT_MM else "short"
    found = {}
    for way in ways:
        data = io.BytesIO()
        WAYS[way](shown_of(plain, path.stem + way)).convert("RGB").save(data, "JPEG", quality=90)
        said = inspect(data.getvalue(), row)
        count = found[way] = Counter(photos=1, judgeable=kind == "judgeable")
        count["right"] += kind == "judgeable" and said.word == right
        count[f"falsely {said.word}"] += said.word not in ("unproven", right)
        if said.measurement and kind in ("judgeable", "near the limit"):
            count["measured"] += 1
            count["inside"] += said.measurement.gap.low_mm <= max(gap, 0.0) <= said.measurement.gap.high_mm
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--ways", nargs="+", choices=sorted(WAYS), default=list(WAYS))
    args = parser.parse_args()
    total: dict[str, Counter[str]] = {way: Counter() for way in args.ways}
    for path in sorted(path for folder in args.folders for path in folder.glob("*.json")):
        for way, count in counted(path, args.ways).items():
            total[way].update(count)
    for way, count in total.items():
        print(f"{way:32s} right {count['right']:3d} of {count['judgeable']:3d}  inside {count['inside']:3d} of "
              f"{count['measured']:3d}  falsely full {count['falsely full']}, short {count['falsely short']} "
              f"of {count['photos']}")


if __name__ == "__main__":
    main()
