"""What the crew does with a photo besides checking it: its size by its header, and a picture to place lines on."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from PIL import Image

PREVIEW_PX = 2000
_QUALITY = 85
_ORIENTATION, _ON_ITS_SIDE = 0x0112, (5, 6, 7, 8)  # EXIF 2.3


@dataclass(frozen=True)
class Preview:
    """The upright photo, small enough for a phone.  size_px: of the photo itself.

    start: lines to start from, in pixels of the photo (`collar`, `mouth`, `mark`), or None.
    """

    jpeg: bytes
    size_px: tuple[int, int]
    start: dict[str, Any] | None


def header_px(path: str) -> tuple[int, int]:
    """Width and height by the file's header, without decoding the picture.  Raises what Pillow raises."""
    with _opened(path) as picture:
        return picture.size


def upright_px(path: str) -> tuple[int, int]:
    """Width and height of the photo set upright, of a file that was taken in.  Raises what Pillow raises."""
    with _opened(path) as picture:
        width, height = picture.size
        return (height, width) if picture.getexif().get(_ORIENTATION) in _ON_ITS_SIDE else (width, height)


@contextmanager
def _opened(path: str) -> Iterator[Image.Image]:
    import pillow_heif
    from PIL import Image

    pillow_heif.register_heif_opener()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        Image.MAX_IMAGE_PIXELS = None  # only the header is read; too many pixels are refused by our own count
        with Image.open(path) as picture:
            yield picture


def preview(path: str, camera: Any) -> Preview | None:
    """None where the file is no photo that can be opened."""
    from PIL import Image

    from cli.jobs.worker import read_photo
    from vision.pipeline import propose

    photo, hand = propose(read_photo(path), camera)
    if photo is None:
        return None
    picture = Image.fromarray(photo.pixels)
    picture.thumbnail((PREVIEW_PX, PREVIEW_PX), Image.Resampling.BOX)
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=_QUALITY)
    start = None
    if hand is not None:
        start = {"collar": [line.round(1).tolist() for line in hand.collar], "mouth": hand.mouth.round(1).tolist(),
                 "mark": hand.mark.round(1).tolist()}
    return Preview(made.getvalue(), photo.size_px, start)
