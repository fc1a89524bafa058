"""Make the invented job again: photos, their truths and joints.csv.

python sample_images/render.py [--only J-01 ...] [--assets FOLDER] [--out FOLDER] [--preview]
"""

import argparse
import csv
import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
from sample_pipes import pipe_samples
from samples import JOINTS, Sample, demo, samples
from studio.assets import Assets, load
from studio.body import CLASS_NAMES, COLLAR, INK, PIPE
from studio.light import flash, orientation
from studio.phone import encode, exposure, shoot
from studio.render import Renderer
from studio.stage import Stage, build
from studio.truth import truth

HERE = Path(__file__).parent
KINDS = {".jpg": "JPEG", ".webp": "WEBP", ".heic": "HEIF"}
PREVIEW_PX, PREVIEW_SPP = 768, 32


def photo(sample: Sample, stage: Stage, renderer: Renderer, preview: bool) -> tuple[np.ndarray, dict]:
    """The upright picture (sRGB 0..1) and its truth."""
    recipe, phone = sample.recipe, sample.phone
    lamp = flash(recipe.light, stage.camera.centre_mm, recipe.view.dist_mm)
    scene, table = renderer.build(stage.bodies, stage.sky, orientation(recipe.light), lamp)
    # metered, and counted, on a small copy
    meter = stage.camera.enlarged(PREVIEW_PX)
    classes = renderer.classes(scene, table, stage.bodies, meter)
    small = renderer.radiance(scene, meter, PREVIEW_SPP, recipe.seed)
    gain = exposure(small, np.isin(classes, (PIPE, COLLAR, INK)) * 3.0 + 0.5, recipe.tone)
    camera, light = meter, small
    if not preview:
        camera = stage.camera.enlarged(sample.longer_px)
        light = renderer.radiance(scene, camera, sample.spp, recipe.seed)
    count = np.bincount(classes.ravel(), minlength=len(CLASS_NAMES)).tolist()
    facts = {
        "photo": sample.name,
        "fitting": sample.fitting,
        "limit_mm": demo(sample.fitting).max_gap_mm,
        "void": sample.void,
        **truth(recipe, stage),
        "fpx": float(camera.K[0, 0]),
        "size": [camera.width_px, camera.height_px],
        "k1": phone.k1,
        "exif": phone.f35_mm is not None,
        "phone": asdict(phone),
        "pixels": dict(zip(CLASS_NAMES, count, strict=True)),
    }
    return shoot(light, camera.K, gain, recipe.tone, phone), facts


def make(sample: Sample, out: Path, renderer: Renderer, assets: Assets, preview: bool) -> None:
    """Write one photo and its truth."""
    stage = build(sample.recipe, assets)
    picture, facts = photo(sample, stage, renderer, preview)
    path = out / sample.name
    path.write_bytes(encode(picture, sample.phone, KINDS[path.suffix]))
    path.with_suffix(".json").write_text(json.dumps(facts, indent=1) + "\n")
    gap, marked = facts["gap_near_mm"], facts["premark"]
    said = f"depth {marked['depth_mm']:.2f} mm" if marked else "no mark" if gap is None else f"gap {gap:.2f} mm"
    print(f"{sample.name}: {said}, {facts['size'][0]} x {facts['size'][1]}", flush=True)


def write_list(path: Path) -> None:
    """joints.csv."""
    with path.open("w", newline="") as file:
        table = csv.DictWriter(file, list(asdict(JOINTS[0])), lineterminator="\n")
        table.writeheader()
        table.writerows(asdict(joint) for joint in JOINTS)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", nargs="+", default=[""], help="only photos whose names start so")
    parser.add_argument("--assets", type=Path, default=HERE / "assets", help="folder made by studio.assets")
    parser.add_argument("--out", type=Path, default=HERE / "job", help="folder to write to")
    parser.add_argument("--preview", action="store_true", help="small and noisy, for a first look")
    parser.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb"])
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    assets = load(args.assets)
    chosen = [sample for sample in [*samples(), *pipe_samples()] if sample.name.startswith(tuple(args.only))]
    missing = {sample.recipe.light.map_name for sample in chosen} - set(assets.maps)
    if missing:
        parser.error(
            f"no {', '.join(sorted(missing))} in {args.assets}: make it with studio.assets, see README.md"
        )
    renderer = Renderer(args.variant)
    for sample in chosen:
        make(sample, args.out, renderer, assets, args.preview)
    write_list(args.out / "joints.csv")


if __name__ == "__main__":
    main()
