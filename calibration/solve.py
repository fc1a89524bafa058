"""Solving a camera from views of a flat pattern: plain correspondences in, a lens with its doubts out.

Zhang's method (A flexible new technique for camera calibration, 2000) as OpenCV has it, with what a
metrologist adds: views that don't agree with the rest are dropped by name, and a solution is refused when
the views could not have determined it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import PLAUSIBLE_FOCAL, Camera, Lens, Profile
from calibration.fittings import Misuse

Floats = NDArray[np.float64]

LEAST_VIEWS = 8
LEAST_LEFT = 6  # views that must remain once outliers are gone
LEAST_POINTS = 12
LEAST_SPREAD_DEG = 20.0
MOST_FOCAL_U = 0.01
# A view is an outlier if its residual is that many times the median of the others and also lies that
# many robust standard deviations out, on a logarithmic scale: residuals are positive and skewed.
OUTLIER_FACTOR = 2.5
OUTLIER_SPREADS = 3.5
_LEAST_SPREAD = 0.1  # of the logarithm; about what chance alone does to the residual of 50 corners
_MOST_REJECTED = 1 / 3
_STRETCH_STEP = 0.004
_STRETCH_TOLD = 0.003
_GOOD_REACH = 0.7
_LARGE_RESIDUAL = 1e-3  # of the picture's longer side
_END = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-12)


class SolveError(Misuse):
    """These views can't give the camera; the message says what to photograph instead."""


@dataclass(frozen=True)
class View:
    """One photo of a flat pattern: where its points are on the pattern, and where in the stored picture.

    object_mm: (n, 3), z = 0.  image_px: (n, 2), the centre of the top left pixel is (0, 0).
    """

    name: str
    object_mm: Floats
    image_px: Floats


@dataclass(frozen=True)
class SolvedView:
    """How one view fits.  residual_px: root mean square distance of its points from the model.

    tilt_deg: angle between the pattern's normal and the lens's axis.  distance_mm: lens to pattern's origin.
    """

    name: str
    residual_px: float
    tilt_deg: float
    distance_mm: float


@dataclass(frozen=True)
class Rejected:
    """A view that was left out, and why, as a sentence."""

    name: str
    residual_px: float
    why: str


@dataclass(frozen=True)
class Solution:
    """A solved camera for pictures of `size_px` (width, height), as stored.

    u_...: standard uncertainties, as OpenCV's calibrateCameraExtended derives them from the residuals.
    u_distortion belongs to (k1, k2, p1, p2, k3).  residual_px is over all points of the views kept.
    reach: how far from the middle points were seen, as a share of the half diagonal.
    stretch: by how much the pattern seems longer along its x than along its y; u_stretch is its doubt.
    """

    size_px: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float, float]
    u_focal_px: float
    u_centre_px: tuple[float, float]
    u_distortion: tuple[float, float, float, float, float]
    residual_px: float
    views: tuple[SolvedView, ...]
    rejected: tuple[Rejected, ...]
    reach: float
    stretch: float
    u_stretch: float
    warnings: tuple[str, ...] = ()

    @property
    def camera(self) -> Camera:
        """The camera for pictures of exactly this size, with the doubts of the solution alone."""
        return Camera(self.focal_px, self.centre_px, self.distortion, self.u_focal_px, max(self.u_centre_px),
                      self.u_distortion[0], "chart")

    def profile(self, name: str, lens: Lens, notes: str = "") -> Profile:
        """What is stored, for photos taken by `lens`."""
        return Profile(
            name=name, make=lens.make, model=lens.model, focal_mm=lens.focal_mm, f35_mm=lens.f35_mm,
            zoom=lens.zoom, width_px=self.size_px[0], height_px=self.size_px[1], focal_px=self.focal_px,
            centre_px=list(self.centre_px), distortion=list(self.distortion), u_focal_px=self.u_focal_px,
            u_centre_px=list(self.u_centre_px), u_distortion=list(self.u_distortion),
            residual_px=self.residual_px, views=len(self.views), notes=notes)


@dataclass(frozen=True)
class _Fit:
    """What OpenCV returned for a set of views: values and doubts as f, cx, cy, k1, k2, p1, p2, k3."""

    values: Floats
    doubts: Floats
    rms_px: float
    residuals_px: Floats
    turns: Floats
    shifts_mm: Floats


def solve(views: Sequence[View], size_px: tuple[int, int], *, reject: bool = True) -> Solution:
    """The camera that took these views of one flat pattern, all in pictures of `size_px` (width, height).

    Pixels are taken to be square.  reject=False keeps every view, however bad.
    Raises SolveError: fewer than 8 views, a view of fewer than 12 points, views that disagree, or views too
    much alike in direction to determine the focal length.
    """
    _check(views)
    kept, rejected = list(views), []
    fit = _fit(kept, size_px)
    while reject and (worst := _worst(kept, fit)):
        at, found = worst
        del kept[at]
        rejected.append(found)
        _check_left(len(views), kept, rejected)
        fit = _fit(kept, size_px)
    _check_determined(fit, size_px)
    solution = _solution(kept, rejected, fit, size_px)
    return replace(solution, warnings=_warnings(solution))


def _check(views: Sequence[View]) -> None:
    if len(views) < LEAST_VIEWS:
        raise SolveError(f"{len(views)} views are too few to solve a camera; {LEAST_VIEWS} to 20 are needed. "
                         "Take more photos, from different sides and with the chart in all parts of the "
                         "frame.")
    for view in views:
        if len(view.object_mm) != len(view.image_px) or len(view.object_mm) < LEAST_POINTS:
            raise SolveError(f"{view.name}: it has {len(view.image_px)} points for {len(view.object_mm)} of "
                             f"the pattern; at least {LEAST_POINTS} pairs are needed. Take it again with "
                             "more of the chart in the frame.")


def _check_left(given: int, kept: Sequence[View], rejected: Sequence[Rejected]) -> None:
    if len(rejected) <= _MOST_REJECTED * given and len(kept) >= LEAST_LEFT:
        return
    names = ", ".join(each.name for each in rejected)
    raise SolveError(f"{len(rejected)} of {given} views don't agree with the others ({names}), so it is not "
                     "clear which ones are right. Fix the chart to something flat, hold the phone still, and "
                     "take all photos again.")


def _fit(views: Sequence[View], size_px: tuple[int, int], stretch: float = 0.0) -> _Fit:
    """Least squares over all views, with the pattern stretched along its x by `stretch`."""
    wider = np.array([1 + stretch, 1.0, 1.0])
    objects = [np.asarray(view.object_mm * wider, np.float32) for view in views]
    images = [np.asarray(view.image_px, np.float32) for view in views]
    square = np.eye(3)  # only the ratio of its focal lengths is used: square pixels
    try:
        rms, matrix, distortion, turns, shifts, doubts, _, residuals = cv2.calibrateCameraExtended(
            objects, images, size_px, square, np.zeros(5), flags=cv2.CALIB_FIX_ASPECT_RATIO, criteria=_END)
    except cv2.error as error:
        raise SolveError(_UNDETERMINED) from error
    lens = [matrix[1, 1], matrix[0, 2], matrix[1, 2], *np.ravel(distortion)[:5]]
    # The doubts begin fx, fy, cx, cy; fx is tied to fy and has none of its own.
    return _Fit(np.array(lens, float), np.ravel(doubts)[1:9].astype(float), float(rms),
                np.ravel(residuals).astype(float), np.reshape(turns, (-1, 3)), np.reshape(shifts, (-1, 3)))


_UNDETERMINED = (
    "These views don't determine the camera. Take photos with the chart tilted by 20 to 40 degrees to the "
    "left, to the right, towards you and away, and near all four corners of the frame.")


def _worst(views: Sequence[View], fit: _Fit) -> tuple[int, Rejected] | None:
    """The view that fits worst, if it is an outlier among the others."""
    at = int(np.argmax(fit.residuals_px))
    logs = np.log(np.maximum(fit.residuals_px, 1e-6))
    others = np.delete(logs, at)
    median = float(np.median(others))
    spread = max(_LEAST_SPREAD, 1.4826 * float(np.median(np.abs(others - median))))
    excess = float(logs[at]) - median
    if excess < math.log(OUTLIER_FACTOR) or excess < OUTLIER_SPREADS * spread:
        return None
    why = (f"its corners lie {fit.residuals_px[at]:.2g} px off the model, {math.exp(excess):.1f} times the "
           f"median of the other views ({math.exp(median):.2g} px); it may be blurred, lit unevenly, or show "
           "the chart bent")
    return at, Rejected(views[at].name, float(fit.residuals_px[at]), why)


def _normals(fit: _Fit) -> Floats:
    """The pattern's normal in the camera frame, (views, 3)."""
    return np.array([cv2.Rodrigues(turn)[0][:, 2] for turn in fit.turns])


def _check_determined(fit: _Fit, size_px: tuple[int, int]) -> None:
    normals = _normals(fit)
    if not (np.isfinite(fit.values).all() and np.isfinite(fit.doubts).all()):
        raise SolveError(_UNDETERMINED)
    spread = math.degrees(math.acos(float(np.clip((normals @ normals.T).min(), -1.0, 1.0))))
    if spread < LEAST_SPREAD_DEG:
        raise SolveError(
            f"All views show the chart from nearly one direction (they differ by {spread:.0f} degrees at "
            "most), so a longer lens can't be told from a larger distance. Tilt the phone by 20 to 40 "
            "degrees to the left, to the right, up and down in some of the photos.")
    share = fit.doubts[0] / fit.values[0]
    least, most = (factor * max(size_px) for factor in PLAUSIBLE_FOCAL)
    inside = all(0 < at < side for at, side in zip(fit.values[1:3], size_px, strict=True))
    if share > MOST_FOCAL_U or not least <= fit.values[0] <= most or not inside:
        raise SolveError(f"The focal length is badly determined ({fit.values[0]:.0f} px, give or take "
                         f"{share:.1%}). {_UNDETERMINED}")


def _solution(kept: Sequence[View], rejected: Sequence[Rejected], fit: _Fit,
              size_px: tuple[int, int]) -> Solution:
    focal, x, y, k1, k2, p1, p2, k3 = (float(value) for value in fit.values)
    u_focal, u_x, u_y, u_k1, u_k2, u_p1, u_p2, u_k3 = (float(doubt) for doubt in fit.doubts)
    stretch, u_stretch = _stretch(kept, fit, size_px)
    return Solution(
        size_px=size_px, focal_px=focal, centre_px=(x, y), distortion=(k1, k2, p1, p2, k3),
        u_focal_px=u_focal, u_centre_px=(u_x, u_y), u_distortion=(u_k1, u_k2, u_p1, u_p2, u_k3),
        residual_px=fit.rms_px, views=_solved_views(kept, fit), rejected=tuple(rejected),
        reach=_reach(kept, size_px), stretch=stretch, u_stretch=u_stretch)


def _solved_views(views: Sequence[View], fit: _Fit) -> tuple[SolvedView, ...]:
    tilts = np.degrees(np.arccos(np.clip(np.abs(_normals(fit)[:, 2]), 0.0, 1.0)))
    distances = np.linalg.norm(fit.shifts_mm, axis=1)
    return tuple(SolvedView(view.name, float(residual), float(tilt), float(distance))
                 for view, residual, tilt, distance
                 in zip(views, fit.residuals_px, tilts, distances, strict=True))


def _reach(views: Sequence[View], size_px: tuple[int, int]) -> float:
    middle = (np.array(size_px) - 1) / 2
    farthest = max(float(np.linalg.norm(view.image_px - middle, axis=1).max()) for view in views)
    return farthest / (math.hypot(*size_px) / 2)


def _stretch(views: Sequence[View], fit: _Fit, size_px: tuple[int, int]) -> tuple[float, float]:
    """How much longer the pattern is along its x than it should be, and the doubt of that.

    Printers stretch paper one way.  The sum of squares is a parabola in a small stretch; its lowest
    point is the stretch, its curvature the doubt.
    """
    points = sum(len(view.image_px) for view in views)
    below, here, above = (points * rms**2 for rms in (
        _fit(views, size_px, -_STRETCH_STEP).rms_px, fit.rms_px, _fit(views, size_px, _STRETCH_STEP).rms_px))
    curve = (above - 2 * here + below) / _STRETCH_STEP**2
    if curve <= 0:
        return 0.0, math.inf
    stretch = (below - above) / (2 * _STRETCH_STEP) / curve
    freedom = 2 * points - len(fit.values) - 6 * len(views) - 1
    return stretch, math.sqrt(2 * here / freedom / curve)


def _warnings(solution: Solution) -> tuple[str, ...]:
    told = []
    if solution.reach < _GOOD_REACH:
        told.append(f"No chart corner lies farther from the middle than {solution.reach:.0%} of the way to "
                    "the frame's corners: the distortion beyond is a guess. Add photos with the chart in the "
                    "corners.")
    if abs(solution.stretch) > _STRETCH_TOLD and abs(solution.stretch) > 4 * solution.u_stretch:
        side = "wide" if solution.stretch > 0 else "narrow"
        told.append(f"The chart seems to be {abs(solution.stretch):.2%} too {side} for its height. Measure "
                    "both of its rulers; if they differ, print it on another printer or without scaling, and "
                    "take the photos again.")
    if solution.residual_px > _LARGE_RESIDUAL * max(solution.size_px):
        told.append(f"The residual of {solution.residual_px:.2g} px is large for a picture of this size. The "
                    "chart may not be flat, or the phone straightened the pictures by itself.")
    return tuple(told)
