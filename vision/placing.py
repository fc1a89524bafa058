"""Depth -> Placement: how far the mark's depth may be off, how square the cut is, and what makes it so.

The chain from edges to depth is one model of named inputs, as for the gap: run on draws of all of them (JCGM 101),
and through its tangent for the budget (JCGM 100).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry, redraw
from vision.propagation import (
    Draws,
    Even,
    FirstOrder,
    Input,
    Normal,
    Part,
    Rectangular,
    conformity_probability,
    first_order,
    monte_carlo,
    normal_quantile,
)
from vision.records import (
    Contribution,
    Depth,
    Doubt,
    Edge,
    Floats,
    Interval,
    Limbs,
    Placement,
    Pose,
    Refusal,
    Squareness,
)
from vision.redraw import FOCAL_LENGTH, Redraw, Values
from vision.wave import HAND_RAD, SAW_RAD, amplitude_mm

DRAWS = 4000
# Times the assumed focal length: from a phone's widest lens (no source) to one so long that nothing changes any more.
ANY_LENS = (0.48, 20.0)
# Share of the variance: by the assumed lens alone one of 361 depths without a known one, with half of it, was told 1.5
# off and just outside its interval (DEVELOPERS.md, "The lens of a marked pipe").
MOST_BY_LENS = 0.2
_OUT_OF_SQUARE_MM = 1.0  # across the diameter: less is the saw's


def place(depth: Depth, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting, confidence: float = 0.95,
          seed: int = 0) -> Placement | Refusal:
    """The depth with its coverage interval, budget and probability of lying within the catalog's tolerance.

    Refuses with `edges-not-found` where the silhouettes are too uncertain to draw poses from.
    """
    chain = Chain.of(depth, limbs, pose, camera, fitting)
    try:
        draws = monte_carlo(chain.depth_mm, chain.inputs(), DRAWS, seed)
    except redraw.SidesTooUncertain:
        return Refusal("placing", "edges-not-found", "the pipe's sides are too uncertain to measure from")
    span, budget = draws.symmetric(confidence), chain.first_order().budget
    lens_open = chain.lens_open(budget)
    value = (span.low + span.high) / 2 if lens_open else chain.value_mm(draws)
    cut = squareness(depth.cut, pose, confidence)
    doubts = list(depth.doubts)
    if cut.across.low_mm > 0 and cut.across.value_mm > _OUT_OF_SQUARE_MM:
        doubts.append(Doubt("cut-askew", f"{cut.angle_deg:.1f} degrees, {cut.across.value_mm:.1f} mm across the pipe"))
    return Placement(
        depth=Interval(value, min(span.low, value), max(span.high, value), draws.u), cut=cut,
        line_width_mm=depth.line_width_mm,
        budget=tuple(Contribution(part.name, part.u, part.share) for part in budget),
        p_placed=_p_placed(draws, fitting), confidence=confidence, doubts=tuple(doubts),
        wave_mm=amplitude_mm(fitting.pipe_od_mm / 2, (HAND_RAD, SAW_RAD), depth.slant_mm, depth.near.angles_rad),
        lens_open=lens_open,
    )


def _p_placed(draws: Draws, fitting: Fitting) -> float | None:
    half = fitting.mark_tolerance_mm
    if half is None:
        return None
    return conformity_probability(draws, fitting.mark_depth_mm + half, fitting.mark_depth_mm - half)


@dataclass(frozen=True)
class Chain:
    """From edges to the mark's depth, for any number of draws at once."""

    pipe: Redraw
    fitting: Fitting
    cut_px: Floats
    mark_px: Floats
    beside: tuple[Input, ...]

    @classmethod
    def of(cls, depth: Depth, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting) -> Chain:
        """Cut and mark at the same angles: the mark by blocks of rows, the cut as the plane that it is."""
        mark_at, mark_angle = redraw.on_pipe(depth.near, pose, camera)
        cut_at, cut_angle = redraw.on_pipe(depth.cut, pose, camera)
        angles, along = redraw.blocks(mark_angle, mark_at)
        course = redraw.plane_cut(cut_angle, cut_at, angles)
        pipe = pose.pipe
        cut_px, mark_px = (
            geometry.project(geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, at, angles), camera)
            for at in (course, along))
        return cls(Redraw.of(limbs, pose, camera), fitting, cut_px, mark_px, _beside(depth, pose))

    def inputs(self) -> list[Input]:
        """Every input with what is known of it; one entry is one line of the budget.

        A depth needs the lens far more than a gap does: where it is assumed, any of a phone's lenses is possible.  How
        much nearer the pipe's front is than its sides goes with one over the focal length, and so does the depth: that
        is drawn, so that short lenses count as much as they matter (`_lens`).
        """
        known = self.pipe.inputs(self.fitting)
        if self._assumed:
            focal = self.pipe.camera.focal_px
            known = [Rectangular(each.name, focal / ANY_LENS[1], focal / ANY_LENS[0]) if each.name == FOCAL_LENGTH
                     else each for each in known]
        return [*known, *self.beside]

    def _lens(self, q: Values) -> Values:
        """The values with a focal length where its inverse was drawn, in units of the assumed one squared."""
        if not self._assumed:
            return q
        return {**q, FOCAL_LENGTH: self.pipe.camera.focal_px ** 2 / q[FOCAL_LENGTH]}

    @property
    def _assumed(self) -> bool:
        return self.pipe.camera.source == "assumed" and self.pipe.camera.u_focal_px > 0

    def lens_open(self, budget: Sequence[Part]) -> bool:
        """Whether a lens that nobody knows leaves so much open that no value stands for the depth."""
        return self._assumed and any(part.name == FOCAL_LENGTH and part.share > MOST_BY_LENS for part in budget)

    def value_mm(self, draws: Draws) -> float:
        """The depth to tell: the middle of the draws, or with an assumed lens that of the assumption."""
        if not self._assumed:
            return draws.mean
        inputs = redraw.estimates(self.inputs())
        return float(self.depth_mm(inputs | {FOCAL_LENGTH: np.array([self.pipe.camera.focal_px])})[0])

    def depth_mm(self, q: Values) -> Floats:
        """The model: depths (draws,) for values (draws,) of every input."""
        drawn = self.pipe.drawn(self._lens(q))
        cut, _ = self.pipe.meet(self.cut_px, drawn)
        mark, _ = self.pipe.meet(self.mark_px, drawn)
        along = sum((q[name] for item in self.beside for name in item.names), np.zeros(1))
        return np.asarray(redraw.row_mean(mark - cut) + along)

    def first_order(self) -> FirstOrder:
        """The same chain by the law of propagation (JCGM 100 clause 5)."""
        return first_order(self.depth_mm, self.inputs())


def _beside(depth: Depth, pose: Pose) -> tuple[Input, ...]:
    """What is put beside the chain, mm along the pipe."""
    floor = redraw.EDGE_FLOOR_PX / pose.px_per_mm / math.cos(math.radians(pose.tilt_deg))

    def ragged(edge: Edge) -> float:
        return edge.sigma_mm / math.sqrt(redraw.independent_rows(edge, pose))

    return (
        Normal("cut edge", 0.0, math.hypot(depth.cut.bias_mm, floor, ragged(depth.cut))),
        Normal("burr", 0.0, depth.burr_mm),
        Normal("mark edge", 0.0, math.hypot(depth.near.bias_mm, floor)),
        Normal("mark ragged", 0.0, ragged(depth.near)),
        Rectangular("mark askew", -0.1 * depth.slant_mm, 0.1 * depth.slant_mm),
    )


def squareness(cut: Edge, pose: Pose, confidence: float) -> Squareness:
    """How far the cut's plane leans from square to the pipe's axis.

    Slant across the view is known as well as the axis' direction in the picture, the lean towards the lens as
    well as its tilt, which is far less.  The interval begins at 0 where the lean can't be told from none.
    """
    radius = pose.pipe.radius_mm
    basis = np.column_stack([np.ones(len(cut.at_mm)), np.sin(cut.angles_rad), np.cos(cut.angles_rad)])
    _, slant, bow = np.linalg.lstsq(basis, cut.at_mm, rcond=None)[0] / radius
    spread = np.linalg.inv(basis.T @ basis + 1e-6 * np.eye(3)) * max(cut.sigma_mm, 0.05) ** 2 * len(cut.at_mm)
    fit = np.diag(spread)[1:] / redraw.independent_rows(cut, pose) / radius**2
    roll_u, tilt_u = (math.sqrt(float(variance) + float(own))
                      for variance, own in zip(pose.pipe.covariance.diagonal()[[1, 0]], fit, strict=True))
    lean = math.hypot(slant, bow)
    u = math.hypot(slant * roll_u, bow * tilt_u) / lean if lean > 0 else max(roll_u, tilt_u)
    low = max(0.0, lean - normal_quantile((1 + confidence) / 2) * u)
    high = _largest_lean((slant, bow), (roll_u, tilt_u), confidence)
    across = Interval(2 * radius * lean, 2 * radius * low, 2 * radius * high, 2 * radius * u)
    angle, least, most, u_deg = (math.degrees(math.atan(value)) for value in (lean, low, high, u))
    return Squareness(angle, least, most, u_deg, across)


def _largest_lean(parts: tuple[float, float], u: tuple[float, float], confidence: float) -> float:
    """The upper end for the length of two parts of which one may be known much worse: from draws of both."""
    draws = Even(0).standard_normal((2, DRAWS)) * np.array(u)[:, None] + np.array(parts)[:, None]
    return float(np.quantile(np.hypot(*draws), (1 + confidence) / 2))
