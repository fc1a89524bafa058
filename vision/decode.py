"""bytes -> Photo: pixels upright in RGB, the camera with its doubt, or a Refusal that says why not.

Nothing that arrives as bytes may raise: a photo comes from a phone, a chat program or by mistake.
The size is read and judged before any pixel is decoded, so that a small file can't fill the memory.
Embedded colour profiles are not applied: a wide-gamut photo comes out a little paler than it was, which
moves no edge.  Of several pictures in one file the first is taken.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageOps, UnidentifiedImageError

from calibration.camera import Camera, Lens, Profile, ProfileError, read_lens, turned
from vision import bars
from vision.focal import Facts, camera_of, read_facts
from vision.records import Bytes, Doubt, Photo, Refusal

LEAST_PIXELS = 500_000
MOST_PIXELS = 50_500_000  # what phones call 50 megapixels is up to 50.1 million
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
_EXIF_IFD = 0x8769
# EXIF's orientation: what brings the stored pixels upright
_TURNS: dict[int, tuple[Callable[[Any], Any], ...]] = {
    2: (partial(cv2.flip, flipCode=1),),
    3: (partial(cv2.rotate, rotateCode=cv2.ROTATE_180),),
    4: (partial(cv2.flip, flipCode=0),),
    5: (cv2.transpose,),
    6: (partial(cv2.rotate, rotateCode=cv2.ROTATE_90_CLOCKWISE),),
    7: (cv2.transpose, partial(cv2.rotate, rotateCode=cv2.ROTATE_180)),
    8: (partial(cv2.rotate, rotateCode=cv2.ROTATE_90_COUNTERCLOCKWISE),),
}


def decode(data: bytes, camera: Camera | Profile | None = None) -> Photo | Refusal:
    """The photo in these bytes.

    camera: what is known of the lens: a profile for all sizes, or the camera for just this picture as it is
    stored, before EXIF turns it.  Raises ProfileError, which is misuse, for the profile of another lens or of
    pictures of another shape.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of what is judged, or refused, here anyway
        return _decode(data, camera)


def _decode(data: bytes, camera: Camera | Profile | None) -> Photo | Refusal:
    image = _open(data)
    if isinstance(image, Refusal):
        return image
    wrong = _wrong_size(*image.size)
    if wrong:
        return wrong[0]
    try:
        facts, lens = _facts(image)
        pixels = _quick(data, image, facts.orientation)
        pixels = _pixels(image) if pixels is None else pixels
    except Exception as error:  # broken pictures break decoders in every way there is
        return Refusal("decode", "not-a-photo", _what_broke(error))
    size = pixels.shape[1], pixels.shape[0]
    if camera is not None:
        return Photo(pixels, _known(camera, facts, lens, size), facts.taken)
    found, doubts = camera_of(facts, size)
    if doubts:
        found, doubts = _within_bars(pixels, facts) or (found, doubts)
    return Photo(pixels, found, facts.taken, doubts)


def _within_bars(pixels: Bytes, facts: Facts) -> tuple[Camera, tuple[Doubt, ...]] | None:
    """The camera of a photo that has bars of one colour round it; None where it has none."""
    inside = bars.within(pixels)
    if inside is None:
        return None
    left, top, width, height = inside
    found, doubts = camera_of(facts, (width, height))
    x, y = found.centre_px
    told = tuple(replace(doubt, detail=f"{doubt.detail} for the {width} x {height} pixels within its bars")
                 for doubt in doubts)
    return replace(found, centre_px=(x + left, y + top)), told


def _open(data: bytes) -> Image.Image | Refusal:
    if not data:
        return Refusal("decode", "not-a-photo", "the file is empty")
    if data[4:8] == b"ftyp":
        _allow_heif()
    try:
        return Image.open(io.BytesIO(data), formats=_known_formats())
    except Image.DecompressionBombError:
        return Refusal("decode", "too-large", "far more than 50 megapixels")
    except UnidentifiedImageError:
        return Refusal("decode", "not-a-photo", "its bytes are of no picture format that is known here")
    except Exception as error:
        return Refusal("decode", "not-a-photo", _what_broke(error))


def _allow_heif() -> None:
    from pillow_heif import register_heif_opener

    register_heif_opener()


def _known_formats() -> list[str]:
    Image.init()
    return [name for name in _FORMATS if name in Image.OPEN]


def _wrong_size(width: int, height: int) -> tuple[Refusal] | None:
    detail = f"{width} x {height} pixels, {width * height / 1e6:.1f} megapixels"
    if width * height > MOST_PIXELS:
        return (Refusal("decode", "too-large", detail),)
    if width * height < LEAST_PIXELS or min(width, height) < 200:
        return (Refusal("decode", "too-small", detail),)
    return None


def _what_broke(error: Exception) -> str:
    text = str(error).casefold()
    if "truncated" in text or "incomplete" in text or isinstance(error, EOFError):
        return "the file ends before its picture does"
    return f"its picture is damaged or of an unknown kind ({type(error).__name__})"


def _facts(image: Image.Image) -> tuple[Facts, Lens]:
    exif = image.getexif()
    own = exif.get_ifd(_EXIF_IFD)
    facts = read_facts(exif.get, own.get)
    # HEIF turns its pixels by itself and then forgets how they were stored.
    stored = image.info.get("original_orientation")
    return replace(facts, orientation=stored) if stored else facts, read_lens(exif.get, own.get)


def _quick(data: bytes, image: Image.Image, orientation: int) -> Bytes | None:
    """Upright RGB of an ordinary, whole JPEG by OpenCV, which copies less than Pillow; None for any other file."""
    if image.format not in ("JPEG", "MPO") or image.mode != "RGB" or not _ends(data):
        return None
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None or pixels.shape[1::-1] != image.size:
        return None
    for turn in _TURNS.get(orientation, ()):
        pixels = turn(pixels)
    return np.asarray(pixels, np.uint8)


def _ends(data: bytes) -> bool:
    """Whether a JPEG's picture is followed by its end: OpenCV makes grey of what a broken file lacks.

    Segments before the first scan are stepped over, as a thumbnail in them has an end of its own (ITU-T T.81, Annex B).
    """
    at = 2
    while 0 < at < len(data) - 4 and data[at] == 0xFF and data[at + 1] != 0xDA:
        at += 2 + int.from_bytes(data[at + 2:at + 4], "big") if data[at + 1] != 0xFF else 1
    return data[at:at + 2] == b"\xff\xda" and data.rfind(b"\xff\xd9", at) > 0  # it is near the end, mostly


def _pixels(image: Image.Image) -> Bytes:
    """Upright 8-bit RGB.  Each step lets go of the one before: one full-size array is all that stays."""
    image.load()
    image = _to_rgb(image)
    ImageOps.exif_transpose(image, in_place=True)
    return np.asarray(image)


def _to_rgb(image: Image.Image) -> Image.Image:
    if image.mode == "RGB":
        return image
    if image.mode.startswith("I") or image.mode == "F":
        exif = image.getexif()
        image = Image.fromarray(_grey(np.asarray(image)))
        image.info["exif"] = exif.tobytes()
    if image.has_transparency_data:
        return _on_white(image.convert("RGBA"))
    return image.convert("RGB")


def _on_white(image: Image.Image) -> Image.Image:
    """What lies behind a cut-out photo, as every viewer shows it."""
    ground = Image.new("RGB", image.size, "white")
    ground.paste(image, mask=image.getchannel("A"))
    ground.info = image.info
    return ground


def _grey(values: np.ndarray) -> Bytes:
    """8 bits of deeper grey: 16-bit whole numbers, or floats up to 1 or 255."""
    if values.dtype.kind == "f":
        values = np.nan_to_num(values)
        return np.asarray(np.clip(values * (255 if values.max() <= 1 else 1), 0, 255), np.uint8)
    return np.asarray(np.clip(values // 257 if values.max() > 255 else values, 0, 255), np.uint8)


def _known(camera: Camera | Profile, facts: Facts, lens: Lens, size: tuple[int, int]) -> Camera:
    """The given camera for the upright picture of this size."""
    stored = size if facts.orientation < 5 else size[::-1]
    if isinstance(camera, Camera):
        return turned(camera, stored, facts.orientation)
    clash = camera.lens.clash(lens)
    if clash:
        raise ProfileError(f"The camera profile {camera.name!r} is not of the lens that took the photo: "
                           f"{clash}. Name the profile of that lens, or none.")
    return camera.camera_for(*stored, facts.orientation)
