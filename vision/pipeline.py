"""The table of contents: bytes in, verdict out, a line a stage.

    bytes -decode-> Photo -locate-> Sighting -refine-> Limbs -pose-> Pose -edges-> Limbs -pose-> Pose
          -unwrap-> Strip -read-> Gap -uncertainty-> Measurement -verdict-> Verdict

and for the marked pipe before it is pushed in:

    bytes -decode-> Photo -end-> Sighting -refine-> Limbs -pose-> Pose -edges-> Limbs -pose-> Pose
          -unwrap-> Strip -depth-> Ends, Depth -placing-> Placement -verdict-> PremarkVerdict

A stage that can't go on returns a Refusal; the answer is then `unproven`, and carries what was found so far.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING, Any, TypeVar

from calibration.camera import Camera, Profile
from calibration.fittings import Fitting
from vision.assist import axis_of, sides_by_hand, start_from, told
from vision.both import Limits, judge_both, judge_in_doubt, premark_unread
from vision.decode import decode
from vision.depth import columns_for, cut_near, find_ends, read_depth, with_end
from vision.edges import ROUGHLY, SURE, closer, far_off, known, level_with, reconciled
from vision.end import find_end
from vision.gauge import faced, facing, gauge, moved, scaled, widened
from vision.insertion import Made, Marked
from vision.lanes import straighten
from vision.locate import locate
from vision.overdrawn import overdrawn
from vision.placing import place
from vision.pose import in_view, solve_pose, trusted
from vision.read import read
from vision.records import (
    Depth,
    Doubt,
    Doubted,
    Ends,
    Gap,
    Gauge,
    Hand,
    Lanes,
    Limbs,
    Measurement,
    Photo,
    Placed,
    Placement,
    Pose,
    PremarkVerdict,
    Refusal,
    Sighting,
    Strip,
    Verdict,
)
from vision.refine import find_limbs
from vision.resample import FIRST_MM, STEP_MM
from vision.sharpness import BLURRED, blur_of
from vision.square import borne_out, level, settle, square, square_on, told_by_mouth
from vision.survey import asked_from, closely, confirmed, mouth_near, survey
from vision.trace import read_by_hand
from vision.uncertainty import measure
from vision.unwrap import unwrap
from vision.verdict import in_order, judge, judge_placement

if TYPE_CHECKING:
    from vision.depths import Depths

MOST_TURNS = 3
# Times the assumed focal length, in the order in which they are tried: each stands for all that `placing` lets it be.
OTHER_LENSES = (1.4, 1.9, 0.87)
LOOKS, LOOKS_ANEW = (SURE,), (ROUGHLY, SURE)  # how well a side must be seen to be taken over

_Record = TypeVar("_Record", Photo, Sighting, Limbs, Pose, Strip, Gap, Measurement, Ends, Depth, Placement)
_Lined = TypeVar("_Lined", Gap, Depth)


def inspect(data: bytes, fitting: Fitting, camera: Camera | Profile | None = None,
            confidence: float = 0.95, hand: Hand | None = None) -> Verdict:
    """Judge one photo of one joint.

    camera: a calibrated one; without it EXIF, or a guess, has to do.  Raises ProfileError, which is misuse,
    for the profile of another lens.  hand: lines that a person placed; then the finder isn't asked, and the
    answer is marked as assisted.
    """
    if hand is not None:
        return _assisted(data, hand, fitting, camera, confidence)
    photo = decode(data, camera)
    if isinstance(photo, Refusal):
        return Verdict("unproven", _why(photo, _Road(), fitting))
    return _first_told((_judged(photo, seen, fitting, confidence) for seen in locate(photo)), _MISLED)


def _judged(photo: Photo, seen: Sighting | Refusal, fitting: Fitting, confidence: float) -> Verdict:
    """Judge the joint that one look found."""
    road = _Road(photo)
    try:
        seen = road.to(seen)
        sides = road.to(find_limbs(photo, seen))
        joint = _laid_out(road, photo, sides, fitting)
        if elsewhere := moved(photo, sides, joint.pose, joint.gauge):
            road.to(facing(seen, joint.pose, joint.lanes.middle_mm, photo.camera))
            joint = _laid_out(road, photo, elsewhere, fitting)
        pose = road.to(trusted(joint.pose, fitting))
        road.to(scaled(joint.limbs, joint.gauge))
        gap = _on_pipe(photo, pose, joint.strip, _read(photo, seen, joint, pose, fitting))
        if isinstance(gap, Gap) and gap.unsure:
            return _in_doubt(road, gap, joint, pose, fitting, confidence)
        gap = road.to(gap)
        limbs = road.to(widened(joint.limbs, pose, joint.gauge, photo.camera))
        measurement = road.to(measure(gap, limbs, pose, photo.camera, fitting, confidence))
    except _RoadEnds as end:
        return Verdict("unproven", _why(end.refusal, road, fitting), **road.records)
    word, reasons = judge(measurement, road.doubts, fitting)
    return Verdict(word, reasons, **road.records)


def _in_doubt(road: _Road, gap: Gap, joint: _Joint, pose: Pose, fitting: Fitting, confidence: float) -> Verdict:
    """`unproven` for a line that may be no mark, with what it would tell if it is."""
    camera = road.records["photo"].camera
    limbs = widened(joint.limbs, pose, joint.gauge, camera)
    found = measure(gap, limbs, pose, camera, fitting, confidence)
    doubted = None if isinstance(found, Refusal) else Doubted(gap, found)
    return Verdict("unproven", _why(Refusal("read", "mark-unclear", gap.unsure), road, fitting), **road.records,
                   doubted=doubted)


@dataclass(frozen=True)
class _Joint:
    """A joint laid flat with its mouth square, and straightened."""

    limbs: Limbs
    pose: Pose
    strip: Strip
    lanes: Lanes
    gauge: Gauge


def _laid_out(road: _Road, photo: Photo, sides: Limbs, fitting: Fitting) -> _Joint:
    """From a joint's sides to its strip and its lanes."""
    sighting, road.turns = road.records["sighting"], 0
    limbs = road.to(sides)
    pose = road.to(solve_pose(limbs, photo.camera, fitting, sighting.mouth_px, sighting.axis_px))
    limbs, pose = _closer(road, photo, limbs, pose, fitting)
    if better := settle(limbs, pose, photo.camera):
        limbs, pose = road.turned(*better)
    strip = road.to(unwrap(photo, pose))
    while (better := square(strip, limbs, pose, photo.camera, fitting, sighting.close)) and road.turns < MOST_TURNS:
        limbs, pose = road.turned(*better)
        strip = road.to(unwrap(photo, pose))
    limbs, pose = road.turned(*told_by_mouth(strip, limbs, pose, photo.camera, fitting))
    road.to(in_view(pose))
    lanes = straighten(photo, pose, mouth_near(strip), fitting.collar_od_mm / 2)
    return _Joint(limbs, pose, strip, lanes, survey(lanes))


def _closer(road: _Road, photo: Photo, limbs: Limbs, pose: Pose, fitting: Fitting) -> tuple[Limbs, Pose]:
    """Limbs and pose with the sides looked at closely, from where the photo's edges are, or else the finder's mask; the
    collar's only where they contradict the pipe's."""
    sighting = road.records["sighting"]
    seen = _looked_at(road, photo, (limbs, pose), fitting, LOOKS)
    if seen is None or not known(seen[0]):
        level = level_with(sighting, limbs, photo.camera)
        start = road.solved(level, photo, fitting)
        anew = start and _looked_at(road, photo, (level, start), fitting, LOOKS_ANEW)
        seen = anew if anew and known(anew[0]) else seen
    limbs, pose = seen or (limbs, pose)
    if isinstance(trusted(pose, fitting), Refusal):
        limbs = reconciled(photo, limbs, pose, fitting.collar_od_mm / 2)
        pose = road.solved(limbs, photo, fitting) or pose
    return road.to(limbs), road.to(pose)


def _looked_at(road: _Road, photo: Photo, start: tuple[Limbs, Pose], fitting: Fitting,
               looks: tuple[float, ...]) -> tuple[Limbs, Pose] | None:
    """Limbs and pose after close looks at the pipe's sides, each taken twice where they were elsewhere; None where what
    is seen can't be a cylinder."""
    limbs, pose = start
    for sure in looks:
        for _ in range(2):
            before, limbs = limbs, closer(photo, limbs, pose, sure)
            solved = road.solved(limbs, photo, fitting)
            if solved is None:
                return None
            pose = solved
            if not far_off(before, limbs, pose):
                break
    return limbs, pose


def _read(photo: Photo, seen: Sighting, joint: _Joint, pose: Pose, fitting: Fitting) -> Gap | Refusal:
    """The gap, unless the joint, looked at once more about its mark, contradicts it."""
    seam = closely(photo, pose, joint.gauge.mouth, joint.lanes, fitting.collar_od_mm / 2)
    gap = read(joint.strip, pose, fitting, seam)
    if isinstance(gap, Refusal) or gap.unsure or (at := asked_from(gap, pose, seen.close, photo.camera)) is None:
        return gap
    again = survey(straighten(photo, pose, at, fitting.collar_od_mm / 2))
    return confirmed(gap, again.mouth)


def _on_pipe(photo: Photo, pose: Pose, strip: Strip, told: _Lined | Refusal) -> _Lined | Refusal:
    """What was read, unless its line was drawn on the picture."""
    if isinstance(told, Refusal) or told.line_width_mm is None:
        return told
    drawn = overdrawn(photo, pose, strip, told.near, told.line_width_mm)
    return told if drawn is None else drawn


def inspect_premark(data: bytes, fitting: Fitting, camera: Camera | Profile | None = None,
                    confidence: float = 0.95) -> PremarkVerdict:
    """Judge one photo of a marked pipe before it is pushed in; arguments and errors as for `inspect`."""
    photo = decode(data, camera)
    if isinstance(photo, Refusal):
        return PremarkVerdict("unproven", _why(photo, _Road(), fitting))
    return _first_told((_judged_premark(photo, seen, fitting, confidence) for seen in find_end(photo)), _MISLED_BARE)


def _judged_premark(photo: Photo, seen: Sighting | Refusal, fitting: Fitting, confidence: float) -> PremarkVerdict:
    """Judge the pipe's end that one look found; where nobody knows the lens, and sides and cut contradict each other
    through the one that was assumed, through others as well."""
    said = _judged_bare(photo, seen, fitting, confidence)
    if photo.camera.source != "assumed" or said.ends is None or said.reasons[0].reason != "edges-not-found":
        return said
    others = (_judged_bare(_through(photo, times), seen, fitting, confidence) for times in OTHER_LENSES)
    return next((other for other in others if other.placement), said)


def _through(photo: Photo, times: float) -> Photo:
    """The photo as taken with a lens so many times as long as the one that was assumed."""
    camera = photo.camera
    told = Doubt("focal-assumed", f"the cut contradicts an ordinary phone's, and one {times:g} times as long was taken")
    return replace(
        photo, camera=replace(camera, focal_px=times * camera.focal_px, u_focal_px=times * camera.u_focal_px),
        doubts=tuple(told if doubt.reason == told.reason else doubt for doubt in photo.doubts))


def _judged_bare(photo: Photo, seen: Sighting | Refusal, fitting: Fitting, confidence: float) -> PremarkVerdict:
    """Judge the pipe's end that one look found, through the photo's own lens."""
    road = _Road(photo)
    try:
        seen = road.to(seen)
        sides = road.to(find_limbs(photo, seen))
        bare = _laid_bare(road, photo, sides, fitting)
        if elsewhere := moved(photo, sides, bare.pose, bare.gauge):
            road.to(facing(seen, bare.pose, cut_near(bare.ends), photo.camera))
            bare = _laid_bare(road, photo, elsewhere, fitting)
        pose = road.to(trusted(bare.pose, fitting))
        road.to(borne_out(bare.by_sides, pose, bare.gauge, known(bare.limbs)))
        cut = faced(photo, bare.pose, bare.gauge, cut_near(bare.ends), fitting.collar_od_mm / 2)
        told = read_depth(with_end(bare.ends, bare.strip, cut), bare.strip)
        depth = road.to(_on_pipe(photo, pose, bare.strip, told))
        limbs = road.to(widened(bare.limbs, pose, bare.gauge, photo.camera))
        placement = road.to(place(depth, limbs, pose, photo.camera, fitting, confidence))
    except _RoadEnds as end:
        return PremarkVerdict("unproven", _why(end.refusal, road, fitting), **road.records)
    word, reasons = judge_placement(placement, road.doubts, fitting)
    return PremarkVerdict(word, reasons, **road.records)


@dataclass(frozen=True)
class _Bare:
    """A bare pipe laid flat with its cut and mark square; by_sides: the pose that the silhouettes alone told."""

    limbs: Limbs
    by_sides: Pose
    pose: Pose
    strip: Strip
    ends: Ends
    gauge: Gauge


def _laid_bare(road: _Road, photo: Photo, sides: Limbs, fitting: Fitting) -> _Bare:
    """From a bare pipe's sides to its strip."""
    sighting, road.turns = road.records["sighting"], 0
    columns = columns_for(fitting.mark_depth_mm, FIRST_MM, STEP_MM)
    limbs = road.to(sides)
    pose = road.to(solve_pose(limbs, photo.camera, fitting, sighting.mouth_px, sighting.axis_px))
    limbs, pose = _closer(road, photo, limbs, pose, fitting)
    by_sides = pose
    if better := settle(limbs, pose, photo.camera):
        limbs, pose = road.turned(*better)
    strip = road.to(unwrap(photo, pose, columns=columns))
    ends = find_ends(strip)
    if not ends and (better := square_on(limbs, pose, photo.camera)):
        limbs, pose = road.turned(*better)
        strip = road.to(unwrap(photo, pose, columns=columns))
        ends = find_ends(strip)
    ends = road.to(ends)
    while (better := level(ends.edges, limbs, pose, photo.camera)) and road.turns < MOST_TURNS:
        limbs, pose = road.turned(*better)
        strip = road.to(unwrap(photo, pose, columns=columns))
        ends = road.to(find_ends(strip))
    road.to(in_view(pose))
    seen = gauge(straighten(photo, pose, cut_near(ends), fitting.collar_od_mm / 2))
    return _Bare(limbs, by_sides, pose, strip, ends, seen)


# What ends a road where something else passed for a side: another look may see it rightly.  That it does, the collar's
# diameter confirms; a bare pipe has no second one, so there nothing is tried again that its cut contradicted.
_MISLED = frozenset({"edges-not-found", "size-mismatch", "too-oblique"})
_MISLED_BARE = frozenset({"cut-not-found"})
_Said = TypeVar("_Said", Verdict, PremarkVerdict)


def _first_told(verdicts: Iterable[_Said], misled: frozenset[str]) -> _Said:
    """The first verdict that another look could not better; where each could be, the first that saw anything.

    misled: reasons for which a road that came as far as the strip is tried again.
    """
    kept = None
    for verdict in verdicts:
        if verdict.strip is not None and misled.isdisjoint(doubt.reason for doubt in verdict.reasons):
            return verdict
        if kept is None or (kept.sighting is None and verdict.sighting is not None):
            kept = verdict
    assert kept is not None  # there is always a first look
    return kept


def with_premark(said: Verdict, before: PremarkVerdict, fitting: Fitting, depths: Depths | None = None,
                 at_deg: float = 0.0) -> Verdict:
    """What was said of a joint, with what the photo of its marked pipe adds: the insertion from both; the gap where the
    joint's photo hides it but shows the line's far edge; and that there is a mark, where the joint's photo shows a line
    that may be none.

    A photo that told no depth adds nothing but the word of it.  depths: the mark's depth all round, where it is known
    from which sides the pipe and, at_deg, the joint were photographed.
    """
    if before.placement is None:
        unread = premark_unread(doubt.reason for doubt in before.reasons)
        return replace(said, premark=before, reasons=in_order([*said.reasons, unread]))
    said = as_marked(said, before, fitting)
    found = said.measurement
    if found is None:
        return replace(said, premark=before)
    marked = Marked.of(before.placement)
    if depths and said.gap:
        marked = depths.on(said.gap.near.angles_rad + math.radians(at_deg), found.confidence)
    both = judge_both(marked, Made.of(found), (said.word, said.reasons), before.word,
                      Limits(fitting.max_gap_mm, fitting.min_insertion_mm))
    if both.insertion:
        found = replace(found, insertion=both.insertion.length)
    if both.gap and both.p_full is not None:
        found = replace(found, gap=both.gap, p_full=both.p_full)
    return replace(said, word=both.word, reasons=both.reasons, measurement=found, premark=before,
                   insertion=both.insertion)


def as_marked(said: Verdict, before: PremarkVerdict, fitting: Fitting) -> Verdict:
    """What is said of a joint whose pipe was seen marked: a line in doubt is then the mark, if it is as wide."""
    if said.doubted is None or before.placement is None:
        return said
    gap, found = said.doubted.gap, said.doubted.measurement
    is_mark, (word, reasons) = judge_in_doubt(Marked.of(before.placement), Made.of(found),
                                              [*said.reasons, *found.doubts], fitting.max_gap_mm)
    said = replace(said, word=word, reasons=reasons)
    return replace(said, gap=gap, measurement=found, doubted=None) if is_mark else said


def propose(data: bytes, camera: Camera | Profile | None = None) -> tuple[Photo | None, Hand | None]:
    """The photo, upright, and rough lines for a person to start from; None for what could not be found."""
    photo = decode(data, camera)
    if isinstance(photo, Refusal):
        return None, None
    found = next((seen for seen in locate(photo) if isinstance(seen, Sighting)), None)
    return photo, None if found is None else start_from(found)


def _assisted(data: bytes, hand: Hand, fitting: Fitting, camera: Camera | Profile | None,
              confidence: float) -> Verdict:
    """The same road, with a person's lines in place of what the networks find."""
    road = _Road(beforehand=(Doubt("assisted"),))
    try:
        photo = road.to(decode(data, camera))
        limbs = road.to(sides_by_hand(photo, hand, fitting))
        pose = road.to(solve_pose(limbs, photo.camera, fitting, hand.mouth.mean(0), axis_of(hand)))
        if better := settle(limbs, pose, photo.camera):
            limbs, pose = road.turned(*better)
        strip = road.to(unwrap(photo, pose))
        road.to(trusted(pose, fitting))
        gap = road.to(read_by_hand(strip, pose, fitting, hand, photo.camera))
        measurement = road.to(measure(gap, limbs, pose, photo.camera, fitting, confidence))
    except _RoadEnds as end:
        return Verdict("unproven", _why(end.refusal, road, fitting), placed=_placed(hand, road), **road.records)
    word, reasons = judge(measurement, road.doubts, fitting)
    return Verdict(word, reasons, placed=_placed(hand, road), **road.records)


def _placed(hand: Hand, road: _Road) -> tuple[Placed, ...]:
    limbs, photo = road.records.get("limbs"), road.records.get("photo")
    return told(hand, limbs, road.records.get("gap"), photo.camera) if limbs and photo else ()


class _RoadEnds(Exception):
    """Carries a stage's refusal out of the middle of the road; never leaves this module."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.reason)
        self.refusal = refusal


class _Road:
    """What was found on the way; beforehand: what is to be said of it whatever is found."""

    def __init__(self, photo: Photo | None = None, beforehand: tuple[Doubt, ...] = ()) -> None:
        self.records: dict[str, Any] = {}
        self._beforehand = beforehand
        self.turns = 0
        if photo is not None:
            self.to(photo)

    def to(self, record: _Record | Refusal) -> _Record:
        """Note the record that a stage returned and go on with it, or end the road at its refusal."""
        if isinstance(record, Refusal):
            raise _RoadEnds(record)
        if isinstance(record, Strip):
            self.records.pop("ends", None)  # they were read on the strip before
        self.records[type(record).__name__.lower()] = record
        return record

    @property
    def doubts(self) -> list[Doubt]:
        """Every doubt that comes with a record that still stands; with those that were replaced theirs went too."""
        told = (getattr(record, "doubts", ()) for record in self.records.values())
        return [*self._beforehand, *chain.from_iterable(told)]

    def solved(self, limbs: Limbs, photo: Photo, fitting: Fitting) -> Pose | None:
        """The pose of these limbs, about the joint that was sighted; None where they belong to no cylinder."""
        sighting = self.records["sighting"]
        pose = solve_pose(limbs, photo.camera, fitting, sighting.mouth_px, sighting.axis_px)
        return None if isinstance(pose, Refusal) else pose

    def turned(self, limbs: Limbs, pose: Pose) -> tuple[Limbs, Pose]:
        """Note that the axis was turned."""
        self.records |= {"limbs": limbs, "pose": pose}
        self.turns += 1
        return limbs, pose


# What a blurred photo makes fail; only then is its sharpness measured, and said before what it caused.
_BLUR_CAUSES = ("edges-not-found", "mouth-not-found", "mark-not-found", "mark-unclear", "cut-not-found", "line-unclear")


def _blur(refusal: Refusal, road: _Road) -> list[Doubt]:
    sighting, photo = road.records.get("sighting"), road.records.get("photo")
    if sighting is None or photo is None or refusal.reason not in _BLUR_CAUSES:
        return []
    blur = blur_of(photo.pixels, sighting.mouth_px, sighting.axis_px, sighting.collar_width_px)
    return [Doubt("blurred", f"blur {blur:.2f} of 1 along the pipe")] if blur > BLURRED else []


def _why(refusal: Refusal, road: _Road, fitting: Fitting) -> tuple[Doubt, ...]:
    doubts = [*_blur(refusal, road), Doubt(refusal.reason, refusal.detail), *road.doubts]
    if fitting.is_demo:
        doubts.append(Doubt("demo-fitting"))
    return in_order(doubts)
