"""What a photo's EXIF says of its lens, and how far that can be believed.

The 35 mm equivalent is defined on the picture's diagonal (43.27 mm; CIPA DCG-001), yet some makers mean its width
(36 mm): 4 % apart at 4:3.  It is a whole number, and it is the lens's nominal, focused at infinity.
A copy may have been cropped or zoomed since.  So a focal length comes with a standard uncertainty,
and where nothing can be believed an ordinary phone's main lens is assumed, widely, and said so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from calibration.camera import Camera, exif_number, exif_text
from vision.records import Doubt

Size = tuple[int, int]

FULL_FRAME_MM = (36.0, 24.0)
_DIAGONAL_MM = math.hypot(*FULL_FRAME_MM)
_PLAUSIBLE_F35 = (8.0, 400.0)

# Main lenses of phones lie between 24 and 30 mm equivalent; other lenses are rarer, hence the wide prior.
_ASSUMED_F35, _ASSUMED_U = 26.0, 0.12
# A nominal focal length is rounded and for infinity; at arm's length the lens stands 0 to 3 % farther out.
_NOMINAL_U = 0.012
_BY_WIDTH = 0.25  # share of makers who go by the width: a guess
_FOCAL_PLANE_U = 0.03
_UNZOOMED = 1.05
_CENTRE_U, _CENTRE_U_CROPPED = 0.015, 0.10
_K1_U = 0.012
_LONGEST_TIME = 40  # signs
_RECTANGULAR = math.sqrt(3.0)


@dataclass(frozen=True)
class Facts:
    """The EXIF entries that matter here, None or 1 where they are missing or make no sense.

    full_px: the picture's size when the camera wrote it.  plane_px_per_mm: pixels per millimetre of sensor.
    orientation: EXIF's 1 to 8, as the pixels are stored.
    """

    f35_mm: float | None = None
    focal_mm: float | None = None
    plane_px_per_mm: float | None = None
    zoom: float = 1.0
    full_px: Size | None = None
    orientation: int = 1
    taken: str = ""


_MM_PER_PLANE_UNIT = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}


def read_facts(main: Callable[[int], Any], photo: Callable[[int], Any]) -> Facts:
    """Facts from two look-ups of EXIF tags: the main directory and the photo's own (Exif IFD)."""
    unit = _MM_PER_PLANE_UNIT.get(int(exif_number(photo(0xA210)) or 2))
    plane = exif_number(photo(0xA20E))
    f35 = exif_number(photo(0xA405))
    orientation = int(exif_number(main(0x0112)) or 1)
    return Facts(
        f35_mm=f35 if f35 and _PLAUSIBLE_F35[0] <= f35 <= _PLAUSIBLE_F35[1] else None,
        focal_mm=exif_number(photo(0x920A)),
        plane_px_per_mm=plane / unit if plane and unit else None,
        zoom=max(1.0, exif_number(photo(0xA404)) or 1.0),
        full_px=_size(photo(0xA002), photo(0xA003)),
        orientation=orientation if orientation <= 8 else 1,
        taken=exif_text(photo(0x9003) or main(0x0132), _LONGEST_TIME),
    )


def _size(width: Any, height: Any) -> Size | None:
    w, h = exif_number(width), exif_number(height)
    return (round(w), round(h)) if w and h and round(w) and round(h) else None


def camera_of(facts: Facts, size_px: Size) -> tuple[Camera, tuple[Doubt, ...]]:
    """The camera of an upright picture of this size, with Doubt("focal-assumed") where EXIF was no help."""
    cropped = _cropped(facts, size_px)
    if cropped:
        return _assumed(facts, size_px, cropped)
    if facts.f35_mm and facts.zoom <= _UNZOOMED:
        focal, share = _equivalent(facts.f35_mm, size_px)
        return _camera(focal, share, size_px, "exif"), ()
    plane = _focal_plane(facts, size_px)
    if plane and facts.zoom <= _UNZOOMED:
        return _camera(plane, _FOCAL_PLANE_U, size_px, "exif"), ()
    return _assumed(facts, size_px, "")


def _ordered(size: Size) -> Size:
    return max(size), min(size)


def _shape_of(size: Size) -> float:
    long, short = _ordered(size)
    return long / short


def _is_native(size: Size) -> bool:
    """Sensors are 4:3 or 3:2."""
    return any(abs(_shape_of(size) / shape - 1) < 0.015 for shape in (4 / 3, 3 / 2))


def _is_format(size: Size) -> bool:
    """What cameras write: the sensor's own shape, 16:9, a square."""
    return _is_native(size) or any(abs(_shape_of(size) / shape - 1) < 0.015 for shape in (16 / 9, 1.0))


def _cropped(facts: Facts, size: Size) -> str:
    """Why the picture seems to be a part of what the camera took, or ""."""
    if facts.full_px and abs(_shape_of(facts.full_px) / _shape_of(size) - 1) > 0.01:
        return "the picture seems to be a cropped copy"
    if not _is_format(size):
        return "the picture does not have a camera's shape and may be cropped"
    return ""


def _equivalent(f35_mm: float, size: Size) -> tuple[float, float]:
    """Focal length in pixels from the 35 mm equivalent, and its relative standard uncertainty.

    The mean of what makers may mean, the standard's diagonal the likelier, and its spread; rounding counts as
    rectangular.  Formats that phones cut out of a 4:3 sensor (16:9, square) often keep the equivalent of the whole one.
    """
    long, short = _ordered(size)
    diagonals = [math.hypot(long, short)]
    if not _is_native(size):
        diagonals.append(max(long * 5 / 4, short * 5 / 3))
    readings = [(long / FULL_FRAME_MM[0], _BY_WIDTH),
                *((each / _DIAGONAL_MM, (1 - _BY_WIDTH) / len(diagonals)) for each in diagonals)]
    mean = sum(reading * share for reading, share in readings)
    spread = math.sqrt(sum(share * (reading - mean) ** 2 for reading, share in readings)) / mean
    rounding = 0.5 / f35_mm / _RECTANGULAR
    return f35_mm * mean, math.hypot(spread, rounding, _NOMINAL_U)


def _focal_plane(facts: Facts, size: Size) -> float | None:
    """Focal length in pixels from millimetres and the sensor's pixel pitch, if the result is a lens."""
    if not (facts.focal_mm and facts.plane_px_per_mm):
        return None
    shrunk = max(size) / max(facts.full_px) if facts.full_px else 1.0
    focal = facts.focal_mm * facts.plane_px_per_mm * shrunk
    f35 = focal * _DIAGONAL_MM / math.hypot(*size)
    return focal if _PLAUSIBLE_F35[0] <= f35 <= _PLAUSIBLE_F35[1] else None


def _assumed(facts: Facts, size: Size, cropped: str) -> tuple[Camera, tuple[Doubt, ...]]:
    """A wide guess.  A crop or a zoom can only lengthen the lens that EXIF, or habit, names."""
    f35 = facts.f35_mm or _ASSUMED_F35
    focal, share = _equivalent(f35, size)
    why = cropped or "no usable focal length in its EXIF"
    longest = 1.0
    if cropped:
        longest = _crop_factor(facts, size)
    elif facts.zoom > _UNZOOMED:
        # Some phones write the zoom into the equivalent as well, some don't.
        why, longest = f"digital zoom {facts.zoom:.2g}", facts.zoom
    middle = (1 + longest) / 2
    prior = share if facts.f35_mm else _ASSUMED_U
    share = math.hypot(prior, (longest - 1) / 2 / middle / _RECTANGULAR)
    centre = _CENTRE_U_CROPPED if cropped else _CENTRE_U
    camera = _camera(focal * middle, share, size, "assumed", centre)
    return camera, (Doubt("focal-assumed", f"{why}; {f35 * middle:.0f} mm equivalent, give or take "
                                           f"{share:.0%}, was taken"),)


def _crop_factor(facts: Facts, size: Size) -> float:
    """How much longer the lens may look for the crop: at most as if no pixel had been thrown away."""
    if not facts.full_px:
        return 1.5
    return min(3.0, max(1.2, math.hypot(*facts.full_px) / math.hypot(*size)))


def _camera(focal_px: float, share: float, size: Size, source: Any, centre_u: float = _CENTRE_U) -> Camera:
    width, height = size
    return Camera(
        focal_px=focal_px,
        centre_px=((width - 1) / 2, (height - 1) / 2),
        u_focal_px=focal_px * share,
        u_centre_px=centre_u * max(size),
        u_k1=_K1_U,
        source=source,
    )
