"""Photo -> Sighting of a bare pipe's cut end: where it is and which way the pipe runs, to a few pixels.

As for a joint there are two looks: the finder's at the whole photo, then the spotter's at the end alone, turned so
that the pipe runs to the right.  Whether a collar sits on it the first tells, the spotter knows none.  What stands in
for the mouth is the cut's edge on the side that faces the lens.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision import looks, networks
from vision.records import Floats, Look, Photo, Refusal, Sighting

_PIPE, _COLLAR, _HARDWARE, _INK, _OVER = (
    networks.FINDER_CLASSES.index(name) for name in ("pipe", "collar", "hardware", "ink", "over"))
_LEAST_PX = 400  # of a look, that a pipe worth measuring covers
_CLOSE_PIPE_PX = (170.0, 110.0)  # its width in the second look; the other where it fails
_END_AT = (0.3, 0.5)  # where the second look has the end: two and a half widths of pipe lie beyond it
_WAYS = 12  # directions tried as the axis, over half a turn
_NEAR_WIDTHS = 2.5  # how far from its end the pipe is followed
_SIDE_ROOM = 1.25  # of the pipe's width: how far beside the axis its sides are looked for
_LANE = 0.15  # of the width, about the middle: there the cut's edge stands out furthest
_BODY = 0.12  # of the width: what is shorter along the axis is a speck
_FREE = 0.6  # of an end's border must be ground in sight, else it is no end but a hand or the photo's border
_COLLARED = 0.25  # of the squared width: a patch of collar as large as this sits on the end
_PATCH, _OVERLAP = 1.5, 0.1  # of the width: how far from the end a patch goes on, and how far back it may begin
_SAME_WAY = 0.7  # cosine between two directions that are one
_STATION_PX, _LEAST_STATIONS = 3, 4  # along the axis, where widths are compared, and how many tell something
_BEFORE = 0.6  # of the width: how far before the end they begin, for a patch may stand out
_HIDDEN = 0.02  # of a station that something covers tells no width
# By how much of its width what passes for a collar on a bare pipe seems wider than it: collars are by more, and of what
# seems far narrower too little is seen.
_LEAST_STEP, _MOST_STEP = -0.2, 0.03
_LEAST_PATCH_PX = 40  # of collar: of fewer no width can be told


@dataclass(frozen=True)
class _Rough:
    """A pipe's end in the pixels of a look: its axis runs from the end into the pipe."""

    axis: Floats
    end: Floats
    width: float
    reach: float
    free: float
    collared: bool
    score: float


def find_end(photo: Photo) -> Iterator[Sighting | Refusal]:
    """Find the bare pipe end that is meant, the widest, nearest to the middle, in one look after another.

    Each refuses with `no-pipe`, `not-bare` or `end-cut-off`; after `not-bare` it isn't looked again.
    """
    return looks.found(photo, _seen, final="not-bare")


def _seen(photo: Photo, frame: Look) -> Sighting | Refusal:
    """The end that is meant, as this first look has it."""
    rough = _meant(_ends(frame, photo.size_px))
    if rough is None or rough.collared:
        misled = _as_if_bare(photo, frame, rough)
        if misled is None:
            return Refusal("end", "not-bare" if rough else "no-pipe")
        return misled
    found = _closely(photo, frame, rough)
    if found is None:
        return Refusal("end", "no-pipe", "seen from afar, not clear when looked at closely")
    close, seen = found
    if seen.free < _FREE:
        return Refusal("end", "end-cut-off")
    return _sighting(frame, close, seen)


def _as_if_bare(photo: Photo, frame: Look, rough: _Rough | None) -> Sighting | None:
    """The end of what passes for a collar or hardware, if the spotter sees a bare pipe's there and nothing sits on it.

    rough: the end with the collar, or None where the finder saw no pipe at all.
    """
    ends = _ends_of(_as_pipe(frame, np.isin(frame.classes, (_COLLAR, _HARDWARE))), photo.size_px)
    if rough is not None:
        ends = [end for end in ends if end.axis @ rough.axis > _SAME_WAY
                and np.linalg.norm(end.end - rough.end) < _PATCH * max(end.width, rough.width)]
    meant = _meant(ends)
    found = meant and _closely(photo, frame, meant)
    if not found or found[1].free < _FREE:
        return None
    sighting = _sighting(frame, *found)
    step = _step(frame, sighting)
    bare = step is not None and _LEAST_STEP < step < _MOST_STEP
    return sighting if bare or (rough is None and step is None) else None


def _step(frame: Look, seen: Sighting) -> float | None:
    """How much wider what passes for a collar is than the pipe beyond it, as a share; None where too little of one is
    seen to tell.

    The pipe's width is followed to the collar as it grows or shrinks along the axis: the nearer, the wider.
    """
    scale, height, width = frame.photo_px_per_px, *frame.classes.shape
    turn = frame.to_photo[:, :2] / scale
    axis, end = seen.axis_px @ turn, (seen.mouth_px - frame.to_photo[:, 2]) @ turn / scale
    y, x = np.mgrid[:height, :width] - end[::-1, None, None]
    along, beside = x * axis[0] + y * axis[1], y * axis[0] - x * axis[1]
    wide = seen.pipe_width_px / scale
    pipe: list[tuple[float, float]] = []
    collar: list[tuple[float, float]] = []
    for first in np.arange(-_BEFORE * wide, _NEAR_WIDTHS * wide, _STATION_PX):
        here = (along >= first) & (along < first + _STATION_PX) & (np.abs(beside) < wide)
        solid = here & np.isin(frame.classes, (_PIPE, _COLLAR, _INK))
        if not solid.any() or (frame.classes[here] == _OVER).mean() > _HIDDEN:
            continue
        share = float((frame.classes[solid] == _COLLAR).mean())
        if share > 0.7 or share < 0.1:
            (collar if share > 0.7 else pipe).append((first, float(np.ptp(np.quantile(beside[solid], [0.01, 0.99])))))
    if min(len(pipe), len(collar)) < _LEAST_STATIONS:
        return None
    at, across = np.array([each for each in pipe if each[0] < pipe[0][0] + wide]).T
    course = np.polyfit(at, across, int(len(at) >= 2 * _LEAST_STATIONS))
    return float(np.median([each / np.polyval(course, first) for first, each in collar])) - 1


def _closely(photo: Photo, frame: Look, rough: _Rough) -> tuple[Look, _Rough] | None:
    """The end in closer looks, the nearest that shows it."""
    return next(filter(None, (_again(photo, frame, rough, width) for width in _CLOSE_PIPE_PX)), None)


def _again(photo: Photo, frame: Look, rough: _Rough, width_px: float) -> tuple[Look, _Rough] | None:
    """The end in a closer look, and in another along the axis that the first shows; None where it isn't seen there."""
    look, seen = frame, rough
    there = np.array(networks.FINDER_SIZE_PX) * _END_AT
    for _ in range(2):
        look = looks.see(photo.pixels, _closer(look, seen, width_px), networks.spot)
        near = [end for end in _ends(look, photo.size_px) if np.linalg.norm(end.end - there) < width_px]
        if not near:
            return None
        seen = min(near, key=lambda end: float(np.linalg.norm(end.end - there)))
    return look, seen


def _ends(look: Look, size_px: tuple[int, int]) -> list[_Rough]:
    """Both ends of every pipe in a look; what passes for a collar but is no wider than its pipe is more of it.

    Between mark and cut a pipe looks like a collar on it: the finder has seen many joints and few pipes alone.
    """
    ends = _ends_of(look, size_px)
    more = np.zeros(look.classes.shape, bool)
    for end in ends:
        if end.collared:
            more |= _more_pipe(look, end)
    return _ends_of(_as_pipe(look, more), size_px) if more.any() else ends


def _more_pipe(look: Look, end: _Rough) -> NDArray[np.bool_]:
    """The patch of collar on an end, with its ink, if it is no wider than the pipe; else nothing."""
    height, width = look.classes.shape
    y, x = np.ogrid[:height, :width]
    (run_x, run_y), (left, top) = end.axis, end.end
    along, beside = (x - left) * run_x + (y - top) * run_y, (y - top) * run_x - (x - left) * run_y
    patch = np.isin(look.classes, (_COLLAR, _INK)) & (np.abs(along) < _PATCH * end.width) & (
        np.abs(beside) < end.width)
    sits = beside[patch & (look.classes == _COLLAR) & (along < _OVERLAP * end.width)]
    if len(sits) < _LEAST_PATCH_PX or np.ptp(np.quantile(sits, [0.01, 0.99])) > end.width + 1:
        return np.zeros_like(patch)
    return np.asarray(patch, bool)


def _as_pipe(look: Look, where: NDArray[np.bool_]) -> Look:
    """The look with pipe there."""
    classes, shares = look.classes.copy(), look.shares.copy()
    classes[where] = _PIPE
    shares[_PIPE][where] = shares[:, where].max(0)
    return replace(look, classes=classes, shares=shares)


def _ends_of(look: Look, size_px: tuple[int, int]) -> list[_Rough]:
    """Both ends of every pipe by a look's own classes."""
    pipe = np.isin(look.classes, (_PIPE, _INK))
    over = look.classes == _OVER
    outside = ~looks.inside(look, size_px)
    found = []
    for body in looks.parts(pipe | over, _LEAST_PX):
        mask = body & pipe
        axis = _axis(mask, over | outside) if mask.sum() >= _LEAST_PX else None
        if axis is not None:
            found += [end for way in (axis, -axis) if (end := _end(look, mask, way, over, outside)) is not None]
    return found


def _axis(mask: NDArray[np.bool_], unknown: NDArray[np.bool_]) -> Floats | None:
    """The direction along which both borders of a mask run straightest; None where none fits."""
    at = looks.points(mask)[::3]
    middle = at.mean(0)
    best, answer = 0.0, None
    for angle in np.arange(_WAYS) * np.pi / _WAYS:
        axis = np.array([np.cos(angle), np.sin(angle)])
        straight = _straightness(at, middle, axis)
        if straight > best:
            best, answer = straight, axis
    if answer is None:
        return None
    for _ in range(4):
        sides = looks.sides(looks.points(mask), unknown, middle, answer)
        if sides is None:
            return None
        across = np.array([-answer[1], answer[0]])
        answer = looks.unit(answer + sides.slope * across)
    return answer


def _straightness(at: Floats, middle: Floats, axis: Floats) -> float:
    """Share of a mask's stations along an axis whose width is the usual one, times how far it goes on."""
    across = np.array([-axis[1], axis[0]])
    along, beside = np.round((at - middle) @ axis / 4).astype(int), (at - middle) @ across
    first = int(along.min())
    high, low = np.full(int(np.ptp(along)) + 1, -np.inf), np.full(int(np.ptp(along)) + 1, np.inf)
    np.maximum.at(high, along - first, beside)
    np.minimum.at(low, along - first, beside)
    width = (high - low)[np.isfinite(high)]
    usual = float(np.median(width))
    return float((np.abs(width - usual) < 0.08 * usual + 2).mean() * np.sqrt(len(width) * 4 / max(usual, 8.0)))


def _end(look: Look, mask: NDArray[np.bool_], axis: Floats, over: NDArray[np.bool_],
         outside: NDArray[np.bool_]) -> _Rough | None:
    """The end of a pipe against `axis`, or None where its sides can't be followed there."""
    at = looks.points(mask)
    end = at[((at - at.mean(0)) @ axis).argmin()]
    width = float(np.sqrt(mask.sum()))
    for _ in range(4):
        near = at[(at - end) @ axis < _NEAR_WIDTHS * width]
        sides = looks.sides(near, over | outside, end, axis)
        if sides is None or sides.right - sides.left < 8:
            return None
        across = np.array([-axis[1], axis[0]])
        end = end + across * (sides.left + sides.right) / 2
        axis = looks.unit(axis + sides.slope * across)
        width = sides.right - sides.left
        end = end + axis * _first(at, end, axis, width)
    at_end, of_pipe = at[np.linalg.norm(at - end, axis=1) < width], at[(at - end) @ axis < _NEAR_WIDTHS * width]
    if len(of_pipe) < 40:
        return None
    patch = (look.classes == _COLLAR) & _disc(look, end, width)
    return _Rough(axis, end, width, float(np.quantile((at - end) @ axis, 0.98)),
                  _free(end, axis, width, over | outside), bool(patch.sum() > _COLLARED * width**2),
                  float(look.shares[[_PIPE, _INK]].max(0)[at_end[:, 1].astype(int), at_end[:, 0].astype(int)].mean())
                  if len(at_end) else 0.0)


def _first(at: Floats, end: Floats, axis: Floats, width: float) -> float:
    """Where along the axis the pipe begins in its middle lane; specks before it don't count."""
    across = np.array([-axis[1], axis[0]])
    along = ((at - end) @ axis)[np.abs((at - end) @ across) < _LANE * width]
    if len(along) < 10:
        return 0.0
    bins = np.bincount(np.maximum(0, np.round(along - along.min()).astype(int)))
    filled = bins > 0.5 * 2 * _LANE * width
    run = max(3, round(_BODY * width))
    solid = np.convolve(filled, np.ones(run), "valid") >= 0.8 * run
    return float(along.min() + solid.argmax() - 0.5) if solid.any() else float(along.min() - 0.5)


def _disc(look: Look, centre: Floats, radius: float) -> NDArray[np.bool_]:
    height, width = look.classes.shape
    y, x = np.ogrid[:height, :width]
    return np.asarray((x - centre[0]) ** 2 + (y - centre[1]) ** 2 < radius**2)


def _free(end: Floats, axis: Floats, width: float, unknown: NDArray[np.bool_]) -> float:
    """Share of the ground just before an end that is in sight: neither past the photo's border nor covered."""
    across = np.array([-axis[1], axis[0]])
    beside, before = np.meshgrid(np.linspace(-0.45, 0.45, 25), np.linspace(-0.2, 0.05, 6))
    points = np.round(end + width * (beside[..., None] * across + before[..., None] * axis)).astype(int)
    size = np.array(unknown.shape[::-1])
    inside = ((points >= 0) & (points < size)).all(-1)
    x, y = np.moveaxis(np.clip(points, 0, size - 1), -1, 0)
    return float((inside & ~unknown[y, x]).mean())


def _meant(ends: list[_Rough]) -> _Rough | None:
    """The end that is meant: free, wide, near the middle.  A collared or hidden one only where there is no other."""
    middle = np.array(networks.FINDER_SIZE_PX) / 2

    def weight(end: _Rough) -> float:
        far = min(1.4, float(np.linalg.norm((end.end - middle) / middle)))
        return end.score * end.width * (1.3 - 0.5 * far) * max(0.05, end.free) * (0.7 if end.collared else 1.0)

    return max(ends, key=weight, default=None)


def _closer(look: Look, rough: _Rough, width_px: float) -> Floats:
    """Map for a closer look: the end at its place, the pipe to the right and so wide."""
    turn = look.to_photo[:, :2]
    axis = turn @ rough.axis
    axis /= np.linalg.norm(axis)
    end = turn @ rough.end + look.to_photo[:, 2]
    scale = rough.width * look.photo_px_per_px / width_px
    matrix = scale * np.array([[axis[0], -axis[1]], [axis[1], axis[0]]])
    return np.column_stack([matrix, end - matrix @ (np.array(networks.FINDER_SIZE_PX) * _END_AT)])


def _sighting(frame: Look, close: Look, end: _Rough) -> Sighting:
    """The record that the next stages know; with no collar its width is that of the room for the pipe's sides."""
    scale = close.photo_px_per_px
    axis = close.to_photo[:, :2] @ end.axis
    return Sighting(frame, close, axis / np.linalg.norm(axis), close.to_photo[:, :2] @ end.end + close.to_photo[:, 2],
                    end.width * scale, _SIDE_ROOM * end.width * scale, end.reach * scale, 0.0, end.score)
