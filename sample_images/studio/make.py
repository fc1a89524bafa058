"""Make pictures with truths.

    python -m studio.make --first SEED --count N --out DIR --jobs J [--assets DIR]
        [--scenario premark] [--staged doubtful|deburred|lipped|unmarked] [--places N] [--frames N] [--looks]
        --variant cuda_ad_rgb|llvm_ad_rgb

For each seed: NNNNNN-frame.jpg, NNNNNN-frame.png (classes), NNNNNN-close.jpg, NNNNNN-close.png, the same from
other places as NNNNNN-frame-aside, NNNNNN-close-aside, NNNNNN-frame-aside2 and so on, and NNNNNN.json.
"""

import argparse
import dataclasses
import gc
import itertools
import json
import sys
import time
import traceback
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from .assets import Assets, load
from .body import CLASS_NAMES, COLLAR, INK, PIPE, SEAM
from .camera import Camera
from .crew import share_out
from .light import flash, orientation
from .phone import develop, exposure
from .recipe import Recipe
from .render import Renderer
from .stage import build, camera_of
from .truth import close_window, look_window, truth
from .world import STAGED, WORLDS, scene_of

LONGER_PX = 768


def _camera(camera: Camera) -> dict:
    return {
        "K": camera.K.tolist(),
        "R": camera.R.tolist(),
        "t_mm": camera.t.tolist(),
        "size": [camera.width_px, camera.height_px],
    }


def _save(path: Path, srgb: np.ndarray) -> None:
    cv2.imwrite(str(path), (srgb[..., ::-1] * 255 + 0.5).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95])


def aside(recipe: Recipe, place: int = 1) -> Recipe:
    """The scene's camera somewhere else: what is dear about a scene is its making, not its looking at."""
    rng, view = np.random.default_rng([recipe.seed, 10 + place]), recipe.view
    nearer = float(np.exp(rng.normal(0, 0.3)))
    share = float(np.clip(view.collar_share * nearer, 0.055, 0.5))
    return replace(recipe, view=replace(
        view,
        collar_share=share,
        dist_mm=view.dist_mm * view.collar_share / share,
        yaw_mouth_deg=float(np.clip(view.yaw_mouth_deg + rng.normal(0, 12), -35, 35)),
        azimuth_deg=float(np.clip(view.azimuth_deg + rng.normal(0, 30), 10, 170)),
        roll_deg=float(view.roll_deg + rng.normal(0, 60)),
        at_px=tuple(float(np.clip(rng.normal(0.5, 0.15), 0.14, 0.86) * side) for side in view.size_px),
    ))


def make_scene(
    seed: int,
    out: Path,
    renderer: Renderer,
    assets: Assets,
    spp: int = 32,
    shrink: float = 1.0,
    scenario: str | None = None,
    world: str = "train",
    places: int = 2,
    frames: int | None = None,
    around: bool = False,
    looks: bool = False,
    staged: str | None = None,
) -> dict:
    """Render one seed's pictures; write them with class maps and truth; returns the truth.

    places: from how many the scene is seen.  frames: from how many of these also as a whole, not only the joint alone.
    around: the joint alone with the ground beside its collar.  looks: from each place also what a close look may see.
    staged: a name of `world.STAGED`.
    """
    clock = [time.perf_counter()]
    recipe = scene_of(seed, sorted(assets.maps), world, scenario)
    recipe = STAGED[staged](recipe) if staged else recipe
    stage = build(recipe, assets)
    longer = round(LONGER_PX * shrink)
    views = {}
    for place in range(places):
        name = "" if place == 0 else "-aside" if place == 1 else f"-aside{place}"
        camera = stage.camera if place == 0 else camera_of(aside(recipe, place))
        if frames is None or place < frames:
            views["frame" + name] = camera.enlarged(longer)
        views["close" + name] = close_window(stage, camera, longer, recipe.scenario,
                                             recipe.collar.od_mm / 2 if around else None)
        if looks:
            views["look" + name] = look_window(recipe, camera, longer)
    clock.append(time.perf_counter())
    lamp = flash(recipe.light, stage.camera.centre_mm, recipe.view.dist_mm)
    scene, table = renderer.build(stage.bodies, stage.sky, orientation(recipe.light), lamp)
    clock.append(time.perf_counter())
    light = {name: renderer.radiance(scene, view, spp, seed + i) for i, (name, view) in enumerate(views.items())}
    classes = {name: renderer.classes(scene, table, stage.bodies, view) for name, view in views.items()}
    del scene
    gc.collect()
    clock.append(time.perf_counter())
    pictures, gain = {}, 1.0
    for name, view in views.items():
        # each as light as its frame; where there is none, as the joint alone
        if name.startswith("frame") or (name.startswith("close") and name.replace("close", "frame") not in light):
            gain = _gain(light[name], classes[name], recipe)
        _save(out / f"{seed:06d}-{name}.jpg", develop(light[name], gain, recipe.tone))
        cv2.imwrite(str(out / f"{seed:06d}-{name}.png"), classes[name])
        count = np.bincount(classes[name].ravel(), minlength=len(CLASS_NAMES))
        pictures[name] = {**_camera(view), "pixels": dict(zip(CLASS_NAMES, count.tolist(), strict=True))}
    facts = {**truth(recipe, stage), "pictures": pictures, "recipe": dataclasses.asdict(recipe)}
    facts["ink_seen"] = bool(pictures["close"]["pixels"]["ink"] > 30)
    facts["seam_px"] = pictures["close"]["pixels"][CLASS_NAMES[SEAM]]
    (out / f"{seed:06d}.json").write_text(json.dumps(facts))
    clock.append(time.perf_counter())
    facts["seconds"] = [round(b - a, 3) for a, b in itertools.pairwise(clock)]
    return facts


def _gain(light: NDArray[np.floating], classes: NDArray[np.uint8], recipe: Recipe) -> float:
    return exposure(light, np.isin(classes, (PIPE, COLLAR, INK)) * 3.0 + 0.5, recipe.tone)


def work(args: argparse.Namespace, job: int) -> None:
    """Render every seed of one job; a failing scene is reported and skipped."""
    cv2.setNumThreads(1)
    renderer, assets = Renderer(args.variant), load(args.assets)
    done, start = 0, time.perf_counter()
    for seed in range(args.first + job, args.first + args.count, args.jobs):
        if (args.out / f"{seed:06d}.json").exists():
            continue
        if args.seconds and time.perf_counter() - start > args.seconds:
            break
        try:
            facts = make_scene(seed, args.out, renderer, assets, args.spp, args.shrink, args.scenario, args.world,
                               args.places, args.frames, args.around, args.looks, args.staged)
            done += 1
            if args.verbose:
                print(seed, facts["scenario"], facts["seconds"], flush=True)
        except Exception:  # one bad scene must not end the night's work
            print(f"seed {seed} failed:\n{traceback.format_exc()}", file=sys.stderr, flush=True)
    spent = time.perf_counter() - start
    print(f"job {job}: {done} scenes in {spent:.1f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--count", type=int, default=10, help="how many seeds")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb"])
    parser.add_argument("--assets", type=Path, help="folder made by studio.assets")
    parser.add_argument("--spp", type=int, default=32, help="samples a pixel, a multiple of 16")
    parser.add_argument("--scenario", choices=["premark"], help="only such scenes, instead of the mix")
    parser.add_argument("--shrink", type=float, default=1.0, help="picture size relative to 768 px")
    parser.add_argument("--world", default="train", choices=WORLDS, help="what the dice may show")
    parser.add_argument("--places", type=int, default=2, help="from how many places each scene is seen")
    parser.add_argument("--frames", type=int, help="from how many of these also as a whole; readers need none")
    parser.add_argument("--around", action="store_true", help="the joint alone with the ground beside its collar")
    parser.add_argument("--looks", action="store_true", help="also what a close look at mouth or end may see")
    parser.add_argument("--staged", choices=sorted(STAGED),
                        help="a kind of scene oftener than by chance: `world.STAGED`")
    parser.add_argument("--seconds", type=float, help="start no new scene after this long")
    parser.add_argument("--verbose", action="store_true", help="a line for each scene")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    share_out(work, args)


if __name__ == "__main__":
    main()
