"""Photo -> Sighting: where collar and pipe are, to a few pixels.

The finder looks twice: at the whole photo, small; then at the joint alone, turned so that the pipe runs to
the right and enlarged so that its collar fills about a third of the look.  Where that finds nothing it looks again
at the middle of the photo, and at the photo mirrored and upside down: a joint is one however it is looked at, and
what the finder misses once it often sees then.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import looks, networks
from vision.records import Doubt, Floats, Look, Photo, Refusal, Sighting

_PIPE, _COLLAR, _HARDWARE, _INK, _OVER = (networks.FINDER_CLASSES.index(n) for n in
                                          ("pipe", "collar", "hardware", "ink", "over"))
_CLOSE_COLLAR_PX = (190.0, 110.0)  # collar width in the second look; the other where it fails
_MOST_TURNED = 0.2  # rad: a second look whose joint lies further from its middle axis is taken again
_HIDDEN_SHARE = 0.15  # of the ring round a collar: a hand that covers the pipe takes about a quarter of it
_PLENTY_PX = 60.0  # square root of a collar's area: of a larger one every fourth pixel tells where it lies
_SETTLED_PX = 0.05  # an axis that moves by less, beside the mouth and a collar's size away, is found
_ASIDE = 0.1  # of the pipe's width: once the axis runs about in its middle, no side lies nearer to it
_RIVAL = 0.75  # of the weight of the joint that is meant: another of that much may be meant as well
_INKED_WIDTHS = 1.0  # of the pipe, from the mouth on: where a joint's mark is looked for to tell a collar's ends apart
_SPLIT_WIDTHS = 0.1  # how far before the mouth that may begin
_LEAST_INK_PX, _NO_INK = 20, 0.1  # of a mark that tells them apart; share of it that the other end may show
_LEAST_CONTACT = 0.35  # of the pipe's width: a pipe that touches the collar on less than this is not in it


@dataclass(frozen=True)
class _Rough:
    """A joint in the pixels of a look.

    collar: which of the look's collars is its own.  ink_px: how many pixels of ink lie on the pipe beside the mouth.
    """

    axis: Floats
    mouth: Floats
    pipe_width: float
    collar_width: float
    pipe_reach: float
    collar_reach: float
    score: float
    collar: int = 0
    ink_px: int = 0


@dataclass(frozen=True)
class _Line:
    """A pipe's axis in the pixels of a look, from the middle of its mouth on, and how wide the pipe is."""

    axis: Floats
    mouth: Floats
    width: float = 0.0

    @property
    def across(self) -> Floats:
        """To the axis's one side."""
        return np.array([-self.axis[1], self.axis[0]])

    def along(self, at: Floats) -> Floats:
        """How far beyond the mouth points (n, 2) lie."""
        return np.asarray((at - self.mouth) @ self.axis)

    def beside(self, at: Floats) -> Floats:
        """How far beside the axis they lie."""
        return np.asarray((at - self.mouth) @ self.across)


def locate(photo: Photo) -> Iterator[Sighting | Refusal]:
    """Find the joint that is meant, in one look after another: what one takes for a side the next often does not.

    Each refuses with `no-joint`, `covered` or `collar-cut-off`.
    """
    return looks.found(photo, _seen)


def _seen(photo: Photo, frame: Look) -> Sighting | Refusal:
    """The joint that is meant, as this first look has it."""
    joints = _joints(frame, photo.size_px)
    if not joints:
        return Refusal("locate", _missed(frame, photo.size_px))
    rough, rivals = _meant(joints)
    found = next(filter(None, (_again(photo, frame, rough, width) for width in _CLOSE_COLLAR_PX)), None)
    if found is None:
        return Refusal("locate", "no-joint", "seen from afar, not clear when looked at closely")
    close, joint = found
    if _leaves(photo.size_px, close, joint):
        return Refusal("locate", "collar-cut-off")
    return _sighting(frame, close, joint, rivals)


def _missed(look: Look, size_px: tuple[int, int]) -> str:
    """Why there is no joint to measure although a collar may be in sight: cut off, covered, or neither."""
    over, outside = look.classes == _OVER, ~looks.inside(look, size_px)
    for collar in looks.parts(look.classes == _COLLAR, 400):
        near, far = (_grown(collar, round(share * float(np.sqrt(collar.sum())))) & ~collar for share in (0.05, 0.15))
        if outside[near].any() or _at_border(near):
            return "collar-cut-off"
        if float(over[far].mean()) > _HIDDEN_SHARE:
            return "covered"
    return "no-joint"


def _grown(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    kernel = np.ones((2 * max(4, reach) + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)


def _at_border(mask: NDArray[np.bool_]) -> bool:
    return bool(mask[[0, -1]].any() or mask[:, [0, -1]].any())


def _again(photo: Photo, frame: Look, rough: _Rough, collar_px: float) -> tuple[Look, _Rough] | None:
    """The joint in a closer look, with its collar at that width; None where it is not seen there.

    A look that shows the joint askew is taken once more along the axis that it shows.
    """
    look, seen = frame, rough
    for _ in range(2):
        close = looks.see(photo.pixels, _closer(look, seen, collar_px))
        middle = np.array(networks.FINDER_SIZE_PX) / 2
        near = [joint for joint in _joints(close, photo.size_px) if np.linalg.norm(joint.mouth - middle) < collar_px]
        if not near:
            return None
        look, seen = close, min(near, key=lambda j: float(np.linalg.norm(j.mouth - middle)))
        if abs(float(np.arctan2(seen.axis[1], seen.axis[0]))) < _MOST_TURNED:
            return look, seen
    return None


def _closer(frame: Look, rough: _Rough, collar_px: float) -> Floats:
    """Map for the second look: mouth in the middle, axis to the right, collar at the given width."""
    axis = frame.to_photo[:, :2] @ rough.axis
    axis /= np.linalg.norm(axis)
    mouth = frame.to_photo[:, :2] @ rough.mouth + frame.to_photo[:, 2]
    scale = rough.collar_width * frame.photo_px_per_px / collar_px
    matrix = scale * np.array([[axis[0], -axis[1]], [axis[1], axis[0]]])
    look_w, look_h = networks.FINDER_SIZE_PX
    return np.column_stack([matrix, mouth - matrix @ np.array([(look_w - 1) / 2, (look_h - 1) / 2])])


def _joints(look: Look, size_px: tuple[int, int]) -> list[_Rough]:
    """Every collar with a pipe in it, best first.

    A hand over the pipe cuts its mask in two; pipe and what lies over it are followed together, but only
    pipe counts for its sides.
    """
    pipe = (look.classes == _PIPE) | (look.classes == _INK)
    bodies = looks.parts(pipe | (look.classes == _OVER), 100)
    unknown = (look.classes == _OVER) | ~looks.inside(look, size_px)
    found = []
    for number, collar in enumerate(looks.parts(look.classes == _COLLAR, 60)):
        grown = _grown(collar, round(0.08 * float(np.sqrt(collar.sum()))))
        for body in bodies:
            joint = _measure(look, collar, body & pipe, grown & body, unknown)
            if joint is not None:
                found.append(replace(joint, collar=number, ink_px=_ink_px(joint, body & (look.classes == _INK))))
    return sorted(found, key=lambda j: -j.score * j.collar_width)


def _ink_px(joint: _Rough, ink: NDArray[np.bool_]) -> int:
    """How many of these pixels lie on the joint's pipe, near its mouth."""
    from_mouth = looks.points(ink) - joint.mouth
    along, beside = from_mouth @ joint.axis, from_mouth @ np.array([-joint.axis[1], joint.axis[0]])
    near = (along < _INKED_WIDTHS * joint.pipe_width) & (np.abs(beside) < 0.5 * joint.pipe_width)
    return int(np.count_nonzero(near & (along > -_SPLIT_WIDTHS * joint.pipe_width)))


def _measure(look: Look, collar: NDArray[np.bool_], pipe: NDArray[np.bool_], contact: NDArray[np.bool_],
             unknown: NDArray[np.bool_]) -> _Rough | None:
    """Axis, mouth and widths of one collar with one pipe, or None where the two do not make a joint.

    unknown: what lies over the joint, and what lies outside the photo.
    """
    if np.count_nonzero(contact) < 8 or np.count_nonzero(pipe) < 40:
        return None
    size = float(np.sqrt(np.count_nonzero(collar)))
    every = 2 if size > _PLENTY_PX else 1
    touch, pipe_at, collar_at = looks.points(contact), looks.points(pipe, every), looks.points(collar, every)
    mouth = touch.mean(0)
    near = pipe_at[np.linalg.norm(pipe_at - mouth, axis=1) < 1.6 * size]
    if len(near) < 40 / every**2:
        return None
    line = _between_sides(_Line(looks.unit(near.mean(0) - collar_at.mean(0)), mouth), pipe, unknown, size)
    if line is None or line.width < 8 or np.ptp(touch @ line.across) < _LEAST_CONTACT * line.width:
        return None
    line = _from_mouth(line, collar_at, near)
    if line is None:
        return None
    around = looks.points(looks.rim(collar))
    collar_width = _width(line.along(around), line.beside(around), line.width)
    if collar_width is None or not 0.85 < collar_width / line.width < 2.0:
        return None
    return _Rough(line.axis, line.mouth, line.width, collar_width, float(np.quantile(line.along(pipe_at), 0.98)),
                  float(-np.quantile(line.along(collar_at), 0.02)), _score(look, contact & ~unknown))


def _between_sides(line: _Line, pipe: NDArray[np.bool_], unknown: NDArray[np.bool_], size: float) -> _Line | None:
    """The axis turned and moved until it runs in the middle between the pipe's sides; size: of the collar, pixels."""
    edge = looks.points(looks.rim(pipe))
    edge = edge[np.linalg.norm(edge - line.mouth, axis=1) < 1.6 * size]
    least = -np.inf
    for _ in range(4):
        sides = looks.sides(edge, unknown, line.mouth, line.axis, least)
        if sides is None:
            return None
        across, aside = line.across, (sides.left + sides.right) / 2
        line = _Line(looks.unit(line.axis + sides.slope * across), line.mouth + across * aside,
                     float(sides.right - sides.left))
        least = _ASIDE * line.width
        if abs(aside) < _SETTLED_PX and abs(sides.slope) * size < _SETTLED_PX:
            break
    return line


def _from_mouth(line: _Line, collar_at: Floats, pipe_at: Floats) -> _Line | None:
    """The axis from where collar turns into pipe; None where there is too little of either along it."""
    lanes = [line.along(at)[np.abs(line.beside(at)) < 0.35 * line.width] for at in (collar_at, pipe_at)]
    if min(len(lane) for lane in lanes) < 5:
        return None
    return replace(line, mouth=line.mouth + line.axis * _step(*lanes))


def _score(look: Look, contact: NDArray[np.bool_]) -> float:
    """How sure the finder is of pipe and collar where they meet."""
    return float(look.shares[:, contact][[_PIPE, _COLLAR, _INK]].max(0).mean()) if contact.any() else 0.0


def _width(along: Floats, beside: Floats, pipe_width: float) -> float | None:
    """Median width of the collar just behind its mouth."""
    band = (along < -0.03 * pipe_width) & (along > -0.5 * pipe_width)
    if band.sum() < 20:
        return None
    place, inside = np.round(along[band]).astype(int), beside[band]
    place -= place.min()
    high, low = (np.full(int(place.max()) + 1, side) for side in (-np.inf, np.inf))
    np.maximum.at(high, place, inside)
    np.minimum.at(low, place, inside)
    return float(np.median((high - low)[np.isfinite(high)]) + 1)


def _step(collar_along: Floats, pipe_along: Floats) -> float:
    """Where along the axis collar turns into pipe: the split that leaves the fewest on the wrong side."""
    low = min(float(collar_along.min()), float(pipe_along.min()))
    high = max(float(collar_along.max()), float(pipe_along.max()))
    edges = np.arange(np.floor(low), np.ceil(high) + 1)
    collar = np.histogram(collar_along, edges)[0]
    pipe = np.histogram(pipe_along, edges)[0]
    wrong = np.concatenate([[0], np.cumsum(pipe)]) + collar.sum() - np.concatenate([[0], np.cumsum(collar)])
    return float(edges[int(np.argmin(wrong))])


def _meant(joints: list[_Rough]) -> tuple[_Rough, tuple[Doubt, ...]]:
    """The joint that is meant: the largest near the middle; a rival of like size is said.

    Of a collar that holds a pipe at either end the marked end is meant, where only one is marked.
    """
    middle = np.array(networks.FINDER_SIZE_PX) / 2

    def weight(joint: _Rough) -> float:
        far = min(1.4, float(np.linalg.norm((joint.mouth - middle) / middle)))
        return joint.score * joint.collar_width * (1.3 - 0.5 * far)

    first = max(joints, key=weight)
    marked = _marked_end(first, joints)
    meant = marked or first
    rivals = [joint for joint in joints if joint is not meant and weight(joint) > _RIVAL * weight(meant)
              and np.linalg.norm(joint.mouth - meant.mouth) > meant.collar_width]
    if any(joint.collar != meant.collar or marked is None for joint in rivals):
        return meant, (Doubt("several-joints"),)
    return meant, (Doubt("other-end"),) if rivals else ()


def _marked_end(joint: _Rough, joints: list[_Rough]) -> _Rough | None:
    """Of both ends of a joint's collar the one with ink on its pipe; None where it has one end, or both or none show
    ink."""
    ends = [joint, *(other for other in joints if other.collar == joint.collar and other.axis @ joint.axis < 0)]
    marked = max(ends, key=lambda end: end.ink_px)
    bare = all(end.ink_px <= _NO_INK * marked.ink_px for end in ends if end is not marked)
    return marked if len(ends) > 1 and bare and marked.ink_px >= _LEAST_INK_PX else None


def _leaves(size_px: tuple[int, int], look: Look, joint: _Rough) -> bool:
    """Whether the collar's mouth, or the collar just behind it, lies at or past the photo's border."""
    across = np.array([-joint.axis[1], joint.axis[0]])
    half = 0.5 * joint.collar_width
    corners = [joint.mouth + s * half * across + a * joint.collar_width * joint.axis
               for s in (-1, 1) for a in (-0.12, 0.05)]
    at = np.array(corners) @ look.to_photo[:, :2].T + look.to_photo[:, 2]
    return bool((at < 1).any() or (at > np.array(size_px) - 2).any())


def _sighting(frame: Look, close: Look, joint: _Rough, doubts: tuple[Doubt, ...]) -> Sighting:
    scale = close.photo_px_per_px
    axis = close.to_photo[:, :2] @ joint.axis
    return Sighting(
        frame, close, axis / np.linalg.norm(axis),
        close.to_photo[:, :2] @ joint.mouth + close.to_photo[:, 2],
        joint.pipe_width * scale, joint.collar_width * scale,
        joint.pipe_reach * scale, joint.collar_reach * scale, joint.score, doubts,
    )
