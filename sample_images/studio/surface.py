"""The pipe's skin: colour, print, depth mark, look-alike lines and dirt, layer by layer with their classes.

The raster is ROWS x COLS over the pipe's texture coordinates; `s` (mm) runs along the pipe, `arc` (mm)
round it from the line that faces the camera.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from .body import DECOY, GREASE, INK, MUD, PIPE, PRINT, SEAM, Material
from .lettering import invented_text, text_mask
from .noise import blend, field, hsv, luminance, ramp, wobble
from .palette import grease_color
from .pipe import COLS, FINE_V, ROWS, PipeAxis, row_s
from .recipe import MarkSpec, Recipe

INK_SEEN = 0.33
LAST_ROW = int(ROWS * FINE_V)


@dataclass(frozen=True)
class Line:
    """The mark's near and far edge (s, mm) for each column, and whether ink can be seen there."""

    near: np.ndarray
    far: np.ndarray
    inked: np.ndarray


@dataclass(frozen=True)
class Skin:
    """The pipe's material, its class raster, and the mark's edges (None when there is none)."""

    material: Material
    label: np.ndarray
    line: Line | None


class _Canvas:
    """The layers under work: everything that has one value a texel."""

    def __init__(self, recipe: Recipe, axis: PipeAxis, phi0: float, jointed: bool) -> None:
        p = recipe.pipe
        self.rng = np.random.default_rng(p.seed)
        self.phi_rel = ((np.arange(COLS) + 0.5) / COLS - 0.5) * 2 * np.pi
        self.phi = phi0 + np.pi + self.phi_rel
        self.s = row_s(p, (np.arange(ROWS) + 0.5) / ROWS)[:, None].astype(np.float32)
        self.own_s = self.s - p.pulled_mm  # what is painted on the pipe moves with it
        self.arc = (self.phi_rel * axis.radius_mm)[None].astype(np.float32)
        self.mouth = axis.mouth_s(self.phi)
        self.color = np.broadcast_to(np.asarray(p.color, np.float32), (ROWS, COLS, 3)).copy()
        self.rough = np.full((ROWS, COLS), p.roughness, np.float32)
        self.metal = np.full((ROWS, COLS), p.metallic, np.float32)
        self.label = np.where((self.s < self.mouth[None]) & jointed, SEAM, PIPE).astype(np.uint8)

    def lay(self, alpha, color, rough=None, label=None, seen=0.5) -> None:
        """Cover with `color` where alpha; name the texels where alpha exceeds `seen`."""
        rows, cols = np.flatnonzero((alpha > 2e-3).any(1)), np.flatnonzero((alpha > 2e-3).any(0))
        if rows.size == 0:
            return
        cut = np.s_[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
        alpha = alpha[cut].astype(np.float32)
        color = np.asarray(color, np.float32)
        self.color[cut] = blend(self.color[cut], color[cut] if color.shape[0] > 3 else color, alpha)
        if rough is not None:
            self.rough[cut] = blend(self.rough[cut], rough, alpha)
        self.metal[cut] *= 1 - alpha
        if label is not None:
            self.label[cut][(alpha > seen) & (self.label[cut] != SEAM)] = label


def _base(c: _Canvas, recipe: Recipe) -> None:
    rng, p, u = c.rng, recipe.pipe, c.rng.uniform
    cloud = field(rng, c.arc, c.own_s, u(60, 300), 1.8)
    c.color *= (1 + u(0.02, 0.22) * (cloud - 0.5))[..., None]
    grain = field(rng, c.arc, c.own_s, u(8, 30), 0.5, stretch=1 if rng.random() < 0.5 else 0.05)
    c.color *= (1 + u(0, 0.12) * (grain - 0.5))[..., None]
    if p.metallic > 0.5 and rng.random() < 0.6:
        spangle = field(rng, c.arc, c.own_s, u(20, 60), 1.1)
        c.rough *= 0.7 + 0.6 * spangle
    for _ in range(p.stripes):
        at, wide = u(-1.6, 1.6) * recipe.pipe.od_mm / 2, u(1, 7)
        stripe = ramp(-np.abs(c.arc - at), -wide, -wide + 0.3) * np.ones_like(c.own_s)
        c.lay(stripe, hsv(u(0, 360), u(0, 0.9), u(0.2, 0.95)))


def _scuffs(c: _Canvas, recipe: Recipe) -> None:
    rng = np.random.default_rng(recipe.dirt.seed)
    u = rng.uniform
    light = np.clip(np.asarray(recipe.pipe.color) + u(0.05, 0.3), 0, 1)
    for _ in range(recipe.dirt.scuffs):
        s0, a0 = u(-5, 160), u(-0.5, 0.5) * np.pi * recipe.pipe.od_mm / 2
        near = np.exp(-(((c.s - s0) / u(3, 30)) ** 2) - ((c.arc - a0) / u(2, 15)) ** 2)
        tex = field(rng, c.arc, c.s, u(5, 20), 0.8, stretch=float(rng.choice([0.1, 1, 8])))
        c.lay(ramp(near * tex, 0.25, 0.6) * u(0.2, 0.8), light * u(0.5, 1.0), 0.7)
    marks = np.zeros((LAST_ROW, COLS), np.uint8)
    for _ in range(recipe.dirt.scratches):
        x, y, a = u(0, COLS), u(0, LAST_ROW), u(0, np.pi)
        q = u(20, 320)
        bow = np.stack(
            [
                x + np.linspace(-1, 1, 9) * q * np.cos(a) + rng.normal(0, 4, 9).cumsum() * 0.3,
                y + np.linspace(-1, 1, 9) * q * np.sin(a),
            ],
            1,
        )
        cv2.polylines(marks, [np.round(bow * 8).astype(np.int32)], False, int(u(60, 220)), 1, cv2.LINE_AA, 3)
    c.lay(marks.astype(np.float32) / 255, light * u(0.4, 1.3), 0.6)


def _rust(c: _Canvas, recipe: Recipe) -> None:
    """Rust on a metal pipe, older than its print and its mark."""
    if not recipe.dirt.rust or recipe.pipe.metallic < 0.5:
        return
    rng = np.random.default_rng(recipe.dirt.seed + 21)
    u = rng.uniform
    cloud = field(rng, c.arc, c.own_s, u(15, 120), u(0.9, 1.6))
    pits = field(rng, c.arc, c.own_s, u(2, 7), 0.7)
    alpha = ramp(0.7 * cloud + 0.3 * pits, 1 - recipe.dirt.rust, 1.1 - 0.8 * recipe.dirt.rust)
    tone = hsv(u(12, 28), u(0.45, 0.8), u(0.25, 0.55)) * (0.6 + 0.8 * pits)[..., None]
    c.lay(alpha, tone, u(0.75, 0.95))


def _prints(c: _Canvas, recipe: Recipe) -> None:
    rng = np.random.default_rng(recipe.pipe.seed + 1)
    u = rng.uniform
    for _ in range(recipe.prints):
        mask = cv2.GaussianBlur(text_mask(rng, invented_text(rng)), (3, 3), 0.6)
        tall, flip = u(2.0, 9.0), rng.choice([-1, 1])
        k = mask.shape[0] / tall
        a0 = u(-0.38, 0.38) * np.pi * recipe.pipe.od_mm / 2
        s0 = u(-8, 40) if flip > 0 else u(20, 120)
        x = ((c.own_s - s0) * flip * k).astype(np.float32)
        y = ((c.arc - a0) * flip * k + mask.shape[0] / 2).astype(np.float32)
        x, y = np.broadcast_arrays(x, y)
        alpha = cv2.remap(
            mask, np.ascontiguousarray(x), np.ascontiguousarray(y), cv2.INTER_LINEAR, borderValue=0
        )
        worn = field(rng, c.arc, c.own_s, u(4, 30), 1.0)
        alpha = alpha * (1 - u(0, 1) * ramp(worn, 0.5, 0.95)) * u(0.5, 1)
        dark = luminance(recipe.pipe.color) > 0.25
        color = hsv(u(0, 360), u(0, 0.5), u(0.05, 0.3) if dark else u(0.6, 0.97))
        c.lay(alpha, color, None, PRINT, 0.4)


def _flat_decoys(c: _Canvas, recipe: Recipe) -> None:
    rng = np.random.default_rng(recipe.pipe.seed + 2)
    u = rng.uniform
    for kind, x, width in recipe.decoys:
        slant = np.tan(np.radians(rng.normal(0, 1.2))) * c.arc + rng.normal(0, 0.05, 1)
        along = c.own_s - (x + slant)
        inside = ramp(along, 0, 0.12) * (1 - ramp(along, width - 0.12, width))
        if kind == "tape":
            tone = hsv(u(0, 360), u(0, 0.9), u(0.05, 0.95))
            tone = tone * (0.85 + 0.3 * field(rng, c.arc, c.own_s, 25, 1.3))[..., None]
            c.lay(inside, tone, u(0.1, 0.6), DECOY)
        elif kind == "label":
            a0, half = u(-0.35, 0.35) * recipe.pipe.od_mm, u(0.2, 0.8) * recipe.pipe.od_mm / 2
            around = ramp(half - np.abs(c.arc - a0), 0, 0.15)
            c.lay(inside * around, hsv(u(20, 220), u(0, 0.25), u(0.75, 0.97)), u(0.2, 0.8), DECOY)
            if rng.random() < 0.5:
                bars = field(rng, c.arc, 0 * c.arc, u(60, 200), 0.7) > u(0.4, 0.6)
            else:
                bars = field(rng, c.arc, c.own_s, u(60, 200), 0.9, stretch=u(2, 6)) > u(0.6, 0.8)
            bars = bars * ramp(half - 2 - np.abs(c.arc - a0), 0, 0.2)
            c.lay(inside * bars * (along > width * 0.3) * (along < width * 0.7), hsv(0, 0, 0.08), None)
        elif kind == "scratch_ring":
            waver = 0.15 * wobble(rng, COLS, 12)[None]
            part = ramp(field(rng, c.arc, c.arc * 0, 40, 1.2), u(-0.2, 0.5), 0.6)
            alpha = np.exp(-(((c.own_s - x - slant - waver) / (0.6 * width)) ** 2)) * part
            tone = np.clip(np.asarray(recipe.pipe.color) * u(0.2, 1.6) + u(-0.02, 0.15), 0, 1)
            c.lay(alpha, tone, 0.6, DECOY, 0.4)


def _mark(c: _Canvas, mark: MarkSpec, radius_mm: float, gap_mm: float, mouth: np.ndarray) -> Line:
    """Ink a line; returns its edges."""
    rng = np.random.default_rng(mark.seed)
    u = rng.uniform
    askew = radius_mm * np.tan(np.radians(mark.askew_deg)) * np.cos(c.phi - np.radians(mark.askew_dir_deg))
    hand = 0.4 * mark.ragged_mm * wobble(rng, COLS, 5, 1.5)
    fine = mark.ragged_mm * 0.4
    near = mouth.mean() + gap_mm + askew + hand + fine * wobble(rng, COLS, u(40, 200), 0.7)
    swell = 1 + 0.12 * wobble(rng, COLS, 6, 1.2) * (mark.ragged_mm > 0.05)
    far = near + np.maximum(mark.width_mm * swell + fine * wobble(rng, COLS, u(40, 200), 0.7), 0.25)
    long_far = far.copy()
    for _ in range(mark.drips):
        at, wide = u(-1.2, 1.2), u(0.4, 1.6) / radius_mm
        long_far += u(1, 9) * np.exp(-(((c.phi_rel - at) / wide) ** 4))
    edge = u(0.05, 0.18)
    s, own_s = c.s[:LAST_ROW], c.own_s[:LAST_ROW]
    alpha = ramp(s - near[None], -edge, edge) * (1 - ramp(s - long_far[None], -edge, edge))
    half = np.radians(mark.arc_deg) / 2
    turn = np.angle(np.exp(1j * (c.phi_rel - np.radians(mark.arc_from_camera_deg))))
    ends = 1.0 if mark.arc_deg >= 359 else ramp(half - np.abs(turn), 0, 0.6 / radius_mm)
    alpha = alpha * ends * _unbroken(mark, turn)
    streak = field(rng, c.arc, own_s, u(6, 40), u(0.7, 1.5), stretch=u(1, 12))
    speck = field(rng, c.arc, own_s, u(2, 8), 0.6)
    worn = ramp(0.75 * streak + 0.25 * speck, 1 - mark.fade, 1.15 - 0.5 * mark.fade)
    alpha = alpha * (1 - worn) * mark.opacity * (0.85 + 0.15 * speck)
    c.lay(alpha, np.asarray(mark.color), u(0.25, 0.8), INK, INK_SEEN)
    core = (s > near[None]) & (s < far[None])
    cover = ((alpha > INK_SEEN) & core).sum(0) / np.maximum(core.sum(0), 1)
    first = (s > near[None]) & (s < near[None] + 0.35)
    return Line(near, far, (cover > 0.4) & ((alpha > INK_SEEN) & first).any(0))


def _unbroken(mark: MarkSpec, turn: np.ndarray) -> np.ndarray | float:
    """1 where a dabbed line has ink, 0 in its breaks, by angle `turn` from its middle."""
    if mark.breaks == 0:
        return 1.0
    rng = np.random.default_rng(mark.seed + 1)
    ink_share = rng.uniform(0.35, 0.85)
    phase = np.mod(turn * mark.breaks / np.radians(mark.arc_deg) + rng.random(), 1)
    phase = phase + 0.06 * wobble(rng, turn.size, 3 * mark.breaks)
    return ramp(ink_share / 2 - np.abs(phase - 0.5), 0, 0.04).astype(np.float32)


def _film(c: _Canvas, recipe: Recipe) -> None:
    """Grease wiped along the pipe from the mouth: streaky, thinner further on, here an even ring, there none."""
    d = recipe.dirt
    if d.film is None:
        return
    rng = np.random.default_rng(d.seed + 17)
    u = rng.uniform
    streaks = field(rng, c.arc, c.s, u(6, 40), u(0.8, 1.6), stretch=u(0.1, 6))
    rim = d.film_mm * (0.5 + 0.5 * field(rng, c.arc, 0 * c.arc, u(20, 90), 1.6)) * u(0.6, 1.2)
    fall = ramp(rim - (c.s - c.mouth[None]), 0, u(0.2, 0.9) * d.film_mm)
    patches = ramp(field(rng, c.arc, c.s, u(30, 120), 1.6), u(-0.6, 0.5), u(0.55, 0.9))
    alpha = fall * patches * (u(0.2, 0.7) + 0.6 * streaks) * u(0.5, 1.0)
    c.lay(np.clip(alpha, 0, 1), np.asarray(grease_color(rng, d.film)), u(0.1, 0.5), GREASE)


def _splashes(rng, amount: float) -> np.ndarray:
    """Drops and smears instead of clouds, near the mouth."""
    spots = np.zeros((LAST_ROW, COLS), np.uint8)
    way = rng.uniform(0, 180)
    for _ in range(int(200 * amount) + 3):
        at = (int(rng.integers(COLS)), int(rng.integers(LAST_ROW)))
        q = np.exp(rng.uniform(0.3, 3.6))
        axes = (max(1, int(0.5 * q * rng.uniform(0.7, 4))), max(1, int(q)))
        cv2.ellipse(spots, at, axes, way + rng.normal(0, 15), 0, 360, 255, -1, cv2.LINE_AA)
    return cv2.GaussianBlur(spots, (0, 0), 1.0).astype(np.float32) / 255


def _soil(c: _Canvas, recipe: Recipe) -> None:
    d = recipe.dirt
    rng = np.random.default_rng(d.seed + 9)
    u = rng.uniform
    tone = np.asarray(d.color)
    haze = field(rng, c.arc, c.s, u(20, 120), 1.6)
    c.lay(0.45 * d.dust * ramp(haze, 0.35, 1.0), tone * u(0.8, 1.3), 0.8)
    rubbed = d.seam_dirt * np.exp(-np.maximum(c.s - c.mouth[None], 0) / u(0.3, 3)) * (0.4 + 0.6 * haze)
    c.lay(np.clip(rubbed, 0, 1) * 0.8, tone * u(0.05, 0.5), 0.8)
    if d.mud > 0.02:
        patchy = field(rng, c.arc, c.s, u(15, 110), u(1.2, 1.7), stretch=u(0.5, 2))
        fine = field(rng, c.arc, c.s, u(4, 12), 1.0)
        alpha = ramp(0.85 * patchy + 0.15 * fine, 1 - d.mud, 1 - d.mud + u(0.03, 0.2))
        if rng.random() < 0.4:
            alpha = _splashes(rng, d.mud)
        c.lay(alpha * u(0.7, 1), tone * (0.7 + 0.6 * fine[: len(alpha), :, None]), 0.9, MUD)
        sprinkle = ramp(field(rng, c.arc, c.s, 9, 0.7), 1 - 0.06 * d.mud, 1.0)
        c.lay(sprinkle, tone * 0.8, 0.9, MUD)


def _wet(c: _Canvas, recipe: Recipe) -> None:
    """Water over all that lies on the pipe, in sheets and drops: it darkens a little and shines."""
    wet = recipe.dirt.wet
    if not wet:
        return
    rng = np.random.default_rng(recipe.dirt.seed + 23)
    u = rng.uniform
    sheet = ramp(field(rng, c.arc, c.s, u(20, 140), u(1.2, 1.8), stretch=u(0.3, 3)), 1 - wet, 1.06 - wet)
    drops = _splashes(rng, 0.4 * wet)
    water = np.zeros_like(c.rough)
    water += sheet
    water[:LAST_ROW] = np.maximum(water[:LAST_ROW], drops)
    c.color *= (1 - u(0.05, 0.35) * water)[..., None]
    c.rough = blend(c.rough, u(0.04, 0.14), water)


def paint(recipe: Recipe, axis: PipeAxis, phi0: float, jointed: bool) -> Skin:
    """All layers, from the bare pipe up to the mud."""
    c = _Canvas(recipe, axis, phi0, jointed)
    _base(c, recipe)
    _scuffs(c, recipe)
    _rust(c, recipe)
    _prints(c, recipe)
    _flat_decoys(c, recipe)
    line, pulled = None, recipe.pipe.pulled_mm
    if recipe.mark is not None:
        mouth = c.mouth if jointed else 0 * c.mouth
        line = _mark(c, recipe.mark, axis.radius_mm, recipe.mark.gap_mm + pulled, mouth)
        if recipe.mark.second_mm is not None:
            _mark(c, recipe.mark, axis.radius_mm, recipe.mark.second_mm + pulled, mouth)
    _film(c, recipe)
    _soil(c, recipe)
    _wet(c, recipe)
    skin = Material(
        np.clip(c.color, 0, 1),
        np.clip(c.rough, 0.05, 1),
        c.metal if recipe.pipe.metallic else 0.0,
        recipe.pipe.specular,
    )
    return Skin(skin, c.label, line)
