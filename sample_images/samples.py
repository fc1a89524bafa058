"""The recipes of the invented job: what is on each photo, and the phone that took it.

Every recipe starts from a scene of the dice (`studio.scene.draw`), calmed down by `joint`: the fitting's
size, a plain mark, no look-alikes, no hands, no print, little dirt.  `vary` then sets what the photo is
about.  Lengths are mm, angles degrees; a positive yaw looks from the pipe's side.
"""

import math
from dataclasses import dataclass, replace

from studio.noise import hsv
from studio.phone import PhoneSpec
from studio.recipe import MarkSpec, Recipe, ViewSpec, vary
from studio.scene import draw
from studio.stage import camera_of

from calibration.fittings import Fitting, demo_catalog, find_fitting

LONGER_PX, SHORTER_PX = 768, 576  # recipes are written for this size; the photo's own only adds pixels
DIAGONAL_MM = 43.2666  # of the 36 x 24 mm frame that the 35 mm equivalent refers to

BLACK_INK, WHITE_INK = hsv(230, 0.2, 0.08), hsv(60, 0.03, 0.95)
BLUE_INK, RED_INK, YELLOW_INK = hsv(222, 0.8, 0.5), hsv(2, 0.85, 0.7), hsv(52, 0.8, 0.93)
YELLOW_PIPE, GREY_PIPE, BLACK_PIPE = hsv(46, 0.75, 0.87), hsv(210, 0.05, 0.6), hsv(220, 0.1, 0.2)
WHITE_PIPE, BLUE_PIPE, ORANGE_PIPE = hsv(45, 0.06, 0.88), hsv(212, 0.75, 0.55), hsv(22, 0.8, 0.85)
STEEL_PIPE, GREEN_PIPE = hsv(210, 0.04, 0.74), hsv(140, 0.45, 0.45)


@dataclass(frozen=True)
class Sample:
    """One photo: `name` with the file's ending, `void` what spoils it, as in its truth."""

    name: str
    fitting: str
    recipe: Recipe
    longer_px: int
    phone: PhoneSpec
    spp: int = 32
    void: str | None = None


@dataclass(frozen=True)
class Joint:
    """One line of joints.csv."""

    joint: str
    fitting: str
    photo: str
    location: str
    installer: str
    machine: str
    date: str


def demo(fitting: str) -> Fitting:
    return find_fitting(demo_catalog(), fitting)


def joint(seed: int, fitting: str, pipe, finish: str, ink) -> Recipe:
    """A clean joint of this fitting with a line of 2 mm drawn all round; the seed decides the rest."""
    row = demo(fitting)
    recipe = vary(
        draw(seed, []),
        scenario="joint",
        decoys=(),
        prints=0,
        pipe={"od_mm": row.pipe_od_mm, "wall_mm": 4.0, "color": _rgb(pipe), "metallic": 0.0, "tilt_deg": 0.2},
        collar={"od_mm": row.collar_od_mm, "length_mm": 0.75 * row.collar_od_mm, "finish": finish},
        dirt={"mud": 0.0, "dust": 0.15, "grease": None, "seam_dirt": 0.3},
        clutter={"items": (), "over": ()},
        ground={"drop_mm": 0.0, "tilt_deg": 0.0, "wall": False, "scale": 1.0},
        light={"up": "z", "flash": 0.0, "contrast": 0.9, "tint": (1.0, 1.0, 1.0)},
        tone={"ev": 0.1, "balance": (1.02, 1.0, 0.98), "contrast": 1.05, "saturation": 1.0},
    )
    recipe = vary(
        recipe,
        pipe={"rib_mm": 0.0, "stripes": 0, "roughness": 0.45, "bend_start_mm": 400.0, "length_mm": 900.0},
        collar={"lip_mm": 0.7, "lip_kind": "rolled", "clearance_mm": 0.3, "taper_deg": 0.1, "style": "rings"},
    )
    return replace(recipe, mark=_line(seed, ink))


def _rgb(color) -> tuple[float, float, float]:
    return tuple(float(v) for v in color)


def _line(seed: int, ink) -> MarkSpec:
    return MarkSpec(
        gap_mm=0.2,
        width_mm=2.0,
        arc_deg=360.0,
        arc_from_camera_deg=0.0,
        ragged_mm=0.08,
        fade=0.05,
        askew_deg=0.1,
        askew_dir_deg=40.0,
        color=_rgb(ink),
        ink="by hand",
        opacity=0.95,
        drips=0,
        second_mm=None,
        seed=seed,
    )


def view(
    recipe: Recipe, f35: float, share: float, yaw: float, azimuth: float, heading: float, at, upright=False
) -> Recipe:
    """Look at the mouth: the collar takes `share` of the short side, the mouth lies at `at` (0..1, 0..1).

    azimuth: 90 looks straight down.  heading: where the pipe points in the picture; 0 right, 90 down.
    """
    w, h = (SHORTER_PX, LONGER_PX) if upright else (LONGER_PX, SHORTER_PX)
    focal = f35 / DIAGONAL_MM * (LONGER_PX**2 + SHORTER_PX**2) ** 0.5
    seen = ViewSpec(
        size_px=(w, h),
        f35_mm=f35,
        focal_px=focal,
        collar_share=share,
        dist_mm=focal * recipe.collar.od_mm / (share * SHORTER_PX),
        yaw_mouth_deg=yaw,
        azimuth_deg=azimuth,
        roll_deg=0.0,
        at_px=(at[0] * w, at[1] * h),
    )
    mouth, beyond = camera_of(replace(recipe, view=seen)).project([[0, 0, 0], [1, 0, 0]])
    unturned = math.degrees(math.atan2(*(beyond - mouth)[::-1]))
    return replace(recipe, view=replace(seen, roll_deg=heading - unturned))


def _first() -> Sample:
    """Fully in, 0.2 mm: the photo of the README."""
    r = joint(11, "demo-2", YELLOW_PIPE, "steel", RED_INK)
    r = view(r, f35=26.2, share=0.33, yaw=6.0, azimuth=82, heading=4, at=(0.47, 0.5))
    r = vary(
        r,
        mark={"gap_mm": 0.2, "width_mm": 3.2},
        collar={"hardware": "body", "port": False, "seed": 4},
        ground={"kind": "concrete", "seed": 8},
        light={"map_name": "workshop", "sun": 0.0},
        tone={"ev": 0.25, "balance": (0.98, 1.0, 1.05)},
    )
    phone = PhoneSpec(
        k1=0.008, defocus_px=0.6, noise=0.008, denoise=0.5, sharpen=0.5, quality=90, f35_mm=26, seed=1
    )
    return Sample("J-01.jpg", "demo-2", r, 1824, phone, spp=96)


def _under_the_collar() -> Sample:
    """Fully in: the line starts under the collar and comes out of it; turned by EXIF."""
    r = joint(22, "demo-2", GREY_PIPE, "zinc", RED_INK)
    r = view(r, f35=27.0, share=0.30, yaw=4.0, azimuth=100, heading=112, at=(0.5, 0.47), upright=True)
    r = vary(
        r,
        mark={"gap_mm": -0.8, "width_mm": 2.6, "ragged_mm": 0.12},
        collar={"hardware": "elbow", "port": False},
        dirt={"mud": 0.08, "dust": 0.35},
        ground={"kind": "soil"},
        light={
            "map_name": "forest",
            "sun": 2.0,
            "sun_el_deg": 55.0,
            "sun_size_deg": 3.0,
            "tint": (1.08, 1.0, 0.88),
        },
        clutter={"items": ("stones", "twigs")},
    )
    phone = PhoneSpec(
        k1=-0.01, defocus_px=0.8, noise=0.01, denoise=0.6, sharpen=0.6, orientation=6, f35_mm=27, seed=2
    )
    return Sample("J-02.jpg", "demo-2", r, 2048, phone, spp=96)


def _third(retake: bool) -> Sample:
    """3 mm short, photographed twice: first shaken and out of focus, then well."""
    r = joint(33, "demo-1.5", WHITE_PIPE, "steel", BLUE_INK)
    r = vary(
        r,
        mark={"gap_mm": 3.0, "width_mm": 1.6, "ragged_mm": 0.15},
        collar={"hardware": "nut", "port": False, "style": "groove"},
        ground={"kind": "plywood"},
        light={"map_name": "hall", "sun": 0.0},
        clutter={"items": ("board", "tape_roll")},
    )
    if retake:
        r = view(r, f35=25.8, share=0.31, yaw=3.0, azimuth=86, heading=-8, at=(0.5, 0.52))
        phone = PhoneSpec(k1=0.006, defocus_px=0.7, noise=0.012, denoise=0.6, sharpen=0.7, f35_mm=26, seed=4)
        return Sample("J-03_2.jpg", "demo-1.5", r, 1632, phone)
    r = view(r, f35=25.8, share=0.24, yaw=-2.0, azimuth=72, heading=12, at=(0.45, 0.55))
    phone = PhoneSpec(
        defocus_px=9.0, motion_px=22, motion_deg=20, noise=0.02, denoise=0.7, sharpen=0.5, f35_mm=26, seed=3
    )
    return Sample("J-03_1.jpg", "demo-1.5", r, 1920, phone, void="blur")


def _far_out() -> Sample:
    """12 mm short: a big pipe at 12 megapixels."""
    r = joint(44, "demo-3", BLACK_PIPE, "steel", WHITE_INK)
    r = view(r, f35=24.1, share=0.36, yaw=-4.0, azimuth=95, heading=-20, at=(0.46, 0.5))
    r = vary(
        r,
        mark={"gap_mm": 12.0, "width_mm": 2.8, "fade": 0.2, "ragged_mm": 0.2},
        collar={"hardware": "body", "port": True},
        dirt={"mud": 0.1, "dust": 0.4, "scuffs": 5, "scratches": 14},
        prints=1,
        ground={"kind": "gravel", "seed": 3},
        light={"map_name": "city", "sun": 0.0},
        tone={"ev": -0.25},
        clutter={"items": ("cable",)},
    )
    phone = PhoneSpec(
        k1=0.012, defocus_px=1.2, noise=0.016, denoise=0.7, sharpen=0.7, quality=78, f35_mm=24, seed=5
    )
    return Sample("J-04.jpg", "demo-3", r, 4032, phone, spp=16)


def _near_the_limit() -> Sample:
    """1.6 mm where 1.59 mm is allowed: no photo can settle that.  HEIC."""
    r = joint(55, "demo-2", BLUE_PIPE, "bright", YELLOW_INK)
    r = view(r, f35=26.3, share=0.34, yaw=5.0, azimuth=88, heading=176, at=(0.52, 0.48))
    r = vary(
        r,
        mark={"gap_mm": 1.6, "width_mm": 2.0},
        collar={"hardware": "coupling", "port": False},
        ground={"kind": "planks"},
        light={"map_name": "apartment", "sun": 0.0},
    )
    phone = PhoneSpec(
        k1=0.004, defocus_px=0.7, noise=0.01, denoise=0.6, sharpen=0.6, quality=60, f35_mm=26, seed=6
    )
    return Sample("J-05.heic", "demo-2", r, 1824, phone)


def _askew() -> Sample:
    """6 mm short, and the line was drawn 4 degrees askew."""
    r = joint(66, "demo-2", ORANGE_PIPE, "zinc", BLACK_INK)
    r = view(r, f35=28.2, share=0.28, yaw=2.0, azimuth=90, heading=-84, at=(0.5, 0.5), upright=True)
    r = vary(
        r,
        mark={"gap_mm": 6.0, "width_mm": 1.8, "askew_deg": 4.0, "askew_dir_deg": 0.0},
        collar={"hardware": "hex", "port": False},
        ground={"kind": "sand"},
        light={"map_name": "bridge", "sun": 0.0},
        clutter={"items": ("board",)},
    )
    phone = PhoneSpec(
        k1=-0.006, defocus_px=0.7, noise=0.012, denoise=0.5, sharpen=0.8, orientation=8, f35_mm=28, seed=7
    )
    return Sample("J-06.jpg", "demo-2", r, 1632, phone)


def _two_lines() -> Sample:
    """One line at the mouth and one 9 mm out: which of them is the depth mark?"""
    r = joint(77, "demo-2", WHITE_PIPE, "steel", BLACK_INK)
    r = view(r, f35=26.0, share=0.33, yaw=5.0, azimuth=94, heading=150, at=(0.44, 0.5))
    r = vary(
        r,
        mark={"gap_mm": 0.3, "width_mm": 1.7, "second_mm": 9.0},
        collar={"hardware": "cap", "port": False},
        ground={"kind": "tiles", "seed": 12},
        light={"map_name": "studio", "sun": 0.0},
        clutter={"items": ("cable", "washer")},
    )
    phone = PhoneSpec(k1=0.01, defocus_px=0.6, noise=0.01, denoise=0.6, sharpen=0.5, f35_mm=26, seed=8)
    return Sample("J-07.jpg", "demo-2", r, 1632, phone)


def _never_marked() -> Sample:
    """No mark at all: only the dark, dirty seam.  Sent through a messaging program, without EXIF."""
    r = joint(88, "demo-2", GREY_PIPE, "brass", BLACK_INK)
    r = view(r, f35=26.5, share=0.35, yaw=7.0, azimuth=84, heading=-27, at=(0.48, 0.53))
    r = vary(
        r,
        collar={"hardware": "hex", "port": False},
        dirt={"seam_dirt": 1.0, "dust": 0.3, "scuffs": 4},
        ground={"kind": "concrete"},
        light={"map_name": "hall", "sun": 0.0},
        clutter={"items": ("board",)},
    )
    phone = PhoneSpec(k1=0.008, defocus_px=0.8, noise=0.01, denoise=0.8, sharpen=0.8, quality=72, seed=9)
    return Sample("J-08.jpg", "demo-2", replace(r, mark=None), 1632, phone, void="no_mark")


def _dark() -> Sample:
    """3 mm short, but in a dark trench."""
    r = joint(99, "demo-3", GREEN_PIPE, "black_metal", WHITE_INK)
    r = view(r, f35=24.0, share=0.30, yaw=0.0, azimuth=98, heading=3, at=(0.5, 0.5))
    r = vary(
        r,
        mark={"gap_mm": 3.0, "width_mm": 2.0},
        collar={"hardware": "body", "port": False},
        ground={"kind": "soil"},
        light={"map_name": "bridge", "sun": 0.0},
        tone={"ev": -4.6},
    )
    phone = PhoneSpec(defocus_px=1.0, noise=0.03, denoise=0.8, quality=72, f35_mm=24, seed=10)
    return Sample("J-09.webp", "demo-3", r, 1632, phone, void="dark")


def _behind_the_lip() -> Sample:
    """Seen from the collar's side: the lip hides the narrow line at the mouth."""
    r = joint(110, "demo-1.5", YELLOW_PIPE, "zinc", BLACK_INK)
    r = view(r, f35=26.4, share=0.30, yaw=-21.0, azimuth=90, heading=185, at=(0.5, 0.48))
    r = vary(
        r,
        mark={"gap_mm": 0.1, "width_mm": 0.7, "ragged_mm": 0.05},
        collar={"hardware": "stub", "port": False},
        ground={"kind": "cardboard"},
        light={"map_name": "workshop", "sun": 0.0},
    )
    phone = PhoneSpec(k1=-0.005, defocus_px=0.7, noise=0.012, denoise=0.6, sharpen=0.6, f35_mm=26, seed=11)
    return Sample("J-10.jpg", "demo-1.5", r, 1632, phone)


def _glove() -> Sample:
    """9 mm short, but a glove lies over the mark."""
    r = joint(121, "demo-2", BLACK_PIPE, "steel", WHITE_INK)
    r = view(r, f35=27.5, share=0.26, yaw=3.0, azimuth=90, heading=188, at=(0.45, 0.5))
    r = vary(
        r,
        mark={"gap_mm": 9.0, "width_mm": 2.4},
        collar={"hardware": "nut", "port": False},
        ground={"kind": "grass"},
        light={"map_name": "forest", "sun": 1.5, "sun_el_deg": 60.0, "sun_size_deg": 4.0},
        clutter={"over": ("glove",), "seed": 157},
    )
    phone = PhoneSpec(
        k1=0.005, defocus_px=0.9, noise=0.012, denoise=0.5, sharpen=0.6, quality=82, f35_mm=28, seed=12
    )
    return Sample("J-11.jpg", "demo-2", r, 1824, phone, void="hand")


def _big_and_full() -> Sample:
    """Fully in, 0.5 mm, a dash instead of a ring."""
    r = joint(132, "demo-3", STEEL_PIPE, "cast", BLUE_INK)
    r = view(r, f35=50.5, share=0.38, yaw=4.0, azimuth=87, heading=118, at=(0.5, 0.52), upright=True)
    r = vary(
        r,
        mark={"gap_mm": 0.5, "width_mm": 3.0, "arc_deg": 130.0, "arc_from_camera_deg": 8.0},
        pipe={"metallic": 1.0, "roughness": 0.4},
        collar={"hardware": "body", "port": True, "style": "step"},
        dirt={"dust": 0.2, "scuffs": 4, "scratches": 12},
        ground={"kind": "asphalt"},
        light={"map_name": "city", "sun": 0.0},
    )
    phone = PhoneSpec(k1=-0.004, defocus_px=0.7, noise=0.008, denoise=0.5, sharpen=0.5, f35_mm=50, seed=13)
    return Sample("J-12.jpg", "demo-3", r, 1824, phone)


def samples() -> list[Sample]:
    """All photos, in the order of their names."""
    return [
        _first(),
        _under_the_collar(),
        _third(retake=False),
        _third(retake=True),
        _far_out(),
        _near_the_limit(),
        _askew(),
        _two_lines(),
        _never_marked(),
        _dark(),
        _behind_the_lip(),
        _glove(),
        _big_and_full(),
    ]


JOINTS = [
    Joint("J-01", "demo-2", "J-01.jpg", "plant room, pump 1", "crew A", "press 1", "2025-05-12"),
    Joint("J-02", "demo-2", "J-02.jpg", "trench, bend 1", "crew A", "press 1", "2025-05-12"),
    Joint("J-03", "demo-1.5", "J-03_*.jpg", "workshop, riser 2", "crew B", "press 2", "2025-05-12"),
    Joint("J-04", "demo-3", "J-04.jpg", "yard, main", "crew B", "press 3", "2025-05-13"),
    Joint("J-05", "demo-2", "J-05.heic", "floor 1, coupling 4", "crew A", "press 1", "2025-05-13"),
    Joint("J-06", "demo-2", "J-06.jpg", "pit 2, flange", "crew B", "press 2", "2025-05-13"),
    Joint("J-07", "demo-2", "J-07.jpg", "wash room, end cap", "crew A", "press 1", "2025-05-13"),
    Joint("J-08", "demo-2", "J-08.jpg", "plant room, pump 2", "crew C", "press 2", "2025-05-14"),
    Joint("J-09", "demo-3", "J-09.webp", "trench, under the road", "crew C", "press 3", "2025-05-14"),
    Joint("J-10", "demo-1.5", "J-10.jpg", "store, outlet 3", "crew B", "press 2", "2025-05-14"),
    Joint("J-11", "demo-2", "J-11.jpg", "lawn, valve box", "crew A", "press 1", "2025-05-15"),
    Joint("J-12", "demo-3", "J-12.jpg", "yard, branch", "crew C", "press 3", "2025-05-15"),
]
