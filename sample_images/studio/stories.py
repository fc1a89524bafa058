"""Several photos of one joint, with truths: from three sides, with its pipe before, or before and after a pull-out.

    python -m studio.stories round|marked|pull --first SEED --count N --out DIR --jobs J [--assets DIR]
        --variant cuda_ad_rgb|llvm_ad_rgb

round: NNNNNN-a.jpg, -b, -c: a mark all round, seen from three sides; the pipe may be cocked, the mark askew.
marked: NNNNNN-p.jpg and -q: the marked pipe from two sides; -a, -b, -c: its joint.  Of four seeds that follow each
other one pipe sits cocked, one line is askew, one joint has both and one neither.
pull: NNNNNN-old.jpg and -new.jpg: another day, light and camera; odd seeds came out by PULL_MM meanwhile.
Each photo has a JSON beside it.  The joints are of typical quality: no hands over them, no second line.
"""

import argparse
import dataclasses
import gc
import json
import sys
import time
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .assets import Assets, load
from .body import COLLAR, INK, PIPE
from .crew import share_out
from .light import flash, orientation
from .marked import bare_of, depth_truth, pushed_in, wave
from .noise import luminance
from .phone import PhoneSpec, encode, exposure, shoot
from .pipe import pipe_axis
from .recipe import Recipe, ViewSpec, vary
from .render import Renderer
from .scene import BIG_PIPE_MM, MARK_DEPTHS_MM, draw, draw_mark
from .stage import Stage, build, camera_of
from .truth import columns_rad, truth

PULL_MM = 2.0
PIPES_MM = (48.26, 60.325, 88.9)
DIAGONAL_MM = 43.2666
WIDE_PX, HIGH_PX = 768, 576  # recipes are written for this size
METER_PX, METER_SPP = 400, 16
OTHER_DAY = 500_000  # added to a seed: the second photo's light, ground, dirt and clutter
CONTRAST = 0.25  # least difference of ink and pipe in brightness (linear light to the power 0.45)
COCKED_DEG, ASKEW_DEG = (0.6, 1.8), (1.0, 3.0)  # of marked pipes; the others have none at all
LOW = ("stones", "twigs", "paper", "washer", "bolt", "tool", "rag")  # what hides no marked pipe beside it
FREE_MM = 900.0  # how far above the ground a joint hangs that is photographed from below too


@dataclass(frozen=True)
class Shot:
    """One photo of a story: its name's ending, the scene, the phone, and what is true of the whole story."""

    ending: str
    recipe: Recipe
    phone: PhoneSpec
    facts: Mapping[str, float | bool] = field(default_factory=dict)


def joint(seed: int, maps: list[str]) -> Recipe:
    """A joint of typical quality with a mark."""
    recipe = draw(seed, maps)
    rng = np.random.default_rng([seed, 1])
    u = rng.uniform
    od = float(rng.choice(PIPES_MM)) * u(0.995, 1.005)
    recipe = vary(
        recipe,
        scenario="joint",
        cut=None,
        pipe={"od_mm": od, "wall_mm": 4.0, "rib_mm": 0.0, "tilt_deg": float(min(0.6, abs(rng.normal(0, 0.25))))},
        collar={
            "od_mm": float(od * u(1.1, 1.26)),
            "lip_mm": float(u(0.3, 1.5)),
            "lip_kind": "rolled",
            "clearance_mm": float(u(0.05, 0.4)),
            "length_mm": float(u(35, 65)),
        },
        dirt={"grease": None},
        decoys=recipe.decoys[:1] if rng.random() < 0.3 else (),
    )
    mark = draw_mark(rng, recipe.pipe)
    while abs(luminance(mark.color) ** 0.45 - luminance(recipe.pipe.color) ** 0.45) < CONTRAST:
        mark = draw_mark(rng, recipe.pipe)
    gap = u(-0.6, 1.5) if rng.random() < 0.4 else u(1.5, 7.0)
    decoys = tuple((kind, max(at, gap + 12), width) for kind, at, width in recipe.decoys)
    mark = vary(mark, gap_mm=float(gap), width_mm=float(u(1.2, 3.0)), second_mm=None, fade=0.5 * mark.fade, drips=0)
    return _calm(vary(recipe, mark=mark, decoys=decoys), rng, maps)


def _calm(recipe: Recipe, rng, maps: list[str]) -> Recipe:
    """What lies about, dirt and light as on an ordinary site."""
    return vary(
        recipe,
        dirt={"mud": 0.4 * recipe.dirt.mud, "dust": 0.6 * recipe.dirt.dust},
        clutter={"items": recipe.clutter.items[:4], "over": ()},
        light={
            "up": "z",
            "map_name": str(rng.choice(maps)) if maps else None,
            "sun": min(recipe.light.sun, 2.0),
            "flash": min(recipe.light.flash, 1.0),
            "tint": (1.0, 1.0, 1.0),
        },
        tone={"ev": float(np.clip(rng.normal(0, 0.35), -0.8, 0.6))},
    )


def look(recipe: Recipe, rng, azimuth_deg: float) -> Recipe:
    """An installer's view of the mouth from this side."""
    u = rng.uniform
    size = (WIDE_PX, HIGH_PX) if rng.random() < 0.6 else (HIGH_PX, WIDE_PX)
    f35 = float(rng.choice([24, 26, 27, 28, 50], p=[0.3, 0.4, 0.1, 0.1, 0.1])) * u(0.985, 1.015)
    focal, share = f35 / DIAGONAL_MM * 960, u(0.22, 0.42)
    view = ViewSpec(
        size_px=size,
        f35_mm=f35,
        focal_px=focal,
        collar_share=float(share),
        dist_mm=float(focal * recipe.collar.od_mm / (share * HIGH_PX)),
        yaw_mouth_deg=float(np.clip(rng.normal(3, 8), -18, 20)),
        azimuth_deg=float(azimuth_deg),
        roll_deg=float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 9)),
        at_px=(float(u(0.38, 0.62) * size[0]), float(u(0.38, 0.62) * size[1])),
    )
    return vary(recipe, view=view)


def phone(rng, f35_mm: float) -> PhoneSpec:
    """A phone of today, held well."""
    u = rng.uniform
    return PhoneSpec(
        k1=float(rng.normal(0, 0.008)),
        defocus_px=float(u(0.4, 1.0)),
        noise=float(u(0.006, 0.016)),
        denoise=0.6,
        sharpen=float(u(0.3, 0.7)),
        quality=82,
        f35_mm=round(f35_mm),
        seed=int(rng.integers(2**31)),
    )


def three_shots(recipe: Recipe, rng, free: bool) -> list[Shot]:
    """A joint from three sides: a third of the way round apart, hanging free; or nearer, from above."""
    u = rng.uniform
    apart = 120.0 if free else u(50, 75)
    if free:
        recipe = vary(recipe, ground={"drop_mm": FREE_MM}, clutter={"items": ()}, light={"sun": 0.0, "flash": 0.4})
    start = u(0, 360) if free else 90 + u(-12, 12) - apart
    shots = []
    for i, ending in enumerate("abc"):
        seen = look(recipe, rng, start + i * apart + rng.normal(0, 4))
        shots.append(Shot(ending, seen, phone(rng, seen.view.f35_mm)))
    return shots


def round_story(seed: int, maps: list[str]) -> list[Shot]:
    """One joint from three sides: even seeds a third of the way round apart, hanging free; odd ones nearer."""
    rng = np.random.default_rng([seed, 2])
    u = rng.uniform
    recipe = vary(
        joint(seed, maps),
        pipe={"tilt_deg": float(u(0, 1.8) if rng.random() < 0.5 else u(0, 0.3)), "tilt_dir_deg": float(u(0, 360))},
        mark={"arc_deg": 360.0, "askew_deg": float(u(-2, 2) if rng.random() < 0.5 else u(-0.3, 0.3))},
        prints=int(rng.integers(1, 3)),
    )
    return three_shots(recipe, rng, seed % 2 == 0)


def marked_story(seed: int, maps: list[str]) -> list[Shot]:
    """A marked pipe from two sides, at another place, and its joint from three; every other four of seeds hang free."""
    rng = np.random.default_rng([seed, 4])
    u = rng.uniform
    cocked, askew, free = (bool(seed >> bit & 1) for bit in range(3))
    recipe = vary(
        joint(seed, maps),
        pipe={"tilt_deg": float(u(*COCKED_DEG) if cocked else 0), "tilt_dir_deg": float(u(0, 360))},
        mark={"arc_deg": 360.0, "askew_deg": float(u(*ASKEW_DEG) if askew else 0), "askew_dir_deg": float(u(0, 360))},
        prints=int(rng.integers(1, 3)),
    )
    told_mm = MARK_DEPTHS_MM[int(recipe.pipe.od_mm > BIG_PIPE_MM)]
    recipe = pushed_in(recipe, float(told_mm + rng.normal(0, 0.6)))
    elsewhere = _calm(draw(seed + OTHER_DAY, maps), rng, maps)
    elsewhere = vary(
        elsewhere,
        ground={"drop_mm": float(0 if rng.random() < 0.5 else u(20, 400))},
        clutter={"items": tuple(kind for kind in elsewhere.clutter.items if kind in LOW)},
    )
    bare = bare_of(recipe, draw(seed, maps, "premark").cut, elsewhere)
    shots = []
    for ending, azimuth_deg in (("p", 45), ("q", 135)):
        seen = look_at_end(bare, rng, azimuth_deg + rng.normal(0, 4))
        shots.append(Shot(ending, seen, phone(rng, seen.view.f35_mm)))
    facts = {"cocked": cocked, "askew": askew, "insertion_mm": -recipe.pipe.pulled_mm}
    return [dataclasses.replace(shot, facts=facts) for shot in shots + three_shots(recipe, rng, free)]


def look_at_end(recipe: Recipe, rng, azimuth_deg: float) -> Recipe:
    """An installer's view of a marked pipe: its end and its mark in the picture."""
    seen = look(recipe, rng, azimuth_deg)
    return vary(seen, view={"target_mm": float(recipe.mark.gap_mm * rng.uniform(0.2, 0.8))})


def pull_story(seed: int, maps: list[str]) -> list[Shot]:
    """A joint, and the same another day; its pipe has come out by PULL_MM where the seed is odd."""
    rng = np.random.default_rng([seed, 3])
    u = rng.uniform
    recipe = joint(seed, maps)
    ring = rng.random() < 0.7
    arc, middle = (360.0, 0.0) if ring else (u(90, 180), rng.normal(0, 15))
    recipe = vary(recipe, mark={"arc_deg": float(arc), "arc_from_camera_deg": float(middle)})
    azimuth = 90 + np.clip(rng.normal(0, 25), -60, 60)
    turn = u(-90, 90) if ring and rng.random() < 0.3 else np.clip(rng.normal(0, 12), -25, 25)
    other = _calm(draw(seed + OTHER_DAY, maps), rng, maps)
    later = dataclasses.replace(
        recipe, light=other.light, ground=other.ground, clutter=other.clutter, tone=other.tone,
        dirt=dataclasses.replace(other.dirt, grease=None),
    )
    later = vary(later, pipe={"pulled_mm": PULL_MM * (seed % 2)})
    old, new = look(recipe, rng, azimuth), look(later, rng, np.clip(azimuth + turn, 10, 170))
    return [Shot("old", old, phone(rng, old.view.f35_mm)), Shot("new", new, phone(rng, new.view.f35_mm))]


STORIES = {"round": round_story, "marked": marked_story, "pull": pull_story}


def ring_truth(recipe: Recipe, stage: Stage) -> dict:
    """Gap all round as g0 + A cos(phi - phi0), its part of the seat and of the mark; angles of the joint's frame.

    `faces_deg` is the angle of the pipe's line that faces this camera; angles grow with the pipe pointing away
    from the viewer as the joint's y turns to its z.
    """
    phi = columns_rad(stage)
    mouth, near = wave(phi, stage.axis.mouth_s(phi)), wave(phi, stage.line.near)
    gap = stage.line.near - stage.axis.mouth_s(phi)
    apart = near - mouth
    return {
        "faces_deg": float(np.degrees(stage.axis.facing_rad(stage.camera.centre_mm))),
        "ring_mean_mm": float(apart[0]),
        "ring_cos_mm": float(apart[1]),
        "ring_sin_mm": float(apart[2]),
        "seat_cos_mm": float(-mouth[1]),
        "seat_sin_mm": float(-mouth[2]),
        "askew_cos_mm": float(near[1]),
        "askew_sin_mm": float(near[2]),
        "worst_mm": float(gap[stage.line.inked].max()) if stage.line.inked.any() else None,
        "pulled_mm": recipe.pipe.pulled_mm,
    }


def shoot_one(shot: Shot, front_rad: float, renderer: Renderer, assets: Assets, args) -> tuple[bytes, dict]:
    """The photo's bytes and its truth."""
    recipe = shot.recipe
    stage = build(recipe, assets, front_rad)
    lamp = flash(recipe.light, stage.camera.centre_mm, recipe.view.dist_mm)
    scene, table = renderer.build(stage.bodies, stage.sky, orientation(recipe.light), lamp)
    meter = stage.camera.enlarged(METER_PX)
    small = renderer.radiance(scene, meter, METER_SPP, recipe.seed)
    classes = renderer.classes(scene, table, stage.bodies, meter)
    gain = exposure(small, np.isin(classes, (PIPE, COLLAR, INK)) * 3.0 + 0.5, recipe.tone)
    camera = stage.camera.enlarged(args.longer_px)
    light = renderer.radiance(scene, camera, args.spp, recipe.seed)
    facts = {
        **truth(recipe, stage),
        **(depth_truth if recipe.scenario == "premark" else ring_truth)(recipe, stage),
        **shot.facts,
        "fpx": float(camera.K[0, 0]),
        "size": [camera.width_px, camera.height_px],
        "R": camera.R.tolist(),
        "t_mm": camera.t.tolist(),
        "k1": shot.phone.k1,
        "phone": dataclasses.asdict(shot.phone),
        "recipe": dataclasses.asdict(recipe),
    }
    return encode(shoot(light, camera.K, gain, recipe.tone, shot.phone), shot.phone), facts


def tell(seed: int, shots: list[Shot], renderer: Renderer, assets: Assets, args) -> None:
    """Write every photo of a story; the pipe's skin belongs to the first view."""
    first = shots[0].recipe
    front = pipe_axis(first.pipe).facing_rad(camera_of(first).centre_mm)
    for shot in shots:
        picture, facts = shoot_one(shot, front, renderer, assets, args)
        path = args.out / f"{seed:06d}-{shot.ending}.jpg"
        path.write_bytes(picture)
        path.with_suffix(".json").write_text(json.dumps({"story": args.story, "photo": path.name, **facts}))
        gc.collect()


def work(args: argparse.Namespace, job: int) -> None:
    """Tell every story of one job; one that fails is reported and skipped."""
    renderer, assets = Renderer(args.variant), load(args.assets)
    done, start = 0, time.perf_counter()
    for seed in range(args.first + job, args.first + args.count, args.jobs):
        shots = STORIES[args.story](seed, sorted(assets.maps))
        if (args.out / f"{seed:06d}-{shots[-1].ending}.json").exists():
            continue
        try:
            tell(seed, shots, renderer, assets, args)
            done += 1
        except Exception:  # one bad scene must not end the night's work
            print(f"seed {seed} failed:\n{traceback.format_exc()}", file=sys.stderr, flush=True)
    print(f"job {job}: {done} stories in {time.perf_counter() - start:.1f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("story", choices=sorted(STORIES))
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--count", type=int, default=4, help="how many stories")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb"])
    parser.add_argument("--assets", type=Path, help="folder made by studio.assets")
    parser.add_argument("--spp", type=int, default=32, help="samples a pixel, a multiple of 16")
    parser.add_argument("--longer-px", type=int, default=1440, help="longer side of a photo")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    share_out(work, args)


if __name__ == "__main__":
    main()
