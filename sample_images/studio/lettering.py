"""Print of the kind found on pipe and paper, naming nobody."""

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont


def invented_text(rng) -> str:
    """Some words, numbers and signs."""
    u = rng.integers
    parts = [
        f"PN{u(4, 26)}",
        f"SDR{u(7, 34)}",
        f"{u(20, 120)}x{u(18, 90) / 10:.1f}",
        f"LOT {u(1000, 99999)}",
        f"{u(1, 13):02d}/{u(19, 31)}",
        f"{u(0, 400)} m",
        f"{u(0, 24):02d}:{u(0, 60):02d}",
        f"{u(1, 6)} IN",
        f"TYPE {chr(65 + u(26))}{u(1, 9)}",
        "<<<",
        "---",
        f"Q{u(10, 99)}X-{u(100, 999)}",
        f"{u(50, 500)} PSI",
        "THIS SIDE UP",
        f"No. {u(1, 999)}",
        "||||| || |||",
        ">>>",
        f"MAX {u(20, 99)} C",
        "WATER",
        "GAS",
        "AIR",
    ]
    return "  ".join(str(v) for v in rng.choice(parts, int(u(1, 7)), replace=False))


def text_mask(rng, text: str) -> np.ndarray:
    """The text as an alpha picture 0..1, some 40 px high."""
    if rng.random() < 0.6:
        font = ImageFont.load_default(size=int(rng.integers(26, 44)))
        box = font.getbbox(text)
        image = Image.new("L", (max(4, int(box[2]) + 8), int(box[3]) + 8))
        ImageDraw.Draw(image).text((4, 2), text, 255, font)
        return np.asarray(image, np.float32) / 255
    face = int(
        rng.choice(
            [
                cv2.FONT_HERSHEY_SIMPLEX,
                cv2.FONT_HERSHEY_DUPLEX,
                cv2.FONT_HERSHEY_PLAIN,
                cv2.FONT_HERSHEY_SCRIPT_SIMPLEX,
                cv2.FONT_HERSHEY_COMPLEX,
            ]
        )
    )
    thick = int(rng.integers(1, 5))
    scale = 2.2 if face == cv2.FONT_HERSHEY_PLAIN else 1.2
    try:
        (w, h), base = cv2.getTextSize(text, face, scale, thick)
    except (cv2.error, TypeError):
        w, h, base = 24 * len(text), 36, 12
    image = np.zeros((h + base + 10, w + 12), np.uint8)
    cv2.putText(image, text, (6, h + 4), face, scale, 255, thick, cv2.LINE_AA)
    return image.astype(np.float32) / 255
