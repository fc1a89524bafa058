"""Recipes of the job's marked pipes, photographed before they were pushed in; beside those of `samples`."""

from dataclasses import replace

from samples import (
    BLACK_INK,
    ORANGE_PIPE,
    RED_INK,
    YELLOW_PIPE,
    Sample,
    joint,
    vary,
    view,
)
from studio.phone import PhoneSpec
from studio.recipe import CutSpec, Recipe


def marked_pipe(made: Recipe, depth_mm: float, cut: CutSpec) -> Recipe:
    """The pipe of a joint's recipe, cut and with its mark at this depth, seen between the two."""
    bare = replace(made, scenario="premark", cut=cut)
    return vary(bare, mark={"gap_mm": depth_mm}, pipe={"tilt_deg": 0.0, "offset_mm": (0.0, 0.0)},
                view={"target_mm": 0.5 * depth_mm})


def _placed() -> Sample:
    """The pipe of J-01 with its mark where it should be: a cutter's end, deburred a little."""
    r = joint(11, "demo-2", YELLOW_PIPE, "steel", RED_INK)
    r = view(r, f35=26.2, share=0.40, yaw=5.0, azimuth=84, heading=8, at=(0.44, 0.5))
    cut = CutSpec(0.6, 200.0, 0.02, 0.3, 0.0, 0.5, 0.0, "as_pipe", 5)
    r = vary(
        marked_pipe(r, 28.6, cut),
        mark={"width_mm": 3.2, "askew_deg": 0.2},
        ground={"kind": "concrete", "seed": 8, "drop_mm": 12.0},
        light={"map_name": "workshop", "sun": 0.0},
        tone={"ev": 0.2, "balance": (0.98, 1.0, 1.05)},
    )
    phone = PhoneSpec(
        k1=0.008, defocus_px=0.6, noise=0.008, denoise=0.5, sharpen=0.5, quality=88, f35_mm=26, seed=21
    )
    return Sample("J-01_before.jpg", "demo-2", r, 1632, phone, spp=64)


def _misplaced() -> Sample:
    """The pipe of J-06: sawn 2.5 degrees out of square, a burr left on it, the mark 3 mm too near to the cut."""
    r = joint(66, "demo-2", ORANGE_PIPE, "zinc", BLACK_INK)
    r = view(r, f35=28.2, share=0.36, yaw=-3.0, azimuth=93, heading=-80, at=(0.5, 0.56), upright=True)
    cut = CutSpec(2.5, 40.0, 0.05, 0.0, 0.3, 0.7, 0.15, "as_pipe", 9)
    r = vary(
        marked_pipe(r, 25.6, cut),
        mark={"width_mm": 1.8},
        ground={"kind": "sand", "drop_mm": 30.0},
        light={"map_name": "bridge", "sun": 0.0},
        clutter={"items": ("board",)},
    )
    phone = PhoneSpec(
        k1=-0.006, defocus_px=0.7, noise=0.012, denoise=0.5, sharpen=0.8, orientation=8, f35_mm=28, seed=27
    )
    return Sample("J-06_before.jpg", "demo-2", r, 1632, phone)


def pipe_samples() -> list[Sample]:
    """All photos of marked pipes, in the order of their names."""
    return [_placed(), _misplaced()]
