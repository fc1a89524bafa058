"""Bytes to photo: every format, depth and orientation upright; everything else refused in words."""

from __future__ import annotations

import io
import math
import struct
import warnings
import zlib
from functools import lru_cache
from typing import Any

import cv2
import exifread
import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from calibration.camera import Camera, Profile, ProfileError
from vision.decode import decode
from vision.focal import Facts, camera_of
from vision.records import Photo, Refusal

W, H = 880, 660


def picture(width: int = W, height: int = H) -> Image.Image:
    """Four quarters of four colours, so that every turn and flip shows."""
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[: height // 2, : width // 2] = (200, 40, 40)
    pixels[: height // 2, width // 2 :] = (40, 200, 40)
    pixels[height // 2 :, : width // 2] = (40, 40, 200)
    pixels[height // 2 :, width // 2 :] = (220, 220, 220)
    return Image.fromarray(pixels)


def encoded(image: Image.Image, kind: str = "JPEG", **options: Any) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def exif(**tags: Any) -> Image.Exif:
    """EXIF from names: the photo's own tags go where cameras put them."""
    ids = {"orientation": 0x0112, "f35": 0xA405, "focal": 0x920A, "plane_x": 0xA20E, "plane_unit": 0xA210,
           "zoom": 0xA404, "width": 0xA002, "height": 0xA003, "taken": 0x9003}
    made = Image.Exif()
    inner = made.get_ifd(0x8769)
    for name, value in tags.items():
        (made if name == "orientation" else inner)[ids[name]] = value
    return made


def photo(data: bytes, camera: Camera | None = None) -> Photo:
    result = decode(data, camera)
    assert isinstance(result, Photo), result
    assert result.pixels.dtype == np.uint8
    assert result.pixels.ndim == 3
    assert result.pixels.flags["C_CONTIGUOUS"]
    return result


def refusal(data: bytes) -> Refusal:
    result = decode(data)
    assert isinstance(result, Refusal)
    return result


def same(pixels: np.ndarray, expected: np.ndarray, tolerance: int = 6) -> bool:
    """The middles of the four quarters agree."""
    if pixels.shape != expected.shape:
        return False
    h, w = pixels.shape[:2]
    at = [(h // 4, w // 4), (h // 4, 3 * w // 4), (3 * h // 4, w // 4), (3 * h // 4, 3 * w // 4)]
    return all(np.abs(pixels[a].astype(int) - expected[a]).max() <= tolerance for a in at)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
def test_every_format_opens(kind: str) -> None:
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    assert same(photo(encoded(picture(), kind)).pixels, np.asarray(picture()))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_comes_upright(kind: str, orientation: int) -> None:
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    stored = picture()
    tags = exif(orientation=orientation)
    stored.info["exif"] = tags.tobytes()
    upright = ImageOps.exif_transpose(stored)
    data = encoded(picture(), kind, exif=tags.tobytes())
    assert same(photo(data).pixels, np.asarray(upright))


def test_stages_can_use_the_pixels() -> None:
    pixels = photo(encoded(picture())).pixels
    assert cv2.resize(pixels, (100, 75)).shape == (75, 100, 3)


@pytest.mark.parametrize(("kind", "mode"), [
    *(("PNG", mode) for mode in ("L", "1", "P", "RGBA", "LA")),
    *(("TIFF", mode) for mode in ("L", "1", "P", "RGBA", "LA", "CMYK", "YCbCr")),
    *(("JPEG", mode) for mode in ("L", "CMYK", "YCbCr")),
])
def test_every_colour_mode_becomes_rgb(kind: str, mode: str) -> None:
    image = picture().convert(mode)
    expected = np.asarray(image.convert("RGB"))
    assert same(photo(encoded(image, kind)).pixels, expected)


def test_behind_a_cut_out_photo_lies_white() -> None:
    image = picture().convert("RGBA")
    image.putalpha(Image.fromarray(np.full((H, W), 0, np.uint8)))
    assert photo(encoded(image, "PNG")).pixels.min() == 255


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_16_bit_grey_keeps_its_shades(kind: str) -> None:
    ramp = np.tile(np.linspace(0, 65535, W).astype(np.uint16), (H, 1))
    pixels = photo(encoded(Image.fromarray(ramp), kind)).pixels
    assert np.abs(pixels[0, :, 1].astype(int) - ramp[0] // 257).max() <= 1


@pytest.mark.parametrize("extension", [".png", ".tiff"])
def test_16_bit_colour_keeps_its_shades(extension: str) -> None:
    deep = np.asarray(picture()).astype(np.uint16)[..., ::-1] * 257
    plain = [cv2.IMWRITE_TIFF_COMPRESSION, 1] if extension == ".tiff" else []
    ok, data = cv2.imencode(extension, deep, plain)
    assert ok
    assert same(photo(data.tobytes()).pixels, np.asarray(picture()), 1)


def test_float_grey_is_understood() -> None:
    ramp = np.tile(np.linspace(0, 1, W).astype(np.float32), (H, 1))
    pixels = photo(encoded(Image.fromarray(ramp), "TIFF")).pixels
    assert pixels[0, 0, 0] == 0
    assert pixels[0, -1, 0] == 255


# --- what is refused ---------------------------------------------------------------------------------


def png_header(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = chunk(b"IHDR", head), chunk(b"IDAT", zlib.compress(b"")), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


@pytest.mark.parametrize(("data", "reason"), [
    (b"", "not-a-photo"),
    (b"Dear sir, here is the photo.", "not-a-photo"),
    (b"\xff\xd8\xff\xe0", "not-a-photo"),
    (b"\x89PNG\r\n\x1a\n", "not-a-photo"),
    (b"\0\0\0\x18ftypheic", "not-a-photo"),
    (b"%PDF-1.7", "not-a-photo"),
    (png_header(60_000, 60_000), "too-large"),
    (png_header(10_000, 9_000), "too-large"),
    (png_header(8_000, 6_400), "too-large"),
    (png_header(8_160, 6_144), "not-a-photo"),
    (png_header(800, 600), "too-small"),
    (png_header(60_000, 20), "too-small"),
])
def test_what_is_no_photo_is_refused_in_words(data: bytes, reason: str) -> None:
    result = refusal(data)
    assert result.stage == "decode"
    assert result.reason == reason
    assert len(result.detail) > 10


@lru_cache
def noise(kind: str) -> bytes:
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    grain = np.random.default_rng(1).integers(0, 255, (H, W, 3), dtype=np.uint8)
    return encoded(Image.fromarray(grain), kind)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.95])
def test_truncated_files_are_refused(kind: str, share: float) -> None:
    data = noise(kind)
    assert refusal(data[: int(len(data) * share)]).reason == "not-a-photo"


SMALL_JPEG = encoded(picture(), quality=30, exif=exif(f35=26, orientation=6))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.integers(0, len(SMALL_JPEG) - 1), st.integers(0, 255)), min_size=1, max_size=20))
def test_damaged_files_never_raise_nor_warn(damage: list[tuple[int, int]]) -> None:
    data = bytearray(SMALL_JPEG)
    for at, value in damage:
        data[at % 700 if at % 2 else at] = value
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert isinstance(decode(bytes(data)), (Photo, Refusal))


# --- what EXIF says ----------------------------------------------------------------------------------


def test_exif_agrees_with_a_second_reader() -> None:
    data = encoded(picture(), exif=exif(f35=28, focal=5.7, zoom=1.0, width=W, height=H, orientation=6,
                                        taken="2026:05:04 10:20:30"))
    other = exifread.process_file(io.BytesIO(data), details=False)
    assert other["EXIF FocalLengthIn35mmFilm"].values == [28]
    ours = photo(data)
    assert ours.taken == str(other["EXIF DateTimeOriginal"])
    assert ours.size_px == (H, W)
    f35 = other["EXIF FocalLengthIn35mmFilm"].values[0]
    diagonal, width = f35 * math.hypot(W, H) / 43.26662, f35 * W / 36
    assert ours.camera.focal_px == pytest.approx((3 * diagonal + width) / 4)
    assert ours.camera.source == "exif"


@pytest.mark.parametrize(("f35", "size", "by_diagonal", "by_width"), [
    (26, (4032, 3024), 3028.663, 2912.000),
    (24, (4000, 3000), 2773.501, 2666.667),
    (27, (3024, 4032), 3145.150, 3024.000),
    (50, (6000, 4000), 8333.333, 8333.333),
    (26, (4608, 2592), 3177.078, 3328.000),
])
def test_both_meanings_of_the_35_mm_equivalent_lie_within_its_uncertainty(
        f35: float, size: tuple[int, int], by_diagonal: float, by_width: float) -> None:
    """Values by hand from the definitions: f35 * diagonal / 43.26662 and f35 * width / 36."""
    camera, doubts = camera_of(Facts(f35_mm=f35), size)
    assert not doubts
    for meaning in (by_diagonal, by_width):
        assert abs(camera.focal_px - meaning) <= 1.8 * camera.u_focal_px
    assert 0.01 < camera.u_focal_px / camera.focal_px < 0.05
    assert camera.centre_px == ((size[0] - 1) / 2, (size[1] - 1) / 2)


def test_the_pixel_pitch_is_a_second_road() -> None:
    """3.99 mm, 4032 pixels over 4.8 mm of sensor: 32.4 mm of full frame's 43.27 in the diagonal."""
    camera, doubts = camera_of(Facts(focal_mm=4.0, plane_px_per_mm=840.0, full_px=(4032, 3024)), (2016, 1512))
    assert camera.focal_px == pytest.approx(4.0 * 840 / 2)
    assert camera.source == "exif"
    assert not doubts


@pytest.mark.parametrize(("facts", "size", "words"), [
    (Facts(), (4000, 3000), "no usable focal length"),
    (Facts(f35_mm=26, full_px=(4032, 3024)), (3000, 1700), "cropped"),
    (Facts(f35_mm=26), (3000, 1100), "shape"),
    (Facts(f35_mm=26, zoom=2.0), (4032, 3024), "zoom 2"),
    (Facts(focal_mm=4.0, plane_px_per_mm=1e6), (4032, 3024), "no usable"),
])
def test_what_cannot_be_believed_is_assumed_widely_and_said(
        facts: Facts, size: tuple[int, int], words: str) -> None:
    camera, doubts = camera_of(facts, size)
    assert camera.source == "assumed"
    assert [doubt.reason for doubt in doubts] == ["focal-assumed"]
    assert words in doubts[0].detail
    assert camera.u_focal_px / camera.focal_px > 0.1


def test_the_assumed_lens_covers_what_phones_have() -> None:
    camera, _ = camera_of(Facts(), (4000, 3000))
    for f35 in (22, 24, 26, 28, 30):
        assert abs(f35 * 5000 / 43.26662 - camera.focal_px) < 2 * camera.u_focal_px


def test_a_smaller_copy_is_no_crop() -> None:
    camera, doubts = camera_of(Facts(f35_mm=26, full_px=(4032, 3024)), (1600, 1200))
    assert not doubts
    assert camera.focal_px == pytest.approx(camera_of(Facts(f35_mm=26), (1600, 1200))[0].focal_px)


def test_a_photo_turned_by_its_editor_is_no_crop() -> None:
    assert not camera_of(Facts(f35_mm=26, full_px=(4032, 3024)), (3024, 4032))[1]


@pytest.mark.parametrize("tags", [
    {"f35": 0}, {"f35": 65535}, {"focal": float("inf")}, {"zoom": float("inf")}, {"width": 0, "height": 0},
])
def test_nonsense_in_exif_is_no_focal_length(tags: dict[str, Any]) -> None:
    """Rationals with a zero denominator stand for infinity; a zero 35 mm equivalent for unknown."""
    assert photo(encoded(picture(), exif=exif(**tags))).camera.source == "assumed"


# --- bars round a photo ------------------------------------------------------------------------------


def scene(width: int, height: int, seed: int = 1) -> np.ndarray:
    """A photo with something in it up to its border, and a sensor's noise."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(40, 230, (9, 12, 3)).astype(np.uint8)
    smooth = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC).astype(float)
    return np.clip(smooth + rng.normal(0, 4, smooth.shape), 0, 255).astype(np.uint8)


def barred(inside: np.ndarray, size: tuple[int, int], at: tuple[int, int], colour: tuple[int, int, int]) -> Image.Image:
    framed = np.full((size[1], size[0], 3), colour, np.uint8)
    (x, y), (height, width) = at, inside.shape[:2]
    framed[y:y + height, x:x + width] = inside
    return Image.fromarray(framed)


BARRED = [((1170, 878), (1170, 2532), (0, 827)),  # upright on a phone's screen
          ((1170, 878), (1170, 2532), (0, 600)),  # not in its middle
          ((1404, 1053), (2532, 1170), (564, 58)),  # bars on all sides
          ((878, 1170), (2532, 1170), (827, 0))]


@pytest.mark.parametrize("colour", [(0, 0, 0), (255, 255, 255), (28, 28, 30), (240, 0, 90)])
@pytest.mark.parametrize(("kind", "options"), [("PNG", {}), ("JPEG", {"quality": 85}), ("JPEG", {"quality": 40})])
@pytest.mark.parametrize(("inside", "size", "at"), BARRED)
def test_a_lens_is_assumed_for_the_photo_within_its_bars(inside, size, at, colour, kind, options) -> None:
    found = photo(encoded(barred(scene(*inside), size, at, colour), kind, **options))
    plain = photo(encoded(Image.fromarray(scene(*inside))))
    assert found.size_px == size  # the pixels stay
    assert found.camera.source == "assumed"
    assert found.camera.focal_px == pytest.approx(plain.camera.focal_px, rel=0.005)
    assert found.camera.u_focal_px == pytest.approx(plain.camera.u_focal_px, rel=0.005)
    middle = at[0] + (inside[0] - 1) / 2, at[1] + (inside[1] - 1) / 2
    assert found.camera.centre_px == pytest.approx(middle, abs=4)
    assert "within its bars" in found.doubts[0].detail


def test_a_known_lens_is_not_asked_for_bars() -> None:
    inside = scene(1600, 900)
    framed = barred(inside, (1600, 1200), (0, 150), (0, 0, 0))
    assert photo(encoded(framed, exif=exif(f35=26))).camera.centre_px == (799.5, 599.5)


def natural(ground: int, noise: float, clip: bool) -> np.ndarray:
    """A pipe with its collar across a ground that is even, or so dark or bright that nothing is left of it."""
    rng = np.random.default_rng(3)
    pixels = np.full((1200, 1600), float(ground))
    pixels[480:720] = 130
    pixels[460:740, 300:800] = 150
    pixels += rng.normal(0, noise, pixels.shape)
    if clip:
        pixels[:450] = pixels[750:] = ground
    return np.repeat(np.clip(pixels, 0, 255).astype(np.uint8)[:, :, None], 3, 2)


@pytest.mark.parametrize("pixels", [
    natural(0, 3, False), natural(0, 3, True), natural(255, 3, True), natural(4, 8, False),
    natural(0, 3, True).swapaxes(0, 1),
    np.concatenate([np.full((400, 1600, 3), 255, np.uint8), scene(1600, 800)]),  # a white wall above all there is
    np.concatenate([np.full((300, 1600, 3), 255, np.uint8), scene(1600, 700), np.zeros((200, 1600, 3), np.uint8)]),
    np.zeros((1200, 1600, 3), np.uint8), scene(1600, 1200)])
def test_a_photos_own_ground_is_no_bar(pixels: np.ndarray) -> None:
    for kind in ("PNG", "JPEG"):
        found = photo(encoded(Image.fromarray(np.ascontiguousarray(pixels)), kind))
        assert found.camera.centre_px == ((found.size_px[0] - 1) / 2, (found.size_px[1] - 1) / 2)
        assert "bars" not in found.doubts[0].detail


# --- a camera that is known --------------------------------------------------------------------------

KNOWN = Camera(focal_px=700, centre_px=(450.0, 320.0), distortion=(0.02, 0.0, 0.003, 0.001, 0.0),
               u_focal_px=2, u_centre_px=1, source="chart")


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_known_camera_turns_with_its_picture(orientation: int) -> None:
    """A point of the scene falls on the same grain of the picture before and after the turn."""
    data = encoded(picture(), exif=exif(orientation=orientation))
    turned = photo(data, KNOWN).camera
    rows, columns = np.indices((H, W), np.int32)
    ways = {2: 0, 3: 3, 4: 1, 5: 5, 6: 4, 7: 6, 8: 2}
    where_x, where_y = columns, rows
    if orientation > 1:
        way = Image.Transpose(ways[orientation])
        where_x, where_y = (np.asarray(Image.fromarray(g).transpose(way)) for g in (columns, rows))
    for point in ((0.2, 0.1, 1.0), (-0.3, 0.2, 1.0)):
        x, y = project(KNOWN, np.array(point))
        upright = np.array([*np.array(TURN[orientation]) @ point[:2], 1.0])
        u, v = project(turned, upright)
        assert where_x[round(v), round(u)] == pytest.approx(x, abs=1)
        assert where_y[round(v), round(u)] == pytest.approx(y, abs=1)


TURN = {1: ((1, 0), (0, 1)), 2: ((-1, 0), (0, 1)), 3: ((-1, 0), (0, -1)), 4: ((1, 0), (0, -1)),
        5: ((0, 1), (1, 0)), 6: ((0, -1), (1, 0)), 7: ((0, -1), (-1, 0)), 8: ((0, 1), (-1, 0))}


def project(camera: Camera, point: np.ndarray) -> np.ndarray:
    matrix = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]],
                       [0, 0, 1.0]])
    zero = np.zeros(3)
    return cv2.projectPoints(point[None], zero, zero, matrix, np.array(camera.distortion))[0].reshape(2)


PROFILE = Profile(
    name="blue phone", make="Maker", model="P1", f35_mm=26.0, width_px=2 * W, height_px=2 * H,
    focal_px=1400.0, centre_px=[900.5, 640.5], distortion=[0.02, 0.0, 0.003, 0.001, 0.0],
    u_focal_px=2.0, u_centre_px=[1.0, 1.0], u_distortion=[0.001] * 5, residual_px=0.3, views=12)


def test_a_profile_fits_smaller_and_turned_pictures_of_its_lens() -> None:
    tags = exif(orientation=6, f35=26)
    tags[0x010F], tags[0x0110] = "Maker", "P1"
    for kind in ("JPEG", "HEIF"):
        found = photo(encoded(picture(), kind, exif=tags.tobytes()), PROFILE)
        assert found.size_px == (H, W)
        assert found.camera == PROFILE.camera_for(W, H, 6)
        assert found.camera.source == "chart"
        assert found.doubts == ()


def test_the_profile_of_another_lens_or_shape_is_misuse() -> None:
    tags = exif(f35=52)
    with pytest.raises(ProfileError, match="not of the lens"):
        decode(encoded(picture(), exif=tags), PROFILE)
    with pytest.raises(ProfileError, match="another shape"):
        decode(encoded(picture(1600, 700)), PROFILE)


def test_no_profile_makes_a_photo_of_what_is_none() -> None:
    assert isinstance(decode(b"Dear sir", PROFILE), Refusal)
