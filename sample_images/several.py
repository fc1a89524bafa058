"""Several photos of one joint: one from three sides, with its marked pipe, and one before and after its pipe came out.

python several.py [--only S-01 ...] [--assets FOLDER] [--out FOLDER] [--preview] [--variant NAME]
"""

import argparse
import json
from dataclasses import replace
from pathlib import Path

from render import HERE, photo
from sample_pipes import marked_pipe
from samples import GREY_PIPE, RED_INK, YELLOW_PIPE, Sample, joint, view
from studio.assets import Assets, load
from studio.phone import PhoneSpec, encode
from studio.pipe import pipe_axis
from studio.recipe import CutSpec, Recipe, vary
from studio.render import Renderer
from studio.stage import build, camera_of
from studio.stories import FREE_MM, PULL_MM, depth_truth, ring_truth

LONGER_PX = 1440


def three_sides() -> list[Sample]:
    """A joint that hangs free, fully in, seen from above and, a third of the way round each, from below; and its marked
    pipe, seen from above before it was pushed in."""
    r = joint(213, "demo-2", YELLOW_PIPE, "zinc", RED_INK)
    r = vary(
        r,
        mark={"gap_mm": 0.2, "width_mm": 3.2, "ragged_mm": 0.12, "askew_deg": 0.15, "askew_dir_deg": 200.0},
        collar={"hardware": "hex", "port": False},
        ground={"kind": "concrete", "drop_mm": FREE_MM},
        light={"map_name": "workshop", "sun": 0.0, "flash": 0.3},
        prints=1,
    )
    looks = [(90.0, 4.0, 6.0, 0.34), (210.0, 5.0, 176.0, 0.31), (330.0, 3.0, -8.0, 0.36)]
    made = []
    for number, (azimuth, yaw, heading, share) in enumerate(looks, 1):
        seen = view(r, f35=26.2, share=share, yaw=yaw, azimuth=azimuth, heading=heading, at=(0.48, 0.5))
        phone = PhoneSpec(
            k1=0.006, defocus_px=0.6, noise=0.01, denoise=0.6, sharpen=0.5, f35_mm=26, seed=20 + number,
            taken=f"2025:05:15 10:1{number}:00",
        )
        made.append(Sample(f"S-01_{number}.jpg", "demo-2", seen, LONGER_PX, phone))
    return [*made, _before(r)]


def _before(made: Recipe) -> Sample:
    seen = view(made, f35=26.2, share=0.38, yaw=-2.0, azimuth=90.0, heading=14, at=(0.46, 0.5))
    cut = CutSpec(0.5, 120.0, 0.02, 0.3, 0.0, 0.5, 0.0, "as_pipe", 7)
    phone = PhoneSpec(k1=0.006, defocus_px=0.6, noise=0.01, denoise=0.6, sharpen=0.5, f35_mm=26, seed=24,
                      taken="2025:05:15 09:40:00")
    return Sample("S-01_before.jpg", "demo-2", marked_pipe(seen, 28.7, cut), LONGER_PX, phone)


def before_and_after() -> list[Sample]:
    """A joint on the day of the work, and a year later with its pipe 2 mm out."""
    r = joint(224, "demo-2", GREY_PIPE, "steel", RED_INK)
    r = vary(
        r,
        mark={"gap_mm": 0.6, "width_mm": 2.2, "ragged_mm": 0.1},
        collar={"hardware": "nut", "port": False},
        ground={"kind": "plywood"},
        light={"map_name": "hall", "sun": 0.0},
        prints=1,
    )
    old = view(r, f35=26.1, share=0.33, yaw=5.0, azimuth=84, heading=10, at=(0.47, 0.5))
    later = vary(
        r,
        pipe={"pulled_mm": PULL_MM},
        dirt={"mud": 0.1, "dust": 0.4, "seed": 77},
        ground={"kind": "soil", "seed": 5},
        light={"map_name": "forest", "sun": 1.5, "sun_el_deg": 60.0, "sun_size_deg": 4.0},
        clutter={"items": ("stones", "twigs"), "seed": 78},
    )
    new = view(later, f35=24.2, share=0.30, yaw=-3.0, azimuth=94, heading=-80, at=(0.5, 0.5), upright=True)
    phones = (
        PhoneSpec(k1=0.004, defocus_px=0.6, noise=0.01, denoise=0.6, sharpen=0.5, f35_mm=26, seed=31,
                  taken="2025:05:15 11:00:00"),
        PhoneSpec(k1=-0.008, defocus_px=0.7, noise=0.012, denoise=0.6, sharpen=0.6, f35_mm=24, seed=32,
                  taken="2026:05:20 09:30:00"),
    )  # fmt: skip
    return [
        Sample("S-02_1.jpg", "demo-2", old, LONGER_PX, phones[0]),
        Sample("S-02_2.jpg", "demo-2", new, LONGER_PX, phones[1]),
    ]


def _front_rad(recipe: Recipe) -> float:
    """The line of the pipe that faces this view; every view of a joint is painted about that of the first."""
    return pipe_axis(recipe.pipe).facing_rad(camera_of(recipe).centre_mm)


def make(
    story: list[Sample], only: tuple[str, ...], out: Path, renderer: Renderer, assets: Assets, preview: bool
) -> None:
    """Write the photos of one joint and their truths."""
    front = _front_rad(story[0].recipe)
    for sample in story:
        if not sample.name.startswith(only):
            continue
        stage = build(sample.recipe, assets, front)
        picture, facts = photo(sample, stage, renderer, preview)
        facts |= (depth_truth if sample.recipe.scenario == "premark" else ring_truth)(sample.recipe, stage)
        path = out / sample.name
        path.write_bytes(encode(picture, replace(sample.phone, quality=80)))
        path.with_suffix(".json").write_text(json.dumps(facts, indent=1) + "\n")
        print(f"{sample.name}: written", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--only", nargs="+", default=[""], help="only photos whose names start so")
    parser.add_argument("--assets", type=Path, default=HERE / "assets", help="folder made by studio.assets")
    parser.add_argument("--out", type=Path, default=HERE / "several", help="folder to write to")
    parser.add_argument("--preview", action="store_true", help="small and noisy, for a first look")
    parser.add_argument("--variant", default="llvm_ad_rgb", choices=["llvm_ad_rgb", "cuda_ad_rgb"])
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    renderer, assets = Renderer(args.variant), load(args.assets)
    for story in (three_sides(), before_and_after()):
        make(story, tuple(args.only), args.out, renderer, assets, args.preview)


if __name__ == "__main__":
    main()
