"""Gap -> Measurement: how far the gap may be off, and what makes it so.

The chain from edges to gap is one model of named inputs.  It is run on draws of all of them (JCGM 101), and
through its tangent for the budget (JCGM 100); `propagation` does both.  Each draw moves the silhouettes, the
diameters, the lens and the edges, solves the pipe again in closed form, and meets it with the rays of the
mouth's and the mark's edges.  Where the lip's contour is what is seen of the mouth, it is carried back to the
mouth for the drawn lip and collar.

The mark's depth itself is held to be as the catalog says, for the installer's tape is not in the photo: the
insertion's interval is that of the gap, widened only where the row states a `mark_tolerance`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry, redraw
from vision.propagation import (
    Draws,
    FirstOrder,
    Input,
    Normal,
    Rectangular,
    conformity_probability,
    first_order,
    monte_carlo,
    normal_quantile,
    truncated_at_zero,
)
from vision.records import Contribution, Edge, Floats, Gap, Interval, Limbs, Measurement, Pose, Refusal
from vision.redraw import Redraw, SidesTooUncertain, Values
from vision.usual import OFF_CENTRE_MM
from vision.wave import HAND_RAD, SEAT_RAD, amplitude_mm

DRAWS = 4000  # the ends of a 95 % interval then scatter by 4 % of u; more would cost more than it tells

LIP_MM = (0.3, 1.6)  # radius of the lip: range seen in the trade (common practice, no source)
# Bare pipe in the lip's shadow may pass for ink: of 598 lines that seemed to touch the mouth (near ones of `stories
# pull`, seeds from 2100000 on) three lay above their intervals with 0.35, none with this, at nine of 557 called full.
SHADOW_MM = 0.5

SHIFTED_MM = 0.35  # by which a dark ring at the mouth may be taken for collar where ink touches it

_EDGES, HAND = ("mouth edge", "mark edge", "mark ragged"), "placed by hand"


def measure(gap: Gap, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting,
            confidence: float = 0.95, seed: int = 0) -> Measurement | Refusal:
    """The gap with its coverage interval, budget and probability of conformity.

    gap: as read; its edges carry pixels of the stored photo, which `camera` took.  The interval never goes
    below 0 and does not narrow there (JCGM 101 clause 9.4 is the pattern).  Where the view leaves the mark's
    place open (`least_mm` to `most_mm`) it may lie anywhere there.  The same seed, the same numbers.
    Refuses with `edges-not-found` where the silhouettes are too uncertain to draw poses from.
    """
    chain = Chain.of(gap, limbs, pose, camera, fitting)
    inputs = chain.inputs()
    try:
        draws = monte_carlo(chain.gap_mm, inputs, DRAWS, seed)
    except SidesTooUncertain:
        return Refusal("uncertainty", "edges-not-found", "the pipe's sides are too uncertain to measure from")
    interval = _interval(draws, chain.open_mm, confidence, gap.touches)
    return Measurement(
        gap=interval,
        insertion=_insertion(interval, fitting, confidence),
        line_width_mm=gap.line_width_mm,
        budget=_budget(first_order(chain.gap_mm, inputs)),
        p_full=conformity_probability(draws, fitting.max_gap_mm, floor=0.0),
        confidence=confidence,
        doubts=gap.doubts,
        wave_mm=wave_of(gap, fitting),
        far=_far(gap, limbs, pose, camera, fitting, confidence) if gap.touches else None,
    )


def wave_of(gap: Gap, fitting: Fitting) -> float:
    """Standard uncertainty, mm, of the wave in which the gap may go round the pipe."""
    return amplitude_mm(fitting.pipe_od_mm / 2, (SEAT_RAD, HAND_RAD), gap.askew_mm, gap.near.angles_rad)


def by_far_edge(gap: Gap) -> Gap | None:
    """The same with the mark's far edge in place of the near one; None where it wasn't read."""
    if gap.far is None or not len(gap.far.at_mm) or gap.line_width_mm is None:
        return None
    back = SHIFTED_MM if gap.touches else gap.most_mm - gap.value_mm
    value = gap.value_mm + gap.line_width_mm
    return replace(gap, near=gap.far, value_mm=value, least_mm=value, most_mm=value + back, touches=False)


def _far(gap: Gap, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting, confidence: float) -> Interval | None:
    """From the mouth to the mark's far edge, by the law of propagation: a width is taken off it that is known to a
    tenth.  What a dark ring may have hidden lies all on one hand of what was read.  None where it can't be told."""
    beyond = by_far_edge(gap)
    if beyond is None:
        return None
    chain = Chain.of(beyond, limbs, pose, camera, fitting)
    try:
        linear, stretch = first_order(chain.gap_mm, chain.inputs()), chain.open_mm[1]
    except SidesTooUncertain:
        return None
    value, rest = linear.value - stretch / 2, math.sqrt(max(0.0, linear.u**2 - stretch**2 / 12))
    reach = normal_quantile((1 + confidence) / 2) * rest
    return Interval(value, value - reach, value + math.hypot(reach, stretch), linear.u)


def _interval(draws: Draws, open_mm: tuple[float, float], confidence: float, touches: bool) -> Interval:
    """Interval from the draws, floored at 0.

    Of what the view leaves open the draws make an even spread, and so the high end is told.  The low end is not: a
    seated joint lies at the very end of the open stretch each time, so the interval holds that end as if the stretch
    were known to begin there.  The value is the middle where ink comes out from under the lip, and what was read where
    the edge stands free.
    """
    stretch = open_mm[1] - open_mm[0]
    span = truncated_at_zero(draws, confidence)
    low = span.low if stretch == 0 else _about_low_end(draws, stretch, confidence)
    read = draws.mean if touches else draws.mean - (open_mm[0] + open_mm[1]) / 2
    value = max(0.0, read)
    return Interval(value, min(low, value), max(span.high, value), draws.u)


def _about_low_end(draws: Draws, stretch: float, confidence: float) -> float:
    rest = math.sqrt(max(0.0, draws.u**2 - stretch**2 / 12))
    return truncated_at_zero((draws.mean - stretch / 2, rest), confidence).low


def _insertion(gap: Interval, fitting: Fitting, confidence: float) -> Interval:
    """Mark depth minus gap; a `mark_tolerance` of the catalog joins in quadrature: it is independent."""
    half = fitting.mark_tolerance_mm or 0.0
    reach = min(normal_quantile((1 + confidence) / 2) / math.sqrt(3), 1.0) * half
    value = fitting.mark_depth_mm - gap.value_mm
    return Interval(value, value - math.hypot(gap.high_mm - gap.value_mm, reach),
                    value + math.hypot(gap.value_mm - gap.low_mm, reach),
                    math.hypot(gap.u_mm, half / math.sqrt(3)))


def _budget(linear: FirstOrder) -> tuple[Contribution, ...]:
    return tuple(Contribution(part.name, part.u, part.share) for part in linear.budget)


@dataclass(frozen=True)
class Chain:
    """From edges to the gap, for any number of draws at once: all that does not change between draws.

    angles_rad: (blocks,) round the pipe, 0 facing the camera, where mouth and mark are compared.
    """

    angles_rad: Floats
    pipe: Redraw
    fitting: Fitting
    mouth_px: Floats
    mark_px: Floats
    u_mm: Mapping[str, float]
    askew_mm: float
    measured_mm: float
    open_mm: tuple[float, float]
    shadow_mm: float

    @classmethod
    def of(cls, gap: Gap, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting) -> Chain:
        """From the records of one photo."""
        angles, mouth_px, mark_px = _edge_points(gap, pose, camera)
        chain = cls(
            angles_rad=angles, pipe=Redraw.of(limbs, pose, camera), fitting=fitting, mouth_px=mouth_px, mark_px=mark_px,
            u_mm=_edge_u(gap, pose), askew_mm=_askew(gap), measured_mm=0.0, open_mm=(0.0, 0.0),
            shadow_mm=SHADOW_MM if gap.touches else 0.0,
        )
        measured = float(chain.gap_mm(chain.estimates())[0])
        return replace(chain, measured_mm=measured, open_mm=_open(gap, measured))

    def inputs(self) -> list[Input]:
        """Every input with what is known of it; one entry is one line of the budget."""
        fitting = self.fitting
        pipe, lens = self.pipe.inputs(fitting)[:3], self.pipe.inputs(fitting)[3:]
        return [
            *pipe,
            redraw.diameter("collar diameter", fitting.collar_od_mm, fitting.collar_od_tolerance_mm),
            Rectangular("lip radius", *LIP_MM),
            Rectangular("pipe off centre", -OFF_CENTRE_MM, OFF_CENTRE_MM),
            *lens,
            *(Normal(name, 0.0, self.u_mm[name]) for name in self._edges()),
            Rectangular("mark askew", -self.askew_mm, self.askew_mm),
            Rectangular("hidden by the lip", *self.open_mm),
            Rectangular("shadow of the lip", -self.shadow_mm, self.shadow_mm),
        ]

    def estimates(self) -> dict[str, Floats]:
        """The best estimate (1,) of every input."""
        return redraw.estimates(self.inputs())

    def _edges(self) -> tuple[str, ...]:
        """What may be wrong with the edges themselves; a hand is named only where there was one."""
        return (*_EDGES, HAND) if self.u_mm[HAND] else _EDGES

    def gap_mm(self, q: Values) -> Floats:
        """The model: gaps (draws,) for values (draws,) of every input; not floored at 0."""
        beside = (q["mark edge"] + q["mark ragged"] + q["mark askew"] + q["hidden by the lip"] + q["shadow of the lip"]
                  + q.get(HAND, 0.0))
        return redraw.row_mean(self.rows_mm(q)) + beside

    def rows_mm(self, q: Values) -> Floats:
        """Mark minus mouth (draws, blocks) at `angles_rad`, before what is put beside the mean; NaN: missed."""
        drawn = self.pipe.drawn(q)
        outer = q["collar diameter"] / 2 - q["pipe off centre"]
        contour, angle = self.pipe.meet(self.mouth_px, drawn)
        distance = np.linalg.norm(drawn.point, axis=-1)[:, None]
        contour = contour + q["mouth edge"][:, None]
        mouth = geometry.mouth_of_contour(contour, angle, distance, drawn.radius_mm[:, None], outer[:, None],
                                          q["lip radius"][:, None])
        mark, _ = self.pipe.meet(self.mark_px, drawn)
        return np.asarray(mark - mouth)


def _edge_points(gap: Gap, pose: Pose, camera: Camera) -> tuple[Floats, Floats, Floats]:
    """Angles, and mouth and mark there, each (BLOCKS, 2) in the stored photo.

    The mark is averaged by blocks of rows.  The mouth is a plane's cut: it is fitted as one, and taken at
    the mark's angles, also where it was not read there.
    """
    mark_at, mark_angle = redraw.on_pipe(_told_by(gap), pose, camera)
    mouth_at, mouth_angle = redraw.on_pipe(gap.mouth, pose, camera)
    angles, along = redraw.blocks(mark_angle, mark_at)
    course = redraw.plane_cut(mouth_angle, mouth_at, angles)
    pipe = pose.pipe
    mouth, mark = (
        geometry.project(geometry.surface(pipe.point_mm, pipe.direction, pipe.radius_mm, at, angles), camera)
        for at in (course, along))
    return angles, mouth, mark


def _told_by(gap: Gap) -> Edge:
    """The part of the near edge that tells the gap: of ink that comes out from under the lip that in front, where the
    lip hides least (the mean over the arc is the same to a tenth of the line's lean).
    """
    near = gap.near
    if not gap.touches:
        return near
    front = geometry.in_front(near.angles_rad)
    return replace(near, angles_rad=near.angles_rad[front], at_mm=near.at_mm[front], points_px=near.points_px[front])


def _edge_u(gap: Gap, pose: Pose) -> dict[str, float]:
    """Standard uncertainties of what is put beside the chain: mm along the pipe."""
    floor = redraw.EDGE_FLOOR_PX / pose.px_per_mm / math.cos(math.radians(pose.tilt_deg))
    mouth_rows = redraw.independent_rows(gap.mouth, pose)
    mark_rows = redraw.independent_rows(_told_by(gap), pose)
    return {
        "mouth edge": math.hypot(gap.mouth.bias_mm, floor, gap.mouth.sigma_mm / math.sqrt(mouth_rows)),
        "mark edge": math.hypot(gap.near.bias_mm, floor),
        "mark ragged": gap.near.sigma_mm / math.sqrt(mark_rows),
        HAND: gap.hand_mm,
    }


def _askew(gap: Gap) -> float:
    """Half width of what an askew mark leaves open: the gap is a mean over the inked arc, and where a fifth
    of that arc is not read at one end, the mean of the rest lies off by a tenth of the whole slant.
    """
    return 0.1 * abs(gap.askew_mm)


def _open(gap: Gap, measured: float) -> tuple[float, float]:
    """What the view leaves open, as offsets from the measured gap.

    Ink that touches the edge of what is seen may end anywhere from `least_mm` up to where it is seen to.
    """
    if gap.touches:
        return min(gap.least_mm - max(measured, 0.0), 0.0), max(gap.most_mm - measured, 0.0)
    return min(gap.least_mm - gap.value_mm, 0.0), max(gap.most_mm - gap.value_mm, 0.0)
