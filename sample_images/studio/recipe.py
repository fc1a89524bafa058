"""The records that say everything about one scene (mm, degrees, px)."""

from dataclasses import dataclass


@dataclass(frozen=True)
class PipeSpec:
    od_mm: float
    wall_mm: float
    hue: str
    color: tuple[float, float, float]
    roughness: float
    metallic: float
    specular: float
    tilt_deg: float
    tilt_dir_deg: float
    offset_mm: tuple[float, float]
    bend_start_mm: float
    bend_radius_mm: float
    bend_dir_deg: float
    length_mm: float
    rib_mm: float
    rib_pitch_mm: float
    stripes: int
    seed: int


@dataclass(frozen=True)
class CollarSpec:
    od_mm: float
    length_mm: float
    lip_mm: float
    lip_kind: str
    clearance_mm: float
    finish: str
    style: str
    taper_deg: float
    hardware: str
    port: bool
    seed: int


@dataclass(frozen=True)
class MarkSpec:
    gap_mm: float
    width_mm: float
    arc_deg: float
    arc_from_camera_deg: float
    ragged_mm: float
    fade: float
    askew_deg: float
    askew_dir_deg: float
    color: tuple[float, float, float]
    ink: str
    opacity: float
    drips: int
    second_mm: float | None
    seed: int


@dataclass(frozen=True)
class DirtSpec:
    mud: float
    dust: float
    scuffs: int
    scratches: int
    color: tuple[float, float, float]
    grease: str | None
    grease_mm: float
    seam_dirt: float
    seed: int


@dataclass(frozen=True)
class ViewSpec:
    size_px: tuple[int, int]
    f35_mm: float
    focal_px: float
    collar_share: float
    dist_mm: float
    yaw_mouth_deg: float
    azimuth_deg: float
    roll_deg: float
    at_px: tuple[float, float]


@dataclass(frozen=True)
class LightSpec:
    map_name: str | None
    turn_deg: float
    mirror: bool
    up: str
    tint: tuple[float, float, float]
    contrast: float
    sun: float
    sun_size_deg: float
    sun_az_deg: float
    sun_el_deg: float
    flash: float
    seed: int


@dataclass(frozen=True)
class GroundSpec:
    kind: str
    drop_mm: float
    tilt_deg: float
    scale: float
    wall: bool
    seed: int


@dataclass(frozen=True)
class ClutterSpec:
    items: tuple[str, ...]
    over: tuple[str, ...]
    seed: int


@dataclass(frozen=True)
class ToneSpec:
    ev: float
    balance: tuple[float, float, float]
    contrast: float
    saturation: float


@dataclass(frozen=True)
class Recipe:
    seed: int
    scenario: str
    pipe: PipeSpec
    collar: CollarSpec
    mark: MarkSpec | None
    dirt: DirtSpec
    prints: int
    decoys: tuple[tuple[str, float, float], ...]
    view: ViewSpec
    light: LightSpec
    ground: GroundSpec
    clutter: ClutterSpec
    tone: ToneSpec
