"""From light to a phone's picture: tone, and for test photos also lens, blur, noise, sharpening and JPEG."""

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from .noise import luminance
from .recipe import ToneSpec

ORIENTATION_OPS = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@dataclass(frozen=True)
class PhoneSpec:
    """What a phone does to a picture (px at full size; noise as a share of full scale at mid grey)."""

    k1: float = 0.0
    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.0
    denoise: float = 0.0
    sharpen: float = 0.0
    quality: int = 92
    exif: bool = True
    orientation: int = 1
    f35_mm: int = 26
    seed: int = 0


def draw_phone(seed: int, f35_mm: float) -> PhoneSpec:
    """A random phone."""
    rng = np.random.default_rng(seed)
    u = rng.uniform
    return PhoneSpec(
        k1=float(rng.normal(0, 0.012)),
        defocus_px=float(abs(rng.normal(0, 0.9))),
        motion_px=float(u(1, 7) if rng.random() < 0.25 else 0),
        motion_deg=float(u(0, 180)),
        noise=float(np.exp(u(np.log(0.002), np.log(0.04)))),
        denoise=float(u(0, 1)),
        sharpen=float(u(0, 1.2)),
        quality=int(u(55, 97)),
        exif=bool(rng.random() < 0.7),
        orientation=int(
            rng.choice([1, 6, 8, 3, 2, 4, 5, 7], p=[0.4, 0.25, 0.12, 0.1, 0.04, 0.03, 0.03, 0.03])
        ),
        f35_mm=round(f35_mm),
        seed=seed,
    )


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
    """The picture through a lens with x_d = x (1 + k1 r^2)."""
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
    n = int(np.ceil(length / 2)) + 1
    k = np.zeros((2 * n + 1, 2 * n + 1), np.float32)
    a = np.radians(angle_deg)
    for t in np.linspace(-length / 2, length / 2, 8 * n):
        x, y = n + t * np.cos(a), n + t * np.sin(a)
        i, j = int(y), int(x)
        fy, fx = y - i, x - j
        for di, dj, wgt in (
            (0, 0, (1 - fy) * (1 - fx)),
            (0, 1, (1 - fy) * fx),
            (1, 0, fy * (1 - fx)),
            (1, 1, fy * fx),
        ):
            if i + di < k.shape[0] and j + dj < k.shape[1]:
                k[i + di, j + dj] += wgt
    return k / k.sum()


def shoot(light: np.ndarray, K: np.ndarray, gain: float, tone: ToneSpec, phone: PhoneSpec) -> bytes:
    """JPEG bytes of linear radiance as the phone would save it."""
    rng = np.random.default_rng(phone.seed)
    image = distort(light.astype(np.float32) * gain, K, phone.k1)
    if phone.defocus_px > 0.3:
        image = cv2.filter2D(image, -1, _disc(phone.defocus_px))
    if phone.motion_px > 0:
        image = cv2.filter2D(image, -1, _streak(phone.motion_px, phone.motion_deg))
    shot = np.sqrt(np.maximum(image, 0.01) / 0.18) * phone.noise * 0.4
    image = image + rng.normal(size=image.shape).astype(np.float32) * shot
    image = develop(image, 1.0, tone)
    if phone.denoise > 0.3:
        smooth = cv2.bilateralFilter(image, 5, 0.08, 1.5)
        image = image + (smooth - image) * phone.denoise
    if phone.sharpen > 0:
        image = image + phone.sharpen * (image - cv2.GaussianBlur(image, (0, 0), 1.2))
    return encode(image, phone)


def encode(image: np.ndarray, phone: PhoneSpec) -> bytes:
    """An upright picture (sRGB 0..1) as JPEG, turned and tagged as its orientation says."""
    picture = Image.fromarray((np.clip(image, 0, 1) * 255 + 0.5).astype(np.uint8))
    exif = Image.Exif()
    if phone.exif:
        exif[0x0112] = phone.orientation
        exif.get_ifd(0x8769)[0xA405] = phone.f35_mm
        # what viewers undo by the tag is done here the other way round
        undo = {6: Image.Transpose.ROTATE_90, 8: Image.Transpose.ROTATE_270}.get(
            phone.orientation, ORIENTATION_OPS[phone.orientation]
        )
        picture = picture if undo is None else picture.transpose(undo)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=phone.quality, exif=exif if phone.exif else b"")
    return out.getvalue()
