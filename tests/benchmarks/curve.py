"""Whether stated probabilities hold: `python -m tests.benchmarks.curve FOLDER [FOLDER...] [--svg FILE]`.

FOLDER holds photos of `studio.known` or `studio.stories` with their truths.  Two things are asked of each photo: how
likely the joint is full, as the answer states it (marked joints), and how likely a line at the mouth is ink, by the sum
of four looks through the logistic function (all joints).  Each is told in bins, beside how often it was so.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from calibration.fittings import Fitting
from vision import alike, read
from vision.pipeline import inspect
from vision.propagation.normal import normal_quantile

LIMIT_MM = 1.5875
FULL_BINS = (0.0, 0.02, 0.2, 0.5, 0.8, 0.98, 1.0001)
LOOKS_BINS = (-99.0, -4.0, -2.0, 0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 99.0)
_NEAR_MM = 0.8  # from its truth's edge: a line there is the mark
_SIDE, _EDGE = 300, 46

Pair = tuple[float, bool]  # what was stated, and whether it was so
Row = tuple[float, float, int, float, float]  # mean stated, share so, how many, ends of its 95 % interval


def rows_of(pairs: Sequence[Pair], bins: Sequence[float]) -> list[Row]:
    """Bin by bin; the interval of a share is Wilson's (1927)."""
    found = []
    for low, high in pairwise(bins):
        some = [pair for pair in pairs if low <= pair[0] < high]
        if some:
            share = float(np.mean([so for _, so in some]))
            found.append((float(np.mean([stated for stated, _ in some])), share, len(some), *wilson(share, len(some))))
    return found


def wilson(share: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a share."""
    z = normal_quantile((1 + confidence) / 2)
    middle, scale = share + z**2 / (2 * count), 1 + z**2 / count
    reach = z * math.sqrt(share * (1 - share) / count + z**2 / (4 * count**2))
    return max(0.0, (middle - reach) / scale), min(1.0, (middle + reach) / scale)


@contextmanager
def listening() -> Iterator[dict[str, Any]]:
    """What the looks at a line at the mouth came to, and the line, of the photo that is inspected meanwhile."""
    heard: dict[str, Any] = {}
    told, asked = alike._told, read.look_alike

    def sum_of(weights: tuple[float, ...], looks: tuple[float, ...]) -> float:
        value = told(weights, looks)
        if weights == alike._OF_LOOKS:
            heard["sum"] = value
        return value

    def line_of(*given: Any) -> Any:
        heard.pop("sum", None)
        said = asked(*given)
        heard["line"], heard["edge"] = given[3], given[2]
        return said

    alike._told, read.look_alike = sum_of, line_of
    try:
        yield heard
    finally:
        alike._told, read.look_alike = told, asked


def asked_of(path: Path) -> tuple[list[Pair], list[Pair]]:
    """Of one photo: whether the joint is full, and whether the line at its mouth is the mark."""
    truth = json.loads(path.read_text())
    row = Fitting(id="true", nominal_size="true", unit="mm", collar_od=truth["collar_od_mm"],
                  pipe_od=truth["pipe_od_mm"], mark_depth=28.575, max_gap=LIMIT_MM, source="the scene's own")
    with listening() as heard:
        said = inspect(path.with_suffix(".jpg").read_bytes(), row)
    gap = truth["gap_near_mm"]
    full = [(said.measurement.p_full, max(gap, 0.0) <= LIMIT_MM)] if said.measurement and gap is not None else []
    if "sum" not in heard:
        return full, []
    line, edge = heard["line"], heard["edge"]
    at = float(np.nanmedian(line.near_mm - edge.at_mm))
    hidden = gap is not None and alike.touches(line, edge) and gap < truth["hidden_mm"] + _NEAR_MM
    mark = gap is not None and (hidden or abs(max(gap, 0.0) - max(at, 0.0)) < _NEAR_MM)
    return full, [(heard["sum"], mark)]


def chart(panels: Sequence[tuple[str, Sequence[Row]]]) -> str:
    """An SVG with a panel each: stated against so, with 95 % intervals, areas as the counts."""
    wide = len(panels) * (_SIDE + 2 * _EDGE)
    drawn = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {_SIDE + 2 * _EDGE}" '
             'font-family="sans-serif" font-size="12" fill="#222">', '<rect width="100%" height="100%" fill="#fff"/>']
    for place, (title, rows) in enumerate(panels):
        drawn += _panel(place * (_SIDE + 2 * _EDGE) + _EDGE, title, rows)
    return "\n".join([*drawn, "</svg>\n"])


def _panel(left: float, title: str, rows: Sequence[Row]) -> Iterator[str]:
    bottom = _EDGE + _SIDE
    yield f'<text x="{left}" y="{_EDGE - 16}" font-weight="bold">{escape(title)}</text>'
    yield f'<path d="M{left} {_EDGE}V{bottom}H{left + _SIDE}M{left} {bottom}L{left + _SIDE} {_EDGE}" fill="none" ' \
          'stroke="#999"/>'
    for tick in (0.0, 0.5, 1.0):
        yield f'<text x="{left + tick * _SIDE}" y="{bottom + 16}" text-anchor="middle">{tick:g}</text>'
        yield f'<text x="{left - 6}" y="{bottom - tick * _SIDE + 4}" text-anchor="end">{tick:g}</text>'
    yield f'<text x="{left + _SIDE / 2}" y="{bottom + 32}" text-anchor="middle">stated</text>'
    for stated, share, count, low, high in rows:
        x, top, foot, y = (left + stated * _SIDE, *(bottom - value * _SIDE for value in (high, low, share)))
        yield f'<path d="M{x:.1f} {top:.1f}V{foot:.1f}" stroke="#06c" stroke-width="2"/>'
        yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{1.5 + math.sqrt(count) / 4:.1f}" fill="#06c" fill-opacity="0.6"/>'


def logistic(rows: Sequence[Row]) -> list[Row]:
    """Sums of looks as probabilities."""
    return [(1 / (1 + math.exp(-stated)), *rest) for stated, *rest in rows]


def told(title: str, rows: Sequence[Row]) -> None:
    print(title)
    for stated, share, count, low, high in rows:
        print(f"  stated {stated:6.3f}  so {share:6.3f} of {count:4d}  ({low:.3f} to {high:.3f})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--svg", type=Path, help="draw both curves here")
    args = parser.parse_args()
    full, looks = [], []
    for path in sorted(path for folder in args.folders for path in folder.glob("*.json")):
        for pairs, more in zip((full, looks), asked_of(path), strict=True):
            pairs += more
    panels = (("a joint is full", rows_of(full, FULL_BINS)),
              ("a line at the mouth is the mark", rows_of(looks, LOOKS_BINS)))
    for panel in panels:
        told(*panel)
    if args.svg:
        args.svg.write_text(chart([panels[0], (panels[1][0], logistic(panels[1][1]))]), encoding="utf-8")


if __name__ == "__main__":
    main()
