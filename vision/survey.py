"""Lanes -> Gauge: where a joint's mouth and its pipe's sides lie on the joint straightened, by a network of its own.

The strip shows the pipe alone; here the collar's profile stands beside it against the ground.  The surveyor tells for
every column how likely the mouth is there and how likely the first ink begins there, and for every row how likely a
side is.  Then the seamer looks at the mouth again, twice as finely: where it lies, and where ink begins near it.

Where a step of the collar passes for the mouth, a line that lies in the mouth looks like a gap of millimetres.  So a
joint with such a gap, whose stretch before the mark the finder too takes for collar, or with one of centimetres, is
looked at once more, about its mark: a mouth that is then seen there contradicts it.
"""

from __future__ import annotations

import numpy as np

from calibration.camera import Camera
from vision import geometry, mouth, networks
from vision.lanes import CLOSE, gauged, mean_of, straightened
from vision.records import (
    Bytes,
    FirstInk,
    Floats,
    Gap,
    Gauge,
    Lanes,
    Look,
    Photo,
    Pose,
    Refusal,
    Strip,
    Survey,
)

# Gaps from 2 mm on are asked about again; from 10 on the mouth read lies beside the lanes about the mark.
LEAST_ASKED_MM, FAR_MM = 2.0, 10.0
MOSTLY = 0.5  # of the stretch before the mark
SURE_U_MM, APART_MM = 0.5, 1.5  # a mouth known so well, so far from the one read, contradicts it
_PLACES, _ANGLES_RAD = 25, np.radians([-30.0, -15.0, 0.0, 15.0, 30.0])  # where the finder's look is asked
_COLLAR = networks.FINDER_CLASSES.index("collar")


def mouth_near(strip: Strip) -> float:
    """About where the strip's readers see the mouth, axial mm from the pose's guess: lanes reach little further."""
    border, _, clear = mouth.split(networks.read(strip.pixels).beyond, strip)
    return float(np.median(border[clear] if clear.any() else border))


def survey(lanes: Lanes) -> Gauge:
    """Where the mouth, the pipe's sides and the first ink lie, and how sure that is."""
    return gauged(networks.survey(lanes.picture), lanes)


def closely(photo: Photo, pose: Pose, seen: Survey, lanes: Lanes, collar_radius_mm: float) -> Survey:
    """The survey with its mouth looked at closely, half way between where the strip and the survey see it."""
    middle_mm = (lanes.middle_mm + seen.mouth_mm) / 2
    picture = straightened(photo, pose, middle_mm, (pose.pipe.radius_mm, collar_radius_mm), CLOSE)
    (mouth_share, ink_share), at = networks.seam(picture), middle_mm + CLOSE.along_mm
    return Survey(*mean_of(mouth_share, at), seen.ink, FirstInk(at, ink_share.astype(np.float64)))


def asked_from(gap: Gap, pose: Pose, look: Look, camera: Camera) -> float | None:
    """Where, axial mm from the pose's guess, a joint is looked at again, about its mark; None where it needn't be.

    look: the finder's close one.  Bare pipe before a mark it often takes for collar, a collar seldom for pipe; so it is
    asked first where gaps are common, and large ones are looked at whatever it says.
    """
    if gap.value_mm < LEAST_ASKED_MM:
        return None
    mouth_mm, near_mm = float(np.median(gap.mouth.at_mm)), float(np.nanmedian(gap.near.at_mm))
    if gap.value_mm > FAR_MM:
        return near_mm
    along = pose.mouth_mm + np.linspace(mouth_mm, near_mm, _PLACES)[1:-1]
    at = geometry.cylinder_px(pose.pipe, along, _ANGLES_RAD, camera).reshape(-1, 2)
    return near_mm if np.mean(_seen_as(look, at) == _COLLAR) > MOSTLY else None


def _seen_as(look: Look, at_px: Floats) -> Bytes:
    """Classes that a look has at pixels (n, 2) of the photo; beside it, those of its border."""
    cells = np.linalg.solve(look.to_photo[:, :2], (at_px - look.to_photo[:, 2]).T)
    x, y = np.clip(np.round(cells).astype(int), 0, np.array(look.classes.shape[::-1])[:, None] - 1)
    return np.asarray(look.classes[y, x], np.uint8)


def confirmed(gap: Gap, again: Survey) -> Gap | Refusal:
    """The gap, refused where the mouth, looked for from its mark, lies elsewhere.

    Of 590 joints called short, 952 measured in all, that was so with one: its line lay in the mouth.  About a mark
    that lies far off there is nothing else to see, and its own edge is taken for a mouth: that contradicts nothing.
    """
    apart = again.mouth_mm - float(np.median(gap.mouth.at_mm))
    at_the_line = gap.value_mm > FAR_MM and apart > gap.value_mm - APART_MM
    if again.u_mm > SURE_U_MM or abs(apart) < APART_MM or at_the_line:
        return gap
    return Refusal("survey", "mouth-not-found", f"from the line it is seen {abs(apart):.1f} mm from where it was read")
