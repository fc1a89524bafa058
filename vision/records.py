"""The nouns of the road, in road order.  Frozen; the unit of every number is in its name."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Word = Literal["full", "short", "unproven"]
PremarkWord = Literal["placed", "misplaced", "unproven"]


@dataclass(frozen=True)
class Refusal:
    """A stage could not go on.  Falsy, so `if not record:` reads as it should.

    `reason` is a code of `reasons.REASONS`; `detail` is one measured fact ("2.1 px per mm"), or empty.
    """

    stage: str
    reason: str
    detail: str = ""

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class Doubt:
    """A named reason to doubt that does not stop the road; it travels with the records that follow."""

    reason: str
    detail: str = ""


@dataclass(frozen=True)
class Photo:
    """An upright photo and what is known of its camera.

    pixels: (height, width, 3) uint8 RGB.  camera: for exactly this picture size and orientation.
    taken: EXIF date and time as written ("2026:05:04 10:20:30"), or "" where there is none.
    """

    pixels: Bytes
    camera: Camera
    taken: str = ""
    doubts: tuple[Doubt, ...] = ()

    @property
    def size_px(self) -> tuple[int, int]:
        """Width, height."""
        return self.pixels.shape[1], self.pixels.shape[0]


@dataclass(frozen=True)
class Hand:
    """Lines that a person placed on a photo, in pixels of the upright photo as stored.

    collar, pipe: (2, 2) each, two points on either side; pipe None where it was left to the program.
    mouth, mark: (n, 2) points on the mouth's edge and on the mark's edge nearer to it, n at least 2.
    u_px: standard uncertainty of one point, each way.
    """

    collar: tuple[Floats, Floats]
    mouth: Floats
    mark: Floats
    pipe: tuple[Floats, Floats] | None = None
    u_px: float = 2.5


@dataclass(frozen=True)
class Placed:
    """What became of a line that a person placed, or left out.

    by: whether the hand's line was kept, the picture refined it, or the geometry made it up from the others.
    moved_px: how far the hand's points lie from the line that was measured with, root mean square; None where
    the hand placed none.
    """

    name: str
    by: Literal["hand", "picture", "geometry"]
    moved_px: float | None


@dataclass(frozen=True)
class Look:
    """One picture that the finder saw, its class of every pixel, and where it lies in the photo.

    classes: (h, w) uint8, indices into `networks.FINDER_CLASSES`.
    shares: (classes, h, w) float32, the finder's probabilities.
    to_photo: (2, 3) affine map from pixels of this look to pixels of the photo.
    """

    classes: Bytes
    shares: NDArray[np.float32]
    to_photo: Floats

    @property
    def photo_px_per_px(self) -> float:
        """How many pixels of the photo one pixel of the look covers."""
        return float(np.sqrt(abs(np.linalg.det(self.to_photo[:, :2]))))


@dataclass(frozen=True)
class Sighting:
    """Where the joint is, to a few pixels of the full photo.

    frame: the whole photo, small.  close: the joint, turned so that the pipe runs to the right.
    axis_px: unit vector in the photo along the joint's axis, towards the pipe.
    mouth_px: where the axis crosses the collar's mouth.  Widths are of the silhouettes beside the mouth;
    reaches are how far pipe and collar can be followed from the mouth.
    score: 0 to 1, the finder's own certainty around the mouth.
    """

    frame: Look
    close: Look
    axis_px: Floats
    mouth_px: Floats
    pipe_width_px: float
    collar_width_px: float
    pipe_reach_px: float
    collar_reach_px: float
    score: float
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class Limb:
    """One silhouette line, in undistorted pixels.

    line: (3,) a, b, c with a² + b² = 1; a x + b y + c > 0 outside the joint.
    covariance: (2, 2) of (angle_rad, offset_px) about `centre_px`, the mean of the points it was fitted to.
    sigma_px: scatter of single edge points about the line.  length_px: how much of the line was seen.
    closely: whether a close look told it, and not the photo's strongest edge.
    """

    line: Floats
    centre_px: Floats
    covariance: Floats
    sigma_px: float
    length_px: float
    points_px: Floats
    closely: bool = False


@dataclass(frozen=True)
class Limbs:
    """Both silhouette lines of the pipe and, where they could be found, of the collar.

    Left is the side of the axis with the smaller a·x: (left, right) seen along `axis_px`.
    """

    pipe: tuple[Limb, Limb]
    collar: tuple[Limb, Limb] | None


@dataclass(frozen=True)
class Axis:
    """A cylinder in the camera frame: a point of its axis, its direction (towards the pipe), its radius.

    covariance: (4, 4) of (two angles of the direction, two offsets across it) from the limb fit; mm and rad.
    """

    point_mm: Floats
    direction: Floats
    radius_mm: float
    covariance: Floats


@dataclass(frozen=True)
class Pose:
    """The joint in the camera frame.

    pipe: from the pipe's silhouettes and diameter.  collar: likewise, or None.
    mouth_mm: axial coordinate of the mouth along `pipe`, a first guess; `read` measures it.
    tilt_deg: angle between the line of sight at the mouth and the plane across the axis; positive
    when the camera stands on the pipe's side, so that the mouth's face is seen.
    by_mouth: whether the mouth has told the tilt too.  It shows how the pipe lies to the line of sight, wherever the
    lens' own axis goes; what that leaves open is then in the tilt's uncertainty.
    """

    pipe: Axis
    collar: Axis | None
    mouth_mm: float
    tilt_deg: float
    distance_mm: float
    px_per_mm: float
    by_mouth: bool = False


@dataclass(frozen=True)
class Strip:
    """The pipe's surface laid flat around the mouth: rows run round the pipe, columns along it.

    pixels: (rows, cols, 3) uint8 RGB.  column j lies at `first_mm + j * step_mm` from the mouth guess;
    row i at angle `angles_rad[i]` round the pipe, 0 facing the camera.
    seen: (rows, cols) bool, inside the picture and on the side facing the camera.
    at_px: (rows, cols, 2) where each cell lies in the photo (distorted pixels, as stored).
    """

    pixels: Bytes
    first_mm: float
    step_mm: float
    angles_rad: Floats
    seen: NDArray[np.bool_]
    at_px: NDArray[np.float32]

    @property
    def along_mm(self) -> Floats:
        """(cols,) where the columns lie, axial mm from the mouth guess."""
        return self.first_mm + self.step_mm * np.arange(self.seen.shape[1], dtype=np.float64)


@dataclass(frozen=True)
class Lanes:
    """The joint straightened: rows are planes through the lens along the axis, columns places along it.

    picture: (rows, cols, 6) uint8, RGB met at the pipe's radius and at the collar's.  middle_mm: what it is laid about,
    axial mm from the pose's guess of the mouth.
    """

    picture: Bytes
    middle_mm: float


@dataclass(frozen=True)
class FirstInk:
    """Where along a joint the first ink is seen to begin.

    at_mm: (n,) axial millimetres from the pose's guess of the mouth.  share: (n,) probability that it begins there;
    what they lack of 1 is that none is seen.
    """

    at_mm: Floats
    share: Floats

    def near(self, place_mm: float, reach_mm: float) -> float:
        """Probability that it begins within reach of a place."""
        return float(self.share[np.abs(self.at_mm - place_mm) <= reach_mm].sum())

    def before(self, place_mm: float) -> float:
        """Probability that it begins before a place."""
        return float(self.share[self.at_mm < place_mm].sum())


@dataclass(frozen=True)
class Survey:
    """The mouth, or a bare pipe's end, on the straightened picture: axial millimetres from the pose's guess, and its
    standard uncertainty; of a joint also where its first ink is seen to begin, and, of a mouth looked at closely, where
    it is seen to begin there."""

    mouth_mm: float
    u_mm: float
    ink: FirstInk | None = None
    ink_closely: FirstInk | None = None


@dataclass(frozen=True)
class Gauge:
    """A pipe as it is seen on its straightened picture, beside what its pose says.

    sides: (2,) where its sides are, in half widths of the pose's pipe from its axis: -1 and 1 where it is right.
    u: (2,) their standard uncertainties.  mouth: where the joint's mouth lies, or where a bare pipe ends.
    """

    sides: Floats
    u: Floats
    mouth: Survey


@dataclass(frozen=True)
class Edge:
    """One edge read on the strip, row by row, and where it lies in the photo.

    at_mm: (n,) axial coordinate on the pipe's own cylinder.  points_px: (n, 2) in the stored photo.
    sigma_mm: scatter of one row about the smooth course of the edge.  bias_mm: standard uncertainty that all
    rows share, as the reader's own hesitation tells it.
    """

    angles_rad: Floats
    at_mm: Floats
    points_px: Floats
    sigma_mm: float
    bias_mm: float


@dataclass(frozen=True)
class Gap:
    """Mouth and mark as read, before any uncertainty.

    value_mm: mean over the rows read of mark's near edge minus mouth, along the pipe; 0 where ink
    reaches under the collar.  least_mm, most_mm bracket what the view leaves open: the lip may hide the edge
    of ink that comes out from under it.
    line_width_mm: None where only the near edge is known.  hand_mm: standard uncertainty of the gap for edges
    that a person placed, 0 where the program read them.  unsure: why the line may be no mark, as far as this photo
    alone can tell; empty where it is believed.
    """

    value_mm: float
    least_mm: float
    most_mm: float
    mouth: Edge
    near: Edge
    line_width_mm: float | None
    hidden_mm: float
    askew_mm: float
    arc_deg: float
    ink_score: float
    touches: bool
    doubts: tuple[Doubt, ...] = ()
    far: Edge | None = None  # the mark's far edge, in the rows of `near`
    hand_mm: float = 0.0
    unsure: str = ""


@dataclass(frozen=True)
class Contribution:
    """A named part of the uncertainty budget: its standard uncertainty and its share of the variance."""

    name: str
    u_mm: float
    share: float


@dataclass(frozen=True)
class Interval:
    """A value with its coverage interval and standard uncertainty, millimetres."""

    value_mm: float
    low_mm: float
    high_mm: float
    u_mm: float


@dataclass(frozen=True)
class Measurement:
    """The gap with everything that is known about how far it may be off.

    p_full: probability that the true gap lies at or under the fitting's limit (JCGM 106).  wave_mm: standard
    uncertainty of the wave in which the gap may go round the pipe.  far: from the mouth to the mark's far edge, where
    the near one is hidden.
    """

    gap: Interval
    insertion: Interval
    line_width_mm: float | None
    budget: tuple[Contribution, ...]
    p_full: float
    confidence: float
    doubts: tuple[Doubt, ...] = ()
    wave_mm: float = 0.0
    far: Interval | None = None


@dataclass(frozen=True)
class Doubted:
    """What a line at the mouth would tell if it is the mark, which the photo alone doesn't show.

    It counts where another photo shows that the pipe was marked, and else for nothing.
    """

    gap: Gap
    measurement: Measurement


# --- the road of a bare pipe ---------------------------------------------------------------------------

@dataclass(frozen=True)
class Ends:
    """What runs round a bare pipe's strip: its cut, and every line that may be ink.

    cut: read well on these rows.  lines: the edge of each that faces the cut, strongest first.  widths_mm, shares:
    of the lines: median width, and mean probability of being ink.  burr_mm: how raggedly the cut stands out.
    """

    cut: Edge
    lines: tuple[Edge, ...]
    widths_mm: tuple[float, ...]
    shares: tuple[float, ...]
    burr_mm: float
    doubts: tuple[Doubt, ...] = ()

    @property
    def edges(self) -> tuple[Edge, ...]:
        """The cut and, where there is one, the strongest line."""
        return self.cut, *self.lines[:1]


@dataclass(frozen=True)
class Depth:
    """Cut and mark of a bare pipe as read, before any uncertainty.

    value_mm: mean over the rows with ink of the mark's edge that faces the cut, minus the cut, along the pipe.
    slant_mm: how much further that is at one end of the arc than at the other.
    """

    value_mm: float
    cut: Edge
    near: Edge
    line_width_mm: float
    slant_mm: float
    arc_deg: float
    burr_mm: float
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True)
class Squareness:
    """By how much a cut is out of square, with its interval: the angle in degrees, and mm across the diameter."""

    angle_deg: float
    low_deg: float
    high_deg: float
    u_deg: float
    across: Interval


@dataclass(frozen=True)
class Placement:
    """The mark's depth with everything that is known about how far it may be off.

    p_placed: probability that the true depth lies within the catalog's tolerance; None where it gives none.  wave_mm:
    standard uncertainty of the wave in which the depth may go round the pipe.  lens_open: nobody knows the lens, and it
    leaves so much open that the depth is known as a range alone, whose middle is its value and no measurement.
    """

    depth: Interval
    cut: Squareness
    line_width_mm: float
    budget: tuple[Contribution, ...]
    p_placed: float | None
    confidence: float
    doubts: tuple[Doubt, ...] = ()
    wave_mm: float = 0.0
    lens_open: bool = False


@dataclass(frozen=True)
class PremarkVerdict:
    """The answer for a bare, marked pipe, and every record that led to it (None where the road ended before)."""

    word: PremarkWord
    reasons: tuple[Doubt, ...]
    placement: Placement | None = None
    photo: Photo | None = field(default=None, repr=False)
    sighting: Sighting | None = field(default=None, repr=False)
    limbs: Limbs | None = field(default=None, repr=False)
    pose: Pose | None = field(default=None, repr=False)
    strip: Strip | None = field(default=None, repr=False)
    ends: Ends | None = field(default=None, repr=False)
    depth: Depth | None = field(default=None, repr=False)


# --- the answers ---------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Insertion:
    """How far the pipe is in, by the mark's measured depth and the measured gap.

    p_enough: probability that the true insertion is at least the catalog's least; None where it gives none.  near: from
    the mouth to the mark's near edge, negative under the collar, where the joint's photo hides it and the line's width
    told it.  lens_open: the mark's depth is but a range (`Placement`), and so is the length.  depth: of the mark on the
    side that the joint's photo shows, where the photo of the marked pipe was taken from a known one.
    """

    length: Interval
    p_enough: float | None
    near: Interval | None = None
    lens_open: bool = False
    depth: Interval | None = None


@dataclass(frozen=True)
class Verdict:
    """The answer, and every record of the road that led to it (None where the road ended before).

    placed: what became of the lines that a person placed; empty where the program looked alone.  doubted: in place of
    gap and measurement, where the line may be no mark.
    """

    word: Word
    reasons: tuple[Doubt, ...]
    measurement: Measurement | None = None
    photo: Photo | None = field(default=None, repr=False)
    sighting: Sighting | None = field(default=None, repr=False)
    limbs: Limbs | None = field(default=None, repr=False)
    pose: Pose | None = field(default=None, repr=False)
    strip: Strip | None = field(default=None, repr=False)
    gap: Gap | None = field(default=None, repr=False)
    premark: PremarkVerdict | None = field(default=None, repr=False)
    insertion: Insertion | None = None
    placed: tuple[Placed, ...] = ()
    doubted: Doubted | None = field(default=None, repr=False)
