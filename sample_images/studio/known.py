"""Photos of known truth, as a phone writes them: what the program is scored on.

    python -m studio.known --scenario mix|premark|unmarked --first SEED --count N --out DIR --jobs J --assets DIR
        [--grade typical|any] [--longer PX] [--variant cuda_ad_rgb]

unmarked: joints without a mark, with look-alikes at the mouth; a seed that gives no joint is passed over.
For each seed: NNNNNN.jpg with EXIF, and its truth in NNNNNN.json.  All are of the test world, which training
never sees (`studio.world`).
"""

import argparse
import gc
import json
import sys
import time
import traceback
from dataclasses import asdict, replace
from pathlib import Path

import cv2
import numpy as np

from .assets import Assets, load
from .body import CLASS_NAMES, COLLAR, INK, PIPE
from .crew import share_out
from .light import flash, orientation
from .phone import PhoneSpec, encode, exposure, shoot
from .recipe import Recipe
from .render import Renderer
from .stage import build
from .truth import truth
from .world import scene_of, with_look_alikes

METER_PX, METER_SPP = 768, 16
STANDARD_OD_MM = (48.26, 60.325, 88.9)


def typical(recipe: Recipe) -> Recipe:
    """The scene as a careful installer photographs it: a pipe of a standard size, whole in frame, the mark in sight.

    Clutter, hands that hold the pipe, print, dust and some dirt stay as the dice threw them.
    """
    rng = np.random.default_rng([recipe.seed, 8])
    u = rng.uniform
    od = float(rng.choice(STANDARD_OD_MM))
    share, w, h = u(0.16, 0.42), *recipe.view.size_px
    view = replace(
        recipe.view,
        yaw_mouth_deg=float(np.clip(rng.normal(0, 9), -20, 20)),
        azimuth_deg=float(90 + np.clip(rng.normal(0, 25), -60, 60)),
        collar_share=float(share),
        dist_mm=float(recipe.view.focal_px * od / (share * 576)),
        at_px=(float(u(0.38, 0.62) * w), float(u(0.38, 0.62) * h)),
    )
    mark = recipe.mark and replace(
        recipe.mark,
        arc_deg=max(recipe.mark.arc_deg, 70.0),
        arc_from_camera_deg=float(np.clip(recipe.mark.arc_from_camera_deg, -30, 30)),
        fade=min(recipe.mark.fade, 0.4),
        second_mm=None,
    )
    over = tuple(kind for kind in recipe.clutter.over if kind in ("hand", "glove"))
    return replace(
        recipe,
        pipe=replace(recipe.pipe, od_mm=od, rib_mm=0.0, bend_start_mm=max(recipe.pipe.bend_start_mm, 150.0)),
        view=view,
        mark=mark,
        decoys=(),
        dirt=replace(recipe.dirt, mud=min(recipe.dirt.mud, 0.2)),
        clutter=replace(recipe.clutter, items=recipe.clutter.items[:3], over=over),
        tone=replace(recipe.tone, ev=float(np.clip(recipe.tone.ev, -0.7, 0.6))),
    )


def phone_of(recipe: Recipe, scale: float) -> PhoneSpec:
    """A phone for this picture; blur is in pixels of a picture that is `scale` times the recipe's size."""
    rng = np.random.default_rng([recipe.seed, 9])
    u = rng.uniform
    shaken = rng.random() < 0.2
    return PhoneSpec(
        k1=float(rng.normal(0, 0.008)),
        defocus_px=float(scale * u(0.1, 0.5)),
        motion_px=float(scale * u(0.3, 1.2)) if shaken else 0.0,
        motion_deg=float(u(0, 180)),
        noise=float(np.exp(u(np.log(0.006), np.log(0.025)))),
        denoise=float(u(0.3, 0.8)),
        sharpen=float(u(0.2, 0.9)),
        quality=int(rng.integers(72, 93)),
        orientation=int(rng.choice([1, 3, 6, 8])),
        f35_mm=round(recipe.view.f35_mm) if rng.random() < 0.85 else None,
        seed=recipe.seed,
    )


def recipe_of(seed: int, maps: list[str], scenario: str, grade: str) -> Recipe | None:
    """The scene of a seed, or None where it is none of this scenario."""
    recipe = scene_of(seed, maps, "test", "premark" if scenario == "premark" else None)
    recipe = typical(recipe) if grade == "typical" else recipe
    if scenario != "unmarked":
        return recipe
    if recipe.scenario != "joint" or recipe.collar.od_mm <= recipe.pipe.od_mm:  # a standard pipe, its collar as drawn
        return None
    return with_look_alikes(replace(recipe, mark=None), np.random.default_rng([seed, 77]))


def make(recipe: Recipe, longer_px: int, renderer: Renderer, assets: Assets, spp: int) -> tuple[bytes, dict]:
    """The photo's bytes and its truth."""
    stage = build(recipe, assets)
    lamp = flash(recipe.light, stage.camera.centre_mm, recipe.view.dist_mm)
    scene, table = renderer.build(stage.bodies, stage.sky, orientation(recipe.light), lamp)
    meter = stage.camera.enlarged(METER_PX)
    classes = renderer.classes(scene, table, stage.bodies, meter)
    camera = stage.camera.enlarged(longer_px)
    light = renderer.radiance(scene, camera, spp, recipe.seed)
    small = cv2.resize(light, (meter.width_px, meter.height_px), interpolation=cv2.INTER_AREA)
    gain = exposure(small, np.isin(classes, (PIPE, COLLAR, INK)) * 3.0 + 0.5, recipe.tone)
    phone = phone_of(recipe, longer_px / METER_PX)
    count = np.bincount(classes.ravel(), minlength=len(CLASS_NAMES)).tolist()
    facts = {
        **truth(recipe, stage),
        "fpx": float(camera.K[0, 0]),
        "size": [camera.width_px, camera.height_px],
        "k1": phone.k1,
        "phone": asdict(phone),
        "pixels": dict(zip(CLASS_NAMES, count, strict=True)),
        "recipe": asdict(recipe),
    }
    return encode(shoot(light, camera.K, gain, recipe.tone, phone), phone), facts


def work(args: argparse.Namespace, job: int) -> None:
    """Make every photo of one job; a failing scene is reported and skipped."""
    cv2.setNumThreads(1)
    renderer, assets = Renderer(args.variant), load(args.assets)
    start, done = time.perf_counter(), 0
    for seed in range(args.first + job, args.first + args.count, args.jobs):
        path = args.out / f"{seed:06d}.jpg"
        if path.with_suffix(".json").exists():
            continue
        recipe = recipe_of(seed, sorted(assets.maps), args.scenario, args.grade)
        if recipe is None:
            continue
        try:
            data, facts = make(recipe, args.longer, renderer, assets, args.spp)
        except Exception:  # one bad scene must not end the night's work
            print(f"seed {seed} failed:\n{traceback.format_exc()}", file=sys.stderr, flush=True)
            continue
        path.write_bytes(data)
        path.with_suffix(".json").write_text(json.dumps(facts))
        done += 1
        gc.collect()
    print(f"job {job}: {done} photos in {time.perf_counter() - start:.1f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--scenario", choices=["mix", "premark", "unmarked"], required=True)
    parser.add_argument("--grade", choices=["typical", "any"], default="typical")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--count", type=int, default=10, help="how many seeds")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--assets", type=Path, help="folder made by studio.assets")
    parser.add_argument("--longer", type=int, default=1632, help="longer side of the photos, px")
    parser.add_argument("--spp", type=int, default=32, help="samples a pixel, a multiple of 16")
    parser.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb"])
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    share_out(work, args)


if __name__ == "__main__":
    main()
