"""By how much one photo was taken from further round the pipe than another, by what both show on it.

On the flat strips a turn round the pipe is a shift of rows.  Print, scuffs, dirt and grain on the pipe beyond
the mark are what they share; the mark itself says where along the pipe to look.  Light is no feature: it
stays with the camera, and runs along the pipe, so each row's mean is taken off before anything is compared.
Where no shift stands out the view has no place: nothing is guessed.  With these thresholds 18 of 267 rendered pairs
were placed, one of them wrongly: a polished pipe mirrors what is round it, and that turns with the camera by half.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from vision.records import Floats, Gap, Strip, Verdict

FINE_MM, COARSE_MM = 0.25, 2.5  # details between these count: finer is noise, coarser is light
REACH_MM = 2.0  # the mark may lie so far off along the pipe: it is askew, or unevenly wide
LEAST_OVERLAP_DEG = 20.0
CLEAR = 10.5  # a match stands out so far over the scatter of all other shifts
RIVAL = 0.8  # of the best match's height: a second one with more makes it ambiguous
U_DEG = 2.0  # of a turn that was found: poses of two photos, a strip's step, an uneven pipe
_STEP_MM = 0.2
_APART_DEG = 8.0
_FROM_MM = 0.7  # beyond the mark's far edge
_ALONG_MM = 30.0
_NULL_MM = 12.0  # how far shifts along the pipe are tried to see what chance gives


@dataclass(frozen=True)
class Match:
    """The best shift of a strip against another.  clear: its height over the scatter of others; rival: of it."""

    turn_deg: float
    clear: float
    rival: float

    @property
    def sure(self) -> bool:
        """Whether it stands out, alone."""
        return self.clear >= CLEAR and self.rival <= RIVAL


def match(first: Verdict, other: Verdict) -> Match | None:
    """The turn of `other` against `first` that makes their pipes look most alike; None without two strips."""
    if first.strip is None or other.strip is None or first.gap is None or other.gap is None:
        return None
    radius = first.pose.pipe.radius_mm if first.pose else 30.0
    one, two = (_details(v.strip, v.gap, radius) for v in (first, other) if v.strip is not None and v.gap is not None)
    if one is None or two is None:
        return None
    step = math.degrees(first.strip.angles_rad[1] - first.strip.angles_rad[0])
    return _best(*_correlation(one, two), step)


@dataclass(frozen=True)
class _Details:
    """What a pipe shows beyond the mark, (rows, columns), zero mean by row, and where it was seen."""

    values: Floats
    seen: Floats


def _details(strip: Strip, gap: Gap, radius_mm: float) -> _Details | None:
    """Details from the mark's far edge on, in columns of _STEP_MM.

    None where too little pipe is in the picture, or where only the mark's near edge is known.
    """
    if gap.line_width_mm is None:
        return None
    start = float(np.median(gap.near.at_mm)) + gap.line_width_mm + _FROM_MM
    first = (start - strip.first_mm) / strip.step_mm
    columns = first + np.arange(0, _ALONG_MM, _STEP_MM) / strip.step_mm
    columns = columns[columns < strip.pixels.shape[1] - 1]
    if len(columns) < 20:
        return None
    light = np.log1p(cv2.cvtColor(strip.pixels, cv2.COLOR_RGB2GRAY).astype(np.float64))
    row_mm = radius_mm * (strip.angles_rad[1] - strip.angles_rad[0])
    fine, coarse = (cv2.GaussianBlur(light, (0, 0), sigmaX=s / strip.step_mm, sigmaY=max(0.5, s / row_mm))
                    for s in (FINE_MM, COARSE_MM))
    band = fine - coarse
    index = np.round(columns).astype(int)
    values, seen = band[:, index], strip.seen[:, index].astype(np.float64)
    values = (values - (values * seen).sum(1, keepdims=True) / np.maximum(seen.sum(1, keepdims=True), 1)) * seen
    scale = 1.483 * float(np.median(np.abs(values[seen > 0]))) if seen.any() else 0.0
    if scale == 0:
        return None
    return _Details(np.clip(values / scale, -4, 4), seen)


def _correlation(one: _Details, two: _Details) -> tuple[Floats, Floats]:
    """Correlation for every shift of `two` against `one`, (row shifts, column shifts), and how many cells met.

    Zero shift lies in the middle.  By Fourier transform of values and masks (Padfield 2012, masked correlation).
    """
    shape = [a + b - 1 for a, b in zip(one.values.shape, two.values.shape, strict=True)]

    def meet(a: Floats, b: Floats) -> Floats:
        product = np.fft.rfft2(a, shape) * np.conj(np.fft.rfft2(b, shape))
        whole = np.fft.irfft2(product, shape)
        return np.roll(whole, (two.values.shape[0] - 1, two.values.shape[1] - 1), (0, 1))

    count = np.maximum(meet(one.seen, two.seen), 0)
    power = np.maximum(meet(one.values**2, two.seen), 1e-9) * np.maximum(meet(one.seen, two.values**2), 1e-9)
    return meet(one.values, two.values) / np.sqrt(power), count


def _best(alike: Floats, count: Floats, step_deg: float) -> Match | None:
    """The highest correlation, weighed by how much met, against all others."""
    rows, columns = (np.arange(n) - n // 2 for n in alike.shape)
    enough = count >= LEAST_OVERLAP_DEG / step_deg * 0.6 * count.max() / alike.shape[0] * 2
    weighed = np.where(enough, alike * np.sqrt(count), 0.0)
    tried = np.abs(columns) <= _NULL_MM / _STEP_MM
    scatter = 1.483 * float(np.median(np.abs(weighed[:, tried][enough[:, tried]])))
    if scatter == 0:
        return None
    near = weighed * (np.abs(columns)[None] <= REACH_MM / _STEP_MM)
    row, column = np.unravel_index(int(near.argmax()), near.shape)
    far = near[np.abs(rows - rows[row]) * step_deg > _APART_DEG]
    top = float(near[row, column])
    return Match(float(rows[row] * step_deg), top / scatter, float(far.max()) / max(top, 1e-9))
