"""The lens model: how a point of the scene becomes a pixel, how well that is known, and where it is kept.

`Camera` is what the stages use: one lens for one picture size and orientation.  `Profile` is what
`collargap camera solve` stores and `check --camera` reads: one solved lens for every size of picture that
the same phone writes.  `Lens` is what a photo's EXIF says of what took it; by it photo and profile meet.
"""

from __future__ import annotations

import difflib
import json
import math
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from calibration.fittings import Misuse

FocalSource = Literal["chart", "exif", "assumed"]

# What no chart can tell of another day.  Both are assumed here, not taken from a source.
# Focus: a thin lens of 6 mm stands 1.3 % farther out for a chart at 45 cm than for infinity, and 0.6 to
# 2.5 % for a joint at 1 m to 25 cm: 0.9 % either way, rectangular.
FOCUS_U = 0.009 / math.sqrt(3.0)
# Stabiliser: it may hold lens or sensor half a degree off its rest, either way, rectangular.
STABILISER_U = math.tan(math.radians(0.5)) / math.sqrt(3.0)
_SAME_SHAPE = 0.01
_SAME_FOCAL = 0.015
_LONGEST = 80  # signs of a name
PLAUSIBLE_FOCAL = (0.25, 12.0)  # of the longer side: from a fisheye to a telescope

# Where EXIF's orientations send the stored x and y, as a matrix on coordinates about the picture's middle.
_TURNS = {
    1: ((1, 0), (0, 1)), 2: ((-1, 0), (0, 1)), 3: ((-1, 0), (0, -1)), 4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)), 6: ((0, -1), (1, 0)), 7: ((0, -1), (-1, 0)), 8: ((0, 1), (-1, 0)),
}  # fmt: skip


@dataclass(frozen=True)
class Camera:
    """A pinhole with radial and tangential distortion, for one picture size and orientation.

    The distortion is OpenCV's (k1, k2, p1, p2, k3).  `u_...` are standard uncertainties: of the focal
    length in pixels, of the principal point in pixels (each way), of k1 (dimensionless).
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    u_focal_px: float = 0.0
    u_centre_px: float = 0.0
    u_k1: float = 0.0
    source: FocalSource = "assumed"


@dataclass(frozen=True)
class Lens:
    """What EXIF says of the lens that took a photo; "" and None where it says nothing.

    focal_mm: the true focal length.  f35_mm: the 35 mm equivalent, a whole number of millimetres.
    zoom: digital zoom, 1 where there was none.
    """

    make: str = ""
    model: str = ""
    focal_mm: float | None = None
    f35_mm: float | None = None
    zoom: float = 1.0

    def __str__(self) -> str:
        parts = [f"{self.make} {self.model}".strip() or "a camera that EXIF does not name"]
        parts += [f"{self.focal_mm:.3g} mm"] if self.focal_mm else []
        parts += [f"{self.f35_mm:.3g} mm equivalent"] if self.f35_mm else []
        parts += [f"digital zoom {self.zoom:.3g}"] if self.zoom > 1.0 else []
        return ", ".join(parts)

    def clash(self, other: Lens) -> str:
        """What of these two can't be the same lens, as words; "" where nothing that both say differs."""
        for word, here, there in (("make", self.make, other.make), ("model", self.model, other.model)):
            if here and there and here.casefold() != there.casefold():
                return f"its {word} is {there}, not {here}"
        lengths = (("focal length", self.focal_mm, other.focal_mm, 0.0),
                   ("35 mm equivalent", self.f35_mm, other.f35_mm, 0.5))
        for word, mine, its, slack_mm in lengths:
            if mine and its and abs(its - mine) > max(_SAME_FOCAL * mine, slack_mm):
                return f"its {word} is {its:.3g} mm, not {mine:.3g} mm"
        if abs(self.zoom / other.zoom - 1) > _SAME_FOCAL:
            return f"its digital zoom is {other.zoom:.3g}, not {self.zoom:.3g}"
        return ""

    def same(self, other: Lens) -> bool:
        """True where both name maker, model and a focal length, and none of them differs."""
        lengths = (self.focal_mm and other.focal_mm) or (self.f35_mm and other.f35_mm)
        named = self.make and other.make and self.model and other.model
        return bool(named and lengths) and not self.clash(other)


def read_lens(main: Callable[[int], Any], photo: Callable[[int], Any]) -> Lens:
    """The lens from two look-ups of EXIF tags: the main directory's and the photo's own (Exif IFD).

    Tag numbers: Exif 2.32 (CIPA DC-008), the same as Pillow's `ExifTags`.
    """
    zoom = exif_number(photo(0xA404)) or 1.0
    make, model = (exif_text(main(tag), _LONGEST) for tag in (0x010F, 0x0110))
    return Lens(make=make, model=model, focal_mm=exif_number(photo(0x920A)), f35_mm=exif_number(photo(0xA405)),
                zoom=max(1.0, zoom))


def exif_number(value: Any) -> float | None:
    """A finite number above zero, or None: EXIF holds texts, zero denominators and nonsense too."""
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def exif_text(value: Any, longest: int) -> str:
    """The printable signs of an entry, so many at most; "" where there are none."""
    text = value.decode("ascii", "replace") if isinstance(value, bytes) else str(value or "")
    return "".join(sign for sign in text if sign.isprintable()).strip()[:longest]


class ProfileError(Misuse):
    """A camera profile that can't be used, or a picture that it can't be used for."""


_Text = Annotated[str, Field(max_length=_LONGEST, pattern=r"^[^\x00-\x1f\x7f]*$")]
_Positive = Annotated[float, Field(gt=0)]
_Doubt = Annotated[float, Field(ge=0)]
_Pixels = Annotated[int, Field(ge=200, le=50_000)]


def _fixed(length: int, item: Any) -> Any:
    """A list of exactly so many items: TOML has no tuples."""
    return Annotated[list[item], Field(min_length=length, max_length=length)]


class Profile(BaseModel):
    """A solved lens as stored: for pictures of `width_px` by `height_px`, before EXIF turns them.

    Pixels count from 0 at the centre of the top left pixel.  `u_...` are standard uncertainties of the
    solution alone.  residual_px: root of the mean squared distance between chart corners and model.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    name: Annotated[_Text, Field(min_length=1)]
    make: _Text = ""
    model: _Text = ""
    focal_mm: _Positive | None = None
    f35_mm: _Positive | None = None
    zoom: Annotated[float, Field(ge=1)] = 1.0
    width_px: _Pixels
    height_px: _Pixels
    focal_px: _Positive
    centre_px: _fixed(2, float)  # type: ignore[valid-type]
    distortion: _fixed(5, float)  # type: ignore[valid-type]
    u_focal_px: _Doubt
    u_centre_px: _fixed(2, _Doubt)  # type: ignore[valid-type]
    u_distortion: _fixed(5, _Doubt)  # type: ignore[valid-type]
    residual_px: _Doubt
    views: Annotated[int, Field(ge=1)]
    notes: str = ""

    @property
    def lens(self) -> Lens:
        """The EXIF entries of the chart photos."""
        return Lens(self.make, self.model, self.focal_mm, self.f35_mm, self.zoom)

    def fits(self, width_px: int, height_px: int) -> bool:
        """Whether pictures of this size have the profile's shape, lying or standing."""
        return self._same_shape(width_px, height_px) or self._same_shape(height_px, width_px)

    def _same_shape(self, width_px: int, height_px: int) -> bool:
        return abs(width_px * self.height_px / (height_px * self.width_px) - 1) <= _SAME_SHAPE

    def camera_for(self, width_px: int, height_px: int, orientation: int = 1) -> Camera:
        """The camera of an upright picture, from the size in pixels and the EXIF orientation as stored.

        width_px, height_px: of the stored pixels.  orientation: EXIF's 1 to 8; with 1, the default, the
        camera is for the stored picture itself, which is what `vision.decode.decode` takes.
        A copy scaled by s has focal length s f and principal point (c + 0.5) s - 0.5: pixel centres are whole
        numbers, so the picture's left border lies at -0.5.  A picture that stands where the chart photos
        lay (or the reverse) without saying how it was turned may have been turned either way: its principal
        point is the middle, and how far the true one lies off it goes into `u_centre_px`.  Pictures cut out
        of the middle at the same shape, as digital zoom does, can't be told from scaled ones by their
        size: compare `lens` with the photo's.
        The focal length's uncertainty also covers other focus distances (FOCUS_U), the principal point's
        the stabiliser (STABILISER_U).  Raises ProfileError for a picture of another shape.
        """
        if orientation not in _TURNS:
            raise ProfileError(f"{orientation} is no EXIF orientation; they run from 1 to 8.")
        if not self.fits(width_px, height_px):
            raise ProfileError(
                f"The camera profile {self.name!r} was solved from pictures of {self.width_px} x "
                f"{self.height_px} pixels; one of {width_px} x {height_px} has another shape. Take the photo "
                "in the format of the chart photos, and send it uncropped, or solve the camera again in that "
                "format.")
        if self._same_shape(width_px, height_px):
            scaled = self._scaled(width_px / self.width_px, height_px / self.height_px)
        else:
            scaled = _turned_unknown(
                self._scaled(height_px / self.width_px, width_px / self.height_px), (width_px, height_px))
        return turned(scaled, (width_px, height_px), orientation)

    def _scaled(self, along: float, down: float) -> Camera:
        scale = math.sqrt(along * down)
        focal = self.focal_px * scale
        k1, k2, p1, p2, k3 = self.distortion
        return Camera(
            focal_px=focal,
            centre_px=((self.centre_px[0] + 0.5) * along - 0.5, (self.centre_px[1] + 0.5) * down - 0.5),
            distortion=(k1, k2, p1, p2, k3),
            u_focal_px=math.hypot(self.u_focal_px * scale, FOCUS_U * focal),
            u_centre_px=math.hypot(max(self.u_centre_px) * scale, STABILISER_U * focal),
            u_k1=self.u_distortion[0],
            source="chart",
        )

    def dumps(self) -> str:
        """The profile as TOML; `parse_profile` reads it back to the same numbers."""
        lines = ["# A camera solved by `collargap camera solve`. Lengths in pixels of the stored picture,",
                 "# counted from 0 at the centre of the top left pixel; u_...: standard uncertainties.",
                 "# distortion: k1, k2, p1, p2, k3 of OpenCV's model."]
        lines += [f"{key} = {json.dumps(value, ensure_ascii=False)}"
                  for key, value in self.model_dump(exclude_none=True).items()]
        return "\n".join(lines) + "\n"


def turned(camera: Camera, size_px: tuple[int, int], orientation: int) -> Camera:
    """The camera after EXIF `orientation` (1 to 8) has turned or mirrored a picture of size (width, height).

    The decentring coefficients (p2, p1) form a vector in the picture, so they turn as the picture does.
    """
    turn = np.array(_TURNS[orientation], float)
    size = np.array(size_px, float)
    centre = turn @ (np.array(camera.centre_px) - (size - 1) / 2) + (np.abs(turn) @ size - 1) / 2
    k1, k2, p1, p2, k3 = camera.distortion
    across, down = (float(part) for part in turn @ (p2, p1))
    return replace(camera, centre_px=(float(centre[0]), float(centre[1])),
                   distortion=(k1, k2, down, across, k3))


def _turned_unknown(camera: Camera, size_px: tuple[int, int]) -> Camera:
    """The camera of a picture of `size_px` that was turned by 90 degrees, this way or that."""
    width, height = size_px
    off = math.hypot(camera.centre_px[0] - (height - 1) / 2, camera.centre_px[1] - (width - 1) / 2)
    k1, k2, _, _, k3 = camera.distortion
    return replace(camera, centre_px=((width - 1) / 2, (height - 1) / 2), distortion=(k1, k2, 0.0, 0.0, k3),
                   u_centre_px=math.hypot(camera.u_centre_px, off / math.sqrt(2.0)))


def parse_profile(text: str, file: str) -> Profile:
    """A profile from TOML text; `file` is its name, for messages.

    Raises ProfileError with the file, the key and the remedy.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProfileError(f"{file}: {error}. A camera profile is a TOML file that `collargap camera solve` "
                           "writes; solve the camera again if it was changed by hand.") from error
    try:
        profile = Profile.model_validate(document)
    except ValidationError as error:
        raise ProfileError("\n".join(f"{file}: {_explain(each)}" for each in error.errors())) from error
    odd = _oddity(profile)
    if odd:
        raise ProfileError(f"{file}: {odd}")
    return profile


def _explain(found: Any) -> str:
    """Pydantic's finding as a sentence with a remedy."""
    key, kind = str(found["loc"][0]), found["type"]
    if kind == "missing":
        return f"key '{key}': It is missing. Solve the camera again; a profile needs it."
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(key, Profile.model_fields, 1, 0.6)
        remedy = f"Did you mean '{near[0]}'?" if near else "Remove it."
        return f"key '{key}': A camera profile has no such key. {remedy}"
    if kind in ("too_long", "too_short"):
        many = found["ctx"].get("max_length", found["ctx"].get("min_length"))
        return f"key '{key}': It needs exactly {many} numbers. Solve the camera again, or restore the file."
    return (f"key '{key}': {found['msg']}, but it is {found['input']!r}. Correct it, or solve the camera "
            "again.")


def _oddity(profile: Profile) -> str:
    """What reads well and still can't be true of a camera: a sentence, or ""."""
    longer = max(profile.width_px, profile.height_px)
    least, most = PLAUSIBLE_FOCAL
    if not least * longer <= profile.focal_px <= most * longer:
        return (f"key 'focal_px': {profile.focal_px:g} px is no focal length of a camera whose pictures are "
                f"{longer} pixels long. Solve the camera again.")
    x, y = profile.centre_px
    if not (0 < x < profile.width_px and 0 < y < profile.height_px):
        return (f"key 'centre_px': ({x:g}, {y:g}) lies outside the picture. Check width_px and height_px, or "
                "solve the camera again.")
    return ""
