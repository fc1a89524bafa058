"""Pose -> Pose: turn the axis until the mouth lies square on the flat strip.

Silhouettes say little about tilt where the pipe bends or a hand hides a side.  The mouth says much: it is cut
square to the axis, so on the strip of a right pose it is an upright line, or the curve that the lip's contour
makes.  An axis that is turned in the picture shows as a slant of that line, one that is tilted as a bow.
Both readings are weighed by their uncertainties; the joint's mouth stays where it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.fittings import Fitting
from vision import geometry, mouth, networks
from vision.mouth import Border
from vision.records import Axis, Edge, Floats, Gauge, Limb, Limbs, Look, Pose, Refusal, Strip
from vision.usual import HELD_U_RAD

CUT_U_RAD = math.radians(0.7)  # how square a mouth stands to the pipe in it (common practice, no source)
HAND_U_RAD = math.radians(1.2)  # how square lines are drawn round pipes by hand (common practice, no source)
END_U_RAD = math.radians(2.5)  # how square pipes are cut; an end whose bore passes for pipe is bent by far more
BEND_U_RAD = math.radians(1.2)  # how far silhouettes may lean from the axis at the mouth: bends, hidden sides
_TOGETHER = 12.0  # neighbouring rows err together: so many count as one
_SOFTEST_MM = 1.0  # a soft reading still tells a bow of several millimetres
LOOK_U_RAD = math.radians(2.5)  # of the finder's border, by how coarse its masks are; a guess, not measured
_LOOK_FROM_RAD, _LOOK_LEAST = math.radians(60), 25  # its border is met so far round the pipe, in so many pixels
_PIPE, _COLLAR, _INK = (networks.FINDER_CLASSES.index(name) for name in ("pipe", "collar", "ink"))
_BESIDE_MM = 2.0  # a cut nearer than this to where the strip takes it to be is near enough
# Of the half width: sides that the gauge doubts so much tell no scale.  Of 500 depths four were told from such sides,
# two of them off by 16 and 2 mm.
MOST_OFF = 0.04
# Sides that are known are seldom turned at all.  Of 24 pipes that were so far, 14 had a depth that was off by more than
# 0.6 mm, for one of their sides was hidden (DEVELOPERS.md, "The sides").
MOST_TURN_RAD = math.radians(2.0)
_ENOUGH_RAD = math.radians(1.6)  # a mouth that asks for less does not contradict the silhouettes
# Where silhouettes know the tilt to no better than that, a mouth that leaves less than this share of it open tells it
# anew.  Of 283 such joints the tilt is off by 0.6 to 0.8 degrees after the turn (standard deviation), whether it was
# known to two before or to ten.
_SHARPER = 0.7


def square(strip: Strip, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting,
           look: Look) -> tuple[Limbs, Pose] | None:
    """Limbs and pose with the mouth square on the strip; None where they are so already, or no mouth is seen.

    look: the finder's close one, asked where the strip shows no mouth that its reader knows.
    """
    found = _seen_border(strip, pose, fitting)
    turn = turn_by_look(look, pose, camera) if found is None else turn_of(found, strip.angles_rad, pose)
    return turned(limbs, pose, turn, camera) if turn is not None and turn.matters else None


def told_by_mouth(strip: Strip, limbs: Limbs, pose: Pose, camera: Camera, fitting: Fitting) -> tuple[Limbs, Pose]:
    """Limbs and pose with the tilt that silhouettes, lens and the mouth on the squared strip tell together.

    What the lens leaves open is how far its axis lies off the picture's middle: the silhouettes turn with it, the mouth
    does not.  As they are where the strip shows no mouth that its reader knows.
    """
    found = _seen_border(strip, pose, fitting)
    if found is None:
        return limbs, pose
    asked, u = _asked(found.rough_mm[found.rows], strip.angles_rad[found.rows], pose.pipe.radius_mm)
    by_mouth = float(u[2]) ** 2 + CUT_U_RAD**2
    by_sides = float(pose.pipe.covariance[0, 0]) + (camera.u_centre_px / camera.focal_px) ** 2
    share = by_sides / (by_sides + by_mouth)
    turn = Turn(0.0, share * float(asked[2]), math.sqrt(share * by_mouth))
    better = None if turn.matters else turned(limbs, pose, turn, camera)
    return (better[0], replace(better[1], by_mouth=True)) if better else (limbs, pose)


def _seen_border(strip: Strip, pose: Pose, fitting: Fitting) -> Border | None:
    return mouth.find_border(strip, networks.read(strip.pixels), pose, fitting.collar_od_mm / 2, _SOFTEST_MM)


def settle(limbs: Limbs, pose: Pose, camera: Camera) -> tuple[Limbs, Pose] | None:
    """Pose with a tilt that silhouettes hardly know drawn towards square, as people hold a phone.

    A side that a hand hides can make the cylinder lean by tens of degrees; the mouth can't be read on such a
    strip.  None where the silhouettes are sure of the tilt.
    """
    variance = float(pose.pipe.covariance[0, 0])
    share = variance / (variance + HELD_U_RAD**2)
    if share < 0.02:
        return None
    lean = math.radians(pose.tilt_deg)
    return turned(limbs, pose, Turn(0.0, share * lean, math.sqrt(share) * HELD_U_RAD), camera)


def square_on(limbs: Limbs, pose: Pose, camera: Camera) -> tuple[Limbs, Pose] | None:
    """Pose as if the phone had been held square to the pipe, for where nothing can be read at the tilt that
    silhouettes claim: something else may have passed for a side.  None where they claim no more than is usual.
    """
    lean = math.radians(pose.tilt_deg)
    return turned(limbs, pose, Turn(0.0, lean, HELD_U_RAD), camera) if abs(lean) > HELD_U_RAD else None


def borne_out(before: Pose, after: Pose, gauge: Gauge, closely: bool) -> Pose | Refusal:
    """The pose of a bare pipe after its turns, refused where something else may have passed for one of its sides.

    A close look knows one of them not (closely: whether it knows both), or cut and mark contradict what the sides said
    of the axis (before: by the silhouettes alone), or the gauge doubts the sides.  A bare pipe has no second diameter
    to tell that its width, and so the scale, is wrong.
    """
    if not closely:
        return Refusal("square", "edges-not-found", "a side of the pipe, looked at closely")
    turn = math.acos(min(1.0, float(before.pipe.direction @ after.pipe.direction)))
    if turn > MOST_TURN_RAD:
        return Refusal("square", "edges-not-found",
                       f"the cut stands {math.degrees(turn):.0f} degrees from square to the sides")
    off = float(max(*np.abs(gauge.sides - np.array([-1, 1])), *gauge.u))
    if off > MOST_OFF:
        return Refusal("square", "edges-not-found", f"the pipe's sides, doubtful by {50 * off:.0f} % of its width")
    return after


@dataclass(frozen=True)
class Turn:
    """By how much the axis is to be turned: in the picture, and away from the lens; rad.

    left_rad: what is then still uncertain of the tilt.  before_rad: what was until then.
    """

    roll_rad: float
    tilt_rad: float
    left_rad: float
    before_rad: float = 0.0

    @property
    def matters(self) -> bool:
        """Whether the mouth contradicts the silhouettes, or knows what they hardly do, so that the strip has to be laid
        out anew."""
        sharper = self.before_rad > _ENOUGH_RAD and self.left_rad < _SHARPER * self.before_rad
        return sharper or math.hypot(self.roll_rad, self.tilt_rad) > _ENOUGH_RAD


def turn_of(seen: Border, angles_rad: Floats, pose: Pose) -> Turn:
    """The turn that the mouth's course on the strip asks for, weighed against what silhouettes said."""
    asked, u = _asked(seen.rough_mm[seen.rows], angles_rad[seen.rows], pose.pipe.radius_mm)
    return _against_limbs(asked, u, CUT_U_RAD, pose)


def turn_by_look(look: Look, pose: Pose, camera: Camera) -> Turn | None:
    """The turn that the border of collar and pipe asks for as the finder sees it; None where it sees too little of it.

    A side taken for another can make the axis lean by tens of degrees.  On such a strip the mouth is a bow so deep that
    no reader knows it; in the photo it looks as ever.
    """
    pipe = np.isin(look.classes, (_PIPE, _INK)).astype(np.uint8)
    y, x = np.nonzero((cv2.dilate(pipe, np.ones((3, 3), np.uint8)) > 0) & (look.classes == _COLLAR))
    points: Floats = np.column_stack([x, y, np.ones(len(x))]).astype(np.float64) @ look.to_photo.T
    along, angles = geometry.meet_cylinder_px(points, pose.pipe, pose.pipe.radius_mm, camera)
    kept = np.isfinite(along) & (np.abs(angles) < _LOOK_FROM_RAD)
    if kept.sum() < _LOOK_LEAST or np.ptp(angles[kept]) < _LOOK_FROM_RAD:
        return None
    asked, u = _asked(along[kept] - pose.mouth_mm, angles[kept], pose.pipe.radius_mm)
    return _against_limbs(asked, u, LOOK_U_RAD, pose)


def level(edges: Sequence[Edge], limbs: Limbs, pose: Pose, camera: Camera) -> tuple[Limbs, Pose] | None:
    """Limbs and pose of a bare pipe, turned until its cut and its mark lie as square on the strip as both allow.

    edges: the cut and, where there is one, the mark; each was made by hand, so that neither is trusted alone.
    None where they are so already, and the strip begins near the cut.
    """
    beside = float(np.median(edges[0].at_mm))
    turns = [_asked(edge.at_mm, edge.angles_rad, pose.pipe.radius_mm) for edge in edges]
    made = [END_U_RAD, *[HAND_U_RAD] * (len(edges) - 1)]
    weights = [1 / (u**2 + by_hand**2) for (_, u), by_hand in zip(turns, made, strict=True)]
    total = np.sum(weights, axis=0)
    asked = np.sum([weight * turn for weight, (turn, _) in zip(weights, turns, strict=True)], axis=0) / total
    turn = _against_limbs(asked, 1 / np.sqrt(total), 0.0, pose)
    if not turn.matters and abs(beside) < _BESIDE_MM:
        return None
    return turned(limbs, replace(pose, mouth_mm=pose.mouth_mm + beside), turn, camera)


def _asked(values_mm: Floats, angles_rad: Floats, radius_mm: float) -> tuple[Floats, Floats]:
    """What a plane's cut through the pipe asks for, (offset, roll, tilt), and its standard uncertainty, rad."""
    basis = np.column_stack([np.ones(len(values_mm)), np.sin(angles_rad), np.cos(angles_rad)])
    weight: Floats = np.ones(len(values_mm))
    fit: Floats = np.zeros(3)
    rest = values_mm
    for _ in range(8):
        fit = np.asarray(np.linalg.lstsq(basis * weight[:, None], values_mm * weight, rcond=None)[0])
        rest = values_mm - basis @ fit
        weight = 1 / np.sqrt(1 + (rest / max(0.1, 2 * float(np.median(np.abs(rest))))) ** 2)
    noise = max(0.05, 1.483 * float(np.median(np.abs(rest))))
    spread = np.linalg.inv(basis.T @ basis + 1e-6 * np.eye(3)) * noise**2 * _TOGETHER
    return fit / radius_mm, np.sqrt(np.diag(spread)) / radius_mm


def _against_limbs(asked: Floats, u: Floats, made_u_rad: float, pose: Pose) -> Turn:
    """made_u_rad: how square what asks was made."""
    by_limbs = pose.pipe.covariance
    roll, _ = _weighed(float(asked[1]), math.hypot(float(u[1]), made_u_rad), float(by_limbs[1, 1]))
    tilt, left = _weighed(float(asked[2]), math.hypot(float(u[2]), made_u_rad), float(by_limbs[0, 0]))
    return Turn(roll, tilt, left, math.sqrt(float(by_limbs[0, 0])))


def _weighed(asked: float, u: float, variance: float) -> tuple[float, float]:
    """The turn to make, and the standard uncertainty that is left.

    A mouth that contradicts the silhouettes by more than both allow wins over them: they then belong to a
    bend or to something else.
    """
    by_mouth, by_limbs = u**2, variance + BEND_U_RAD**2
    share = by_limbs / (by_limbs + by_mouth)
    if asked**2 > 4 * (by_mouth + by_limbs):
        share = 1.0
    return share * asked, math.sqrt(share * by_mouth)


def turned(limbs: Limbs, pose: Pose, turn: Turn, camera: Camera) -> tuple[Limbs, Pose] | None:
    """Limbs and pose of the axis turned about the mouth's middle; what is seen of the mouth stays where it is seen.

    None where the pipe would come to lie about the lens: what asks for such a turn is no mouth.
    """
    old = pose.pipe
    point, u, v = geometry.frame(old.point_mm, old.direction)
    middle = point + pose.mouth_mm * old.direction
    direction = geometry.unit(old.direction - math.tan(turn.roll_rad) * v + math.tan(turn.tilt_rad) * u)
    scale = np.ones(4)
    scale[0] = turn.left_rad / max(math.sqrt(float(old.covariance[0, 0])), 1e-9)
    covariance = old.covariance * np.outer(scale, scale)
    axis = Axis(middle - (middle @ direction) * direction, direction, old.radius_mm, covariance)
    if np.linalg.norm(axis.point_mm) <= old.radius_mm:
        return None
    mouth = _seen_again(old, axis, pose.mouth_mm, camera)
    lines = geometry.limb_lines(axis.point_mm, direction, old.radius_mm, geometry.camera_matrix(camera))
    first, second = _matched(limbs.pipe, lines)
    pipe = (_moved(limbs.pipe[0], first, old, turn), _moved(limbs.pipe[1], second, old, turn))
    near = geometry.surface(axis.point_mm, direction, old.radius_mm, np.array(mouth), np.array(0.0))
    return (replace(limbs, pipe=pipe),
            replace(pose, pipe=axis, mouth_mm=mouth, distance_mm=float(np.linalg.norm(near)),
                    tilt_deg=math.degrees(math.atan2(-mouth, float(np.linalg.norm(axis.point_mm))))))


def _seen_again(old: Axis, new: Axis, mouth_mm: float, camera: Camera) -> float:
    """Axial place on the new pipe of the pixel that showed the old one's mouth.

    The middle of the mouth is never seen: turned about it by ten degrees, a pipe's face moves by a sixth of its radius.
    """
    front = geometry.cylinder_px(old, np.array([mouth_mm]), np.zeros(1), camera).reshape(1, 2)
    along, _ = geometry.meet_cylinder_px(front, new, new.radius_mm, camera)
    return float(along[0])


def _matched(limbs: tuple[Limb, Limb], lines: Floats) -> tuple[Floats, Floats]:
    """The two new lines in the order of the old ones."""
    first, second = lines
    return (first, second) if limbs[0].line[:2] @ first[:2] > 0 else (second, first)


def _moved(limb: Limb, line: Floats, axis: Axis, turn: Turn) -> Limb:
    """A limb on its new line; its angle is known as well as the mouth made it."""
    shrink = min(1.0, turn.left_rad**2 / max(float(axis.covariance[0, 0]), 1e-12))
    covariance = limb.covariance * np.array([[shrink, math.sqrt(shrink)], [math.sqrt(shrink), 1.0]])
    return replace(limb, line=line, covariance=covariance)
