"""From light to a phone's picture: exposure, lens, blur, noise, tone, sharpening and the file's format.

Training pictures take only `exposure` and `develop`: their blur, noise and compression are drawn anew
each time they are looked at.
"""

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from .noise import luminance
from .recipe import ToneSpec

# EXIF orientation -> how an upright picture has to be turned before it is stored under that tag
STORED = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
ORIENTATION, EXIF_IFD, F35, TAKEN = 0x0112, 0x8769, 0xA405, 0x9003
MID_GREY, MID_GREY_SLOPE = 0.18, 1.19  # linear light, and how steep the sRGB curve is there
LEAST_LIGHT = 0.01  # below this, noise no longer falls: the sensor's own
HIGHLIGHT = 6.0  # light above this is clipped before the lens and the blur spread it


@dataclass(frozen=True)
class PhoneSpec:
    """What a phone does to a picture (px at full size; noise as a share of full scale at mid grey).

    f35_mm: the 35 mm equivalent that EXIF names, or None.  taken: EXIF's date and time, or "".
    """

    k1: float = 0.0
    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.01
    denoise: float = 0.0
    sharpen: float = 0.0
    quality: int = 85
    orientation: int = 1
    f35_mm: int | None = None
    taken: str = ""
    seed: int = 0


def exposure(frame: np.ndarray, weight: np.ndarray, tone: ToneSpec) -> float:
    """The gain that brings the frame, looked at mostly through `weight`, to middle grey."""
    lum = np.log(luminance(frame) + 1e-4)
    mean = float(np.exp((lum * weight).sum() / weight.sum()))
    bright = float(np.percentile(luminance(frame), 98))
    return min(0.17 / mean, 1.2 / max(bright, 1e-6)) * 2**tone.ev


def develop(light: np.ndarray, gain: float, tone: ToneSpec) -> np.ndarray:
    """Linear radiance to sRGB 0..1 with white balance, a filmic shoulder, contrast and saturation."""
    c = np.maximum(light * gain * np.asarray(tone.balance, np.float32), 0)
    grey = luminance(c)[..., None]
    c = np.maximum(grey + (c - grey) * tone.saturation, 0)
    knee = 0.7
    c = np.where(c > knee, knee + (1 - knee) * (1 - np.exp(-(c - knee) / (1 - knee))), c)
    c = np.where(c <= 0.0031308, 12.92 * c, 1.055 * np.maximum(c, 1e-9) ** (1 / 2.4) - 0.055)
    c = np.clip(c, 0, 1)
    bent = c * c * (3 - 2 * c)
    k = tone.contrast - 1
    return np.clip(c + k * (bent - c), 0, 1).astype(np.float32)


def distort(image: np.ndarray, K: np.ndarray, k1: float) -> np.ndarray:
    """The picture through a lens with x_d = x (1 + k1 r^2), x in units of the focal length."""
    if k1 == 0:
        return image
    h, w = image.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float64)
    xd, yd = (x - K[0, 2]) / K[0, 0], (y - K[1, 2]) / K[1, 1]
    xu, yu = xd.copy(), yd.copy()
    for _ in range(6):
        f = 1 + k1 * (xu * xu + yu * yu)
        xu, yu = xd / f, yd / f
    return cv2.remap(
        image,
        (xu * K[0, 0] + K[0, 2]).astype(np.float32),
        (yu * K[1, 1] + K[1, 2]).astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )


def _disc(radius: float) -> np.ndarray:
    n = int(np.ceil(radius)) + 1
    y, x = np.mgrid[-n : n + 1, -n : n + 1]
    k = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1)
    return k / k.sum()


def _streak(length: float, angle_deg: float) -> np.ndarray:
    """A line of this length through the middle of a kernel, its points shared among four pixels each."""
    n = int(np.ceil(length / 2)) + 1
    k = np.zeros((2 * n + 1, 2 * n + 1), np.float32)
    t = np.linspace(-length / 2, length / 2, 8 * n)
    x, y = n + t * np.cos(np.radians(angle_deg)), n + t * np.sin(np.radians(angle_deg))
    i, j = np.floor(y).astype(int), np.floor(x).astype(int)
    for di in (0, 1):
        for dj in (0, 1):
            np.add.at(k, (i + di, j + dj), (1 - np.abs(y - i - di)) * (1 - np.abs(x - j - dj)))
    return k / k.sum()


def _noise(image: np.ndarray, amount: float, rng: np.random.Generator) -> np.ndarray:
    """Shot noise, half of it fine and half in the small blots that a colour filter's pattern leaves."""
    fine = rng.normal(size=image.shape).astype(np.float32)
    blots = cv2.GaussianBlur(rng.normal(size=image.shape).astype(np.float32), (0, 0), 0.9)
    grain = fine + blots / blots.std()
    scale = amount / MID_GREY_SLOPE / np.sqrt(2 * MID_GREY)
    return grain * np.sqrt(np.maximum(image, LEAST_LIGHT)) * np.float32(scale)


def shoot(light: np.ndarray, K: np.ndarray, gain: float, tone: ToneSpec, phone: PhoneSpec) -> np.ndarray:
    """The upright picture (sRGB 0..1) that the phone makes of linear radiance."""
    rng = np.random.default_rng(phone.seed)
    image = distort(np.minimum(light.astype(np.float32) * gain, HIGHLIGHT), K, phone.k1)
    if phone.defocus_px > 0.3:
        image = cv2.filter2D(image, -1, _disc(phone.defocus_px))
    if phone.motion_px > 0:
        image = cv2.filter2D(image, -1, _streak(phone.motion_px, phone.motion_deg))
    image = develop(image + _noise(image, phone.noise, rng), 1.0, tone)
    if phone.denoise > 0:
        smooth = cv2.bilateralFilter(image, 5, 0.08, 1.5)
        image = image + (smooth - image) * phone.denoise
    if phone.sharpen > 0:
        image = image + phone.sharpen * (image - cv2.GaussianBlur(image, (0, 0), 1.2))
    return np.clip(image, 0, 1)


def _exif(phone: PhoneSpec) -> bytes:
    """EXIF with what there is to say, or nothing at all, as after a messaging program."""
    exif = Image.Exif()
    if phone.orientation != 1:
        exif[ORIENTATION] = phone.orientation
    if phone.f35_mm:
        exif.get_ifd(EXIF_IFD)[F35] = phone.f35_mm
    if phone.taken:
        exif.get_ifd(EXIF_IFD)[TAKEN] = phone.taken
    return exif.tobytes() if phone.orientation != 1 or phone.f35_mm or phone.taken else b""


def encode(image: np.ndarray, phone: PhoneSpec, kind: str = "JPEG") -> bytes:
    """The file of an upright picture (sRGB 0..1): JPEG, WEBP or HEIF, turned and tagged as EXIF says."""
    if kind == "HEIF":
        from pillow_heif import register_heif_opener

        register_heif_opener()
    picture = Image.fromarray((image * 255 + 0.5).astype(np.uint8))
    if phone.orientation in STORED:
        picture = picture.transpose(STORED[phone.orientation])
    out = io.BytesIO()
    picture.save(out, kind, quality=phone.quality, exif=_exif(phone))
    return out.getvalue()
