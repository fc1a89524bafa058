"""What is true about a scene: gap, mark's depth, tilt, what the lip hides; and where the close window lies."""

from dataclasses import replace

import numpy as np

from .camera import Camera
from .cut import cut_s
from .joint import hidden_mm
from .pipe import COLS, PipeAxis
from .recipe import Recipe
from .stage import Stage

WELL_SEEN_DEG = 60.0
CLOSE_MM = {"joint": (-12.0, 44.0), "premark": (-5.0, 55.0)}
AROUND_MM, AROUND = (-12.0, 4.0), 1.12  # with its surroundings: there, and so many times as wide as the collar
EVERY_DEG = 15
HALF_LOOK, AHEAD = 2.2, 0.75  # of the width of collar, or of a bare pipe: a look's half side; its middle from the end


def columns_rad(stage: Stage) -> np.ndarray:
    """The angle round the pipe of every column of its skin."""
    return stage.phi0 + (np.arange(COLS) + 0.5) / COLS * 2 * np.pi


def gap_truth(recipe: Recipe, stage: Stage) -> dict:
    """Gap (mean, min, max over the inked part of the well seen arc) and line width, or Nones."""
    none = {
        "gap_near_mm": None,
        "gap_min_mm": None,
        "gap_max_mm": None,
        "line_width_mm": None,
        "inked_share": 0.0,
    }
    if stage.line is None or recipe.scenario != "joint":
        return none
    phi = columns_rad(stage)
    facing = stage.axis.facing_rad(stage.camera.centre_mm)
    seen = np.abs(np.angle(np.exp(1j * (phi - facing)))) <= np.radians(WELL_SEEN_DEG)
    inked = seen & stage.line.inked
    if not inked.any():
        return none
    gap = stage.line.near - stage.axis.mouth_s(phi)
    return {
        "gap_near_mm": float(gap[inked].mean()),
        "gap_min_mm": float(gap[inked].min()),
        "gap_max_mm": float(gap[inked].max()),
        "line_width_mm": float((stage.line.far - stage.line.near)[inked].mean()),
        "inked_share": float(inked.sum() / seen.sum()),
    }


def _at_angles(values: np.ndarray, rel_deg: np.ndarray, there: np.ndarray) -> list[float | None]:
    """Values every EVERY_DEG round the well seen arc, None where there is none."""
    wanted = np.arange(-WELL_SEEN_DEG, WELL_SEEN_DEG + 1, EVERY_DEG)
    columns = [int(np.abs(rel_deg - angle).argmin()) for angle in wanted]
    return [float(values[i]) if there[i] else None for i in columns]


def premark_truth(recipe: Recipe, stage: Stage) -> dict | None:
    """The cut, and the mark's depth from it along the pipe: mean, min, max over the inked part of the well seen arc.

    Angles count from the line that faces the camera, as on the flat strip.  `depth_all_mm`: mean round the pipe.
    """
    cut, axis = recipe.cut, stage.axis
    if cut is None or axis is None:
        return None
    phi = columns_rad(stage)
    facing = np.degrees(axis.facing_rad(stage.camera.centre_mm))
    rel = (np.degrees(phi) - facing + 180) % 360 - 180
    ends = cut_s(cut, axis.radius_mm, phi)
    facts: dict = {
        "cut_angle_deg": cut.angle_deg,
        "cut_dir_deg": float((cut.dir_deg - facing + 180) % 360 - 180),
        "chamfer_mm": cut.chamfer_mm,
        "burr_mm": cut.burr_mm,
        "burr_over_mm": cut.burr_over_mm,
        "cut_at_mm": _at_angles(ends, rel, np.ones(COLS, bool)),
        "depth_mm": None,
        "depth_min_mm": None,
        "depth_max_mm": None,
        "depth_all_mm": None,
        "depth_at_mm": [],
        "line_width_mm": None,
        "inked_share": 0.0,
    }
    if stage.line is None:
        return facts
    seen = np.abs(rel) <= WELL_SEEN_DEG
    inked = seen & stage.line.inked
    if not inked.any():
        return facts
    depth = stage.line.near - ends
    return facts | {
        "depth_mm": float(depth[inked].mean()),
        "depth_min_mm": float(depth[inked].min()),
        "depth_max_mm": float(depth[inked].max()),
        "depth_all_mm": float(depth.mean()),
        "depth_at_mm": _at_angles(depth, rel, inked),
        "line_width_mm": float((stage.line.far - stage.line.near)[inked].mean()),
        "inked_share": float(inked.sum() / seen.sum()),
    }


def close_window(stage: Stage, camera: Camera, longer_px: int, scenario: str = "joint",
                 around_mm: float | None = None) -> Camera:
    """The window round the part of the pipe's visible half that matters, as far as it is in frame.

    around_mm: a collar's radius; its mouth is then in the window too, with a little of what lies beside it.
    """
    if stage.axis is not None:
        facing = stage.axis.facing_rad(camera.centre_mm)
        phi = facing + np.linspace(-np.pi / 2, np.pi / 2, 25)
        s = np.linspace(*CLOSE_MM.get(scenario, CLOSE_MM["joint"]), 12)
        points = [stage.axis.at(s[:, None], phi[None]).reshape(-1, 3)]
        if around_mm is not None:
            wider = replace(stage.axis, radius_mm=AROUND * around_mm)
            points.append(wider.at(np.linspace(*AROUND_MM, 4)[:, None], phi[None]).reshape(-1, 3))
        px = camera.project(np.concatenate(points))
    else:
        box = np.array(np.meshgrid([-40, 40], [-30, 30], [-30, 30])).reshape(3, -1).T
        px = camera.project(box)
    x0, y0 = np.nanmin(px, 0)
    x1, y1 = np.nanmax(px, 0)
    pad = 0.04 * max(x1 - x0, y1 - y0)
    w, h = camera.width_px, camera.height_px
    x0, x1 = np.clip([x0 - pad, x1 + pad], -0.5, w - 0.5)
    y0, y1 = np.clip([y0 - pad, y1 + pad], -0.5, h - 0.5)
    least = 40.0
    if x1 - x0 < least:
        x0 = float(np.clip((x0 + x1 - least) / 2, -0.5, w - 0.5 - least))
        x1 = x0 + least
    if y1 - y0 < least:
        y0 = float(np.clip((y0 + y1 - least) / 2, -0.5, h - 0.5 - least))
        y1 = y0 + least
    return camera.window(float(x0), float(y0), float(x1), float(y1), longer_px)


def look_window(recipe: Recipe, camera: Camera, longer_px: int) -> Camera:
    """A square round the mouth, or a bare pipe's end, as far as close looks may reach; also beyond the frame."""
    bare = recipe.scenario == "premark"
    wide_mm = recipe.pipe.od_mm if bare else recipe.collar.od_mm
    point = np.array([AHEAD * wide_mm if bare else 0.0, 0.0, 0.0])
    (x, y), = camera.project(point)
    half = HALF_LOOK * wide_mm * camera.K[0, 0] / float((camera.R @ point + camera.t)[2])
    return camera.window(float(x - half), float(y - half), float(x + half), float(y + half), longer_px)


def _axis(recipe: Recipe, axis: PipeAxis | None) -> dict | None:
    """The axis; `lean`: a point p off it lies on the cut's plane at s = p . lean, where the pipe has a cut."""
    if axis is None:
        return None
    lean = None
    if recipe.cut is not None:
        way = np.radians(recipe.cut.dir_deg)
        lean = np.tan(np.radians(recipe.cut.angle_deg)) * (np.cos(way) * axis.u + np.sin(way) * axis.v)
    return {"point_mm": axis.point.tolist(), "direction": axis.a.tolist(), "radius_mm": axis.radius_mm,
            "lean": None if lean is None else lean.tolist()}


def truth(recipe: Recipe, stage: Stage) -> dict:
    """The truth of a scene as plain numbers, ready for JSON."""
    camera = stage.camera
    c, forward = camera.centre_mm, camera.R[2]
    joint = recipe.scenario == "joint"
    mark = gap_truth(recipe, stage)
    pulled = recipe.pipe.pulled_mm
    decoys = [[kind, x + pulled] for kind, x, _ in recipe.decoys] if stage.axis is not None else []
    if recipe.mark is not None and recipe.mark.second_mm is not None:
        decoys.append(["second_line", recipe.mark.second_mm + pulled])
    if recipe.dirt.grease is not None and joint:
        decoys.append(["grease", 0.0])
    return {
        "seed": recipe.seed,
        "scenario": recipe.scenario,
        "no_joint": not joint,
        "unmarked": recipe.mark is None,
        **mark,
        "premark": premark_truth(recipe, stage),
        "hidden_mm": hidden_mm(recipe, stage.axis, c) if joint else None,
        "yaw_deg": float(np.degrees(np.arcsin(np.clip(-forward[0], -1, 1)))),
        "yaw_mouth_deg": recipe.view.yaw_mouth_deg,
        "dist_mm": float(np.linalg.norm(c)),
        "f35": recipe.view.f35_mm,
        "fpx": recipe.view.focal_px,
        "size": list(recipe.view.size_px),
        "k1": 0.0,
        "roll": recipe.view.roll_deg,
        "tilt": recipe.pipe.tilt_deg,
        "collar_od_mm": recipe.collar.od_mm,
        "pipe_od_mm": recipe.pipe.od_mm,
        "lip_mm": recipe.collar.lip_mm,
        "clearance_mm": recipe.collar.clearance_mm,
        "collar_length_mm": recipe.collar.length_mm,
        "pipe_axis": _axis(recipe, stage.axis),
        "camera_mm": c.tolist(),
        "full_ring": recipe.mark is not None and recipe.mark.arc_deg >= 359,
        "fade": recipe.mark.fade if recipe.mark else None,
        "dirt": recipe.dirt.mud,
        "grease": recipe.dirt.grease is not None,
        "decoys": decoys,
        "over": list(recipe.clutter.over),
        "ground": recipe.ground.kind,
        "hdri": recipe.light.map_name,
    }
