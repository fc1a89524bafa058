"""The dice: everything about one scene, drawn from a seed."""

from dataclasses import replace

import numpy as np

from .noise import hsv, luminance, pick
from .palette import INKS, PIPE_HUES, ink_color, pipe_color, rgb
from .recipe import (
    ClutterSpec,
    CollarSpec,
    CutSpec,
    DirtSpec,
    GroundSpec,
    LightSpec,
    MarkSpec,
    PipeSpec,
    Recipe,
    ToneSpec,
    ViewSpec,
)

GROUND_KINDS = {
    "soil": 3,
    "gravel": 2,
    "pebbles": 2,
    "grass": 2,
    "sand": 1,
    "concrete": 3,
    "asphalt": 1.5,
    "planks": 2,
    "plywood": 1,
    "tiles": 1.5,
    "cloth": 1.5,
    "carpet": 1,
    "sheet_metal": 1,
    "cardboard": 1,
    "paint": 1.5,
    "photo": 3,
    "floor_of_map": 1.5,
    "none": 1.2,
}
LOOK_ALIKES = {
    "bare_pipe": 3,
    "cut_end": 3,
    "can": 1.5,
    "bottle": 1,
    "rod": 1.2,
    "rolls": 1,
    "cables": 1.2,
    "wrapped": 1.5,
    "nothing": 0.7,
}
HARDWARE = {
    "hex": 3,
    "nut": 2.5,
    "flange": 1.5,
    "body": 2,
    "elbow": 1.5,
    "coupling": 1.5,
    "cap": 1,
    "stub": 1.5,
    "none": 0.6,
}
FINISHES = {
    "steel": 3,
    "bright": 2,
    "zinc": 2.5,
    "chromate": 1,
    "brass": 1.5,
    "black_metal": 1.5,
    "rusty": 1,
    "painted": 2,
    "plastic": 2,
    "as_pipe": 1,
    "cast": 1,
}


def _seed(rng) -> int:
    return int(rng.integers(2**31))


def _pipe(rng) -> PipeSpec:
    u = rng.uniform
    od = float(rng.choice([48.26, 60.325, 88.9])) * u(0.99, 1.01) if rng.random() < 0.5 else u(25, 115)
    hue = pick(rng, PIPE_HUES)
    metal = hue in ("steel", "copper")
    ribbed = rng.random() < 0.08
    return PipeSpec(
        od_mm=float(od),
        wall_mm=float(od * u(0.04, 0.12)),
        hue=hue,
        color=pipe_color(rng, hue),
        roughness=float(u(0.15, 0.45) if metal else u(0.2, 0.75)),
        metallic=1.0 if metal else 0.0,
        specular=float(u(0.2, 0.6)),
        tilt_deg=float(min(1.0, abs(rng.normal(0, 0.35)))),
        tilt_dir_deg=float(u(0, 360)),
        offset_mm=(0.0, 0.0),
        bend_start_mm=float(u(75, 400)),
        bend_radius_mm=float(np.exp(u(np.log(350), np.log(8000)))),
        bend_dir_deg=float(rng.choice([0, 180]) + u(-25, 25)),
        length_mm=float(u(300, 1600)),
        rib_mm=float(u(0.1, 0.5) if ribbed else 0),
        rib_pitch_mm=float(u(2.5, 8)),
        stripes=int(rng.integers(1, 4)) if rng.random() < 0.15 else 0,
        seed=_seed(rng),
    )


def _collar(rng, pipe: PipeSpec) -> CollarSpec:
    u = rng.uniform
    od = pipe.od_mm * u(1.06, 1.30)
    wall = (od - pipe.od_mm) / 2
    clearance = 0.0 if rng.random() < 0.12 else min(u(0.05, 0.6), 0.5 * wall)
    kind = pick(rng, {"rolled": 4, "chamfer": 2, "sharp": 2})
    lip = 0.1 if kind == "sharp" else min(np.exp(u(np.log(0.2), np.log(1.6))), 0.8 * (wall - clearance))
    return CollarSpec(
        od_mm=float(od),
        length_mm=float(u(20, 70)),
        lip_mm=float(max(lip, 0.08)),
        lip_kind=kind,
        clearance_mm=float(clearance),
        finish=pick(rng, FINISHES),
        style=pick(rng, {"plain": 3, "rings": 3, "flats": 2, "groove": 2, "step": 1, "bead": 1}),
        taper_deg=float(rng.normal(0, 0.4)),
        hardware=pick(rng, HARDWARE),
        port=bool(rng.random() < 0.2),
        seed=_seed(rng),
    )


def draw_mark(rng, pipe: PipeSpec) -> MarkSpec:
    u = rng.uniform
    gap = u(-2.2, 1.6) if rng.random() < 0.37 else 1.6 + 18.4 * rng.beta(0.8, 1.5)
    low_contrast = rng.random() < 0.12
    for _ in range(40):
        ink = pick(rng, INKS)
        color = ink_color(rng, ink)
        a, b = luminance(color) ** 0.45, luminance(pipe.color) ** 0.45
        far = abs(a - b) + 0.4 * np.abs(np.array(color) ** 0.45 - np.array(pipe.color) ** 0.45).max()
        if (far > 0.35) != low_contrast:
            break
    dash = rng.random() < 0.45
    width = np.exp(u(np.log(0.5), np.log(3.0)))
    return MarkSpec(
        gap_mm=float(gap),
        width_mm=float(width),
        arc_deg=float(u(30, 180) if dash else 360),
        arc_from_camera_deg=float(rng.normal(0, 35)),
        ragged_mm=float(rng.choice([0.02, 0.08, 0.2]) * u(0.5, 1.5)),
        fade=float(rng.beta(1, 2.2)),
        askew_deg=float(np.clip(rng.normal(0, 0.5), -1.5, 1.5)),
        askew_dir_deg=float(u(0, 360)),
        color=color,
        ink=ink,
        opacity=float(u(0.6, 1.0)),
        drips=int(rng.integers(1, 5)) if rng.random() < 0.12 else 0,
        second_mm=float(gap + width + u(2, 14)) if rng.random() < 0.1 else None,
        seed=_seed(rng),
    )


def _decoys(rng) -> tuple[tuple[str, float, float], ...]:
    n = int(rng.choice([0, 1, 2], p=[0.68, 0.25, 0.07]))
    kinds = {"tape": 3, "cable_tie": 2, "label": 3, "scratch_ring": 3, "o_ring": 1.5, "clamp": 1}
    widths = {
        "tape": (8, 25),
        "cable_tie": (2.2, 7),
        "label": (15, 45),
        "scratch_ring": (0.15, 0.8),
        "o_ring": (1.5, 4),
        "clamp": (8, 14),
    }
    made = []
    for _ in range(n):
        kind = pick(rng, kinds)
        made.append((kind, float(rng.uniform(2, 42)), float(rng.uniform(*widths[kind]))))
    return tuple(made)


def _dirt(rng) -> DirtSpec:
    u = rng.uniform
    soils = [hsv(u(18, 38), u(0.25, 0.6), u(0.2, 0.6)), hsv(u(20, 60), u(0, 0.15), u(0.35, 0.8))]
    return DirtSpec(
        mud=float(rng.beta(0.6, 2.2) * 0.6 if rng.random() < 0.55 else 0),
        dust=float(rng.beta(0.7, 2.4)),
        scuffs=int(rng.poisson(3)),
        scratches=int(rng.poisson(8)),
        color=rgb(soils[int(rng.random() < 0.35)]),
        grease=str(rng.choice(["black", "white", "brown"])) if rng.random() < 0.16 else None,
        grease_mm=float(u(0.5, 4)),
        seam_dirt=float(u(0, 1) if rng.random() < 0.5 else 0),
        seed=_seed(rng),
    )


def _view(rng, collar: CollarSpec) -> ViewSpec:
    u = rng.uniform
    size = (768, 576) if rng.random() < 0.6 else (576, 768)
    f35 = float(rng.choice([24, 25, 26, 27, 28, 35, 50, 52])) * u(0.97, 1.03)
    focal = f35 / 43.2666 * 960
    share = float(np.exp(u(np.log(0.10), np.log(0.45))))
    yaw = u(-35, 35) if rng.random() < 0.25 else float(np.clip(rng.normal(0, 11), -35, 35))
    margin = -0.04 if rng.random() < 0.08 else 0.14
    spread = rng.uniform(margin, 1 - margin, 2) if rng.random() < 0.6 else rng.normal(0.5, 0.1, 2)
    spread = np.clip(spread, margin, 1 - margin)
    return ViewSpec(
        size_px=size,
        f35_mm=float(f35),
        focal_px=float(focal),
        collar_share=share,
        dist_mm=float(focal * collar.od_mm / (share * 576)),
        yaw_mouth_deg=float(yaw),
        azimuth_deg=float(90 + np.clip(rng.normal(0, 32), -80, 80)),
        roll_deg=float(u(0, 360) if rng.random() < 0.5 else rng.choice([0, 90, 180, 270]) + rng.normal(0, 9)),
        at_px=(float(spread[0] * size[0]), float(spread[1] * size[1])),
    )


def _light(rng, maps: list[str]) -> LightSpec:
    u = rng.uniform
    name = str(rng.choice(maps)) if maps and rng.random() < 0.85 else None
    sun = float(np.exp(u(np.log(0.5), np.log(8)))) if rng.random() < 0.3 else 0.0
    warm = rng.normal(0, 0.08)
    return LightSpec(
        map_name=name,
        turn_deg=float(u(0, 360)),
        mirror=bool(rng.random() < 0.5),
        up=pick(rng, {"z": 6, "y": 0.7, "-y": 0.7, "x": 0.6, "-x": 0.6, "-z": 0.2}),
        tint=(float(1 + warm), 1.0, float(1 - warm)),
        contrast=float(u(0.7, 1.15)),
        sun=sun,
        sun_size_deg=float(np.exp(u(np.log(0.6), np.log(14)))),
        sun_az_deg=float(u(0, 360)),
        sun_el_deg=float(u(12, 80)),
        flash=float(np.exp(u(np.log(0.3), np.log(6)))) if rng.random() < 0.18 else 0.0,
        seed=_seed(rng),
    )


def _clutter(rng) -> ClutterSpec:
    kinds = {
        "pipe": 3,
        "box": 2,
        "can": 1.2,
        "bottle": 0.8,
        "cable": 2.5,
        "stones": 2,
        "board": 1.5,
        "tool": 1.5,
        "washer": 1,
        "bolt": 1,
        "tape_roll": 0.8,
        "twigs": 1,
        "paper": 1.2,
        "rag": 1,
        "joint": 0.8,
    }
    n = int(rng.choice([0, 1, 2, 3, 4, 6, 8], p=[0.12, 0.15, 0.2, 0.2, 0.15, 0.1, 0.08]))
    overs = {"hand": 3, "glove": 2, "strap": 1, "cable": 1, "mud_lump": 1, "finger": 2}
    over = (pick(rng, overs),) if rng.random() < 0.17 else ()
    return ClutterSpec(tuple(pick(rng, kinds) for _ in range(n)), over, _seed(rng))


def _cut(rng, pipe: PipeSpec) -> CutSpec:
    """How the pipe was cut: by pipe cutter or by saw, deburred or not."""
    u = rng.uniform
    angle = abs(rng.normal(0, 1.1)) if rng.random() < 0.8 else u(0, 4)
    deburred, burred = rng.random() < 0.3, rng.random() < 0.6
    burr = 0.0 if deburred or not burred else np.exp(u(np.log(0.05), np.log(0.55)))
    return CutSpec(
        angle_deg=float(min(angle, 4.0)),
        dir_deg=float(u(0, 360)),
        wavy_mm=float(rng.choice([0.0, 0.03, 0.1]) * u(0.5, 1.5)),
        chamfer_mm=float(min(u(0.2, 1.1), 0.35 * pipe.wall_mm) if deburred else 0.0),
        burr_mm=float(burr),
        burr_wide_mm=float(u(0.2, 1.1)),
        burr_over_mm=float(burr * u(0, 1.2)),
        finish=pick(rng, {"bright": 3, "steel": 3, "as_pipe": 2} if pipe.metallic else {"as_pipe": 4, "steel": 1}),
        seed=_seed(rng),
    )


MARK_DEPTHS_MM = (28.575, 34.925)  # common practice, no source: 1-1/8 in, and about 1-3/8 in for big pipes
BIG_PIPE_MM = 75.0


def _depth(rng, od_mm: float) -> float:
    """Where the installer put the line: mostly near the depth that he was told, sometimes anywhere."""
    told = MARK_DEPTHS_MM[int(od_mm > BIG_PIPE_MM)]
    kind = rng.random()
    if kind < 0.5:
        return float(told + rng.normal(0, 0.6))
    return float(told + rng.normal(0, 3.0)) if kind < 0.85 else float(rng.uniform(12, 46))


def _bare(recipe: Recipe, rng) -> Recipe:
    """The scene's pipe before it is pushed in: cut, marked, and the camera between cut and mark."""
    u = rng.uniform
    pipe, view = recipe.pipe, recipe.view
    mark = recipe.mark or (draw_mark(rng, pipe) if rng.random() < 0.7 else None)
    depth = _depth(rng, pipe.od_mm)
    if mark is not None:
        second = None if mark.second_mm is None else depth + (mark.second_mm - mark.gap_mm) * rng.choice([-1, 1])
        mark = replace(mark, gap_mm=depth, second_mm=second)
    share = float(np.exp(u(np.log(0.10), np.log(0.45))))
    view = replace(
        view,
        collar_share=share,
        dist_mm=view.focal_px * pipe.od_mm / (share * 576),
        target_mm=float(depth * u(0.2, 0.8)),
    )
    over = recipe.clutter.over
    if not over and rng.random() < 0.3:
        over = (pick(rng, {"hand": 2, "glove": 1}),)
    return replace(
        recipe,
        scenario="premark",
        pipe=replace(pipe, tilt_deg=0.0, offset_mm=(0.0, 0.0)),
        mark=mark,
        view=view,
        decoys=tuple((kind, at + u(0, 12), wide) for kind, at, wide in recipe.decoys),
        clutter=replace(recipe.clutter, over=over),
        ground=replace(recipe.ground, drop_mm=float(0 if rng.random() < 0.45 else np.exp(u(2, 6.5)))),
        cut=_cut(rng, pipe),
    )


def draw(seed: int, maps: list[str], scenario: str | None = None) -> Recipe:
    """The scene that belongs to a seed, given the names of the environment maps at hand.

    scenario: None for the mix; "premark" for the bare, marked pipe of that seed's scene.
    """
    recipe = _mixed(seed, maps)
    more = np.random.default_rng([seed, 7])  # dice of their own: a seed's joint never changes
    if scenario == "premark":
        return _bare(recipe, more)
    return replace(recipe, cut=_cut(more, recipe.pipe)) if recipe.scenario == "cut_end" else recipe


def _mixed(seed: int, maps: list[str]) -> Recipe:
    """A joint, or now and then something that is none."""
    rng = np.random.default_rng(seed)
    u = rng.uniform
    scenario = "joint" if rng.random() < 0.85 else pick(rng, LOOK_ALIKES)
    pipe = _pipe(rng)
    collar = _collar(rng, pipe)
    slack = collar.clearance_mm + 0.15
    off = slack * np.sqrt(rng.random()) * np.array([np.cos(a := u(0, 2 * np.pi)), np.sin(a)])
    pipe = PipeSpec(**{**pipe.__dict__, "offset_mm": (float(off[0]), float(off[1]))})
    mark = None if rng.random() < 0.25 else draw_mark(rng, pipe)
    if scenario in ("bare_pipe", "rod", "wrapped") and rng.random() < 0.7:
        mark = None
    view = _view(rng, collar)
    wb = rng.normal(0, 0.05, 2)
    return Recipe(
        seed=seed,
        scenario=scenario,
        pipe=pipe,
        collar=collar,
        mark=mark,
        dirt=_dirt(rng),
        prints=int(rng.integers(1, 3)) if rng.random() < 0.4 else 0,
        decoys=_decoys(rng),
        view=view,
        light=_light(rng, maps),
        ground=GroundSpec(
            pick(rng, GROUND_KINDS),
            float(0 if rng.random() < 0.6 else np.exp(u(2, 6.5))),
            float(rng.normal(0, 3)),
            float(u(0.6, 1.6)),
            bool(rng.random() < 0.15),
            _seed(rng),
        ),
        clutter=_clutter(rng),
        tone=ToneSpec(
            float(np.clip(rng.normal(0, 0.45), -1.6, 1.0)),
            (float(1 + wb[0]), 1.0, float(1 + wb[1])),
            float(u(0.8, 1.25)),
            float(u(0.8, 1.2)),
        ),
    )
