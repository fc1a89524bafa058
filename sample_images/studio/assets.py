"""Prepare the few outside pictures: environment maps and ground photos.

    python -m studio.assets FOLDER --hdri FOLDER_OF_EXR_JS [--wheel SCIKIT_IMAGE_0_16_WHEEL]

The environment maps come from the npm package @pmndrs/assets (CC0); the grey ground textures from a
scikit-image 0.16 wheel. Both are optional at run time: without them skies and grounds are invented.
"""

import argparse
import base64
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

MAPS = ("apartment", "bridge", "city", "forest", "hall", "lab", "park", "studio", "workshop")
GROUNDS = ("gravel", "grass", "brick")
MAP_SIZE_PX = (1024, 512)


@dataclass(frozen=True)
class Assets:
    """What was prepared: linear maps (float32, HxWx3) and grey ground photos (float32 0..1, HxW)."""

    maps: dict[str, np.ndarray]
    grounds: dict[str, np.ndarray]


def load(folder: Path | None) -> Assets:
    """Read a prepared folder; an absent one gives no assets."""
    if folder is None or not folder.is_dir():
        return Assets({}, {})
    maps = {p.stem: np.load(p)["radiance"].astype(np.float32) for p in sorted(folder.glob("*.npz"))}
    grounds = {
        p.stem: cv2.imread(str(p), cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255
        for p in sorted(folder.glob("*.jpg"))
    }
    return Assets(maps, grounds)


def _exr_of(js: Path) -> np.ndarray:
    import mitsuba as mi

    mi.set_variant("scalar_rgb")
    data = base64.b64decode(re.search(r"base64,([A-Za-z0-9+/=]+)", js.read_text()).group(1))
    scratch = js.parent / f".{js.stem}.tmp.exr"
    scratch.write_bytes(data)
    try:
        bitmap = mi.Bitmap(str(scratch)).convert(mi.Bitmap.PixelFormat.RGB, mi.Struct.Type.Float32, False)
        return np.array(bitmap)
    finally:
        scratch.unlink()


def prepare(out: Path, hdri: Path, wheel: Path | None) -> None:
    """Write NAME.npz (float16 radiance, clipped at 0) for each map and NAME.jpg for each ground photo."""
    out.mkdir(parents=True, exist_ok=True)
    for name in MAPS:
        radiance = np.clip(_exr_of(hdri / f"{name}.exr.js"), 0, 6e4)
        small = cv2.resize(radiance, MAP_SIZE_PX, interpolation=cv2.INTER_AREA)
        np.savez_compressed(out / f"{name}.npz", radiance=small.astype(np.float16))
    if wheel is None:
        return
    with zipfile.ZipFile(wheel) as archive:
        for name in GROUNDS:
            raw = np.frombuffer(archive.read(f"skimage/data/{name}.png"), np.uint8)
            grey = cv2.imdecode(raw, cv2.IMREAD_GRAYSCALE)
            cv2.imwrite(str(out / f"{name}.jpg"), grey, [cv2.IMWRITE_JPEG_QUALITY, 92])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hdri", type=Path, required=True)
    parser.add_argument("--wheel", type=Path)
    args = parser.parse_args()
    prepare(args.folder, args.hdri, args.wheel)


if __name__ == "__main__":
    main()
