"""The records that say everything about one scene (mm, degrees, px)."""

from dataclasses import dataclass, is_dataclass, replace
from typing import Any


@dataclass(frozen=True)
class PipeSpec:
    """The pipe: straight to `bend_start_mm`, then on a circle; colours are linear RGB.

    tilt_deg, tilt_dir_deg, offset_mm: how it sits in the collar.  rib_mm: depth of ribs, 0 for none.
    pulled_mm: how far it has come out since it was marked, with all that is painted on it.
    """

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
    pulled_mm: float = 0.0


@dataclass(frozen=True)
class CollarSpec:
    """The collar, and the kind of hardware behind it; lip_mm is the radius or chamfer of its mouth."""

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
    """The depth mark: `gap_mm` from the mouth to its near edge, negative where it starts in the collar.

    arc_deg: how far round it goes (360: a ring), its middle `arc_from_camera_deg` off the side that faces the
    camera.  fade: how much is worn away, 0 to 1.  second_mm: gap of a second line.  breaks: how often the
    line is interrupted on its way round.
    """

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
    breaks: int = 0


@dataclass(frozen=True)
class CutSpec:
    """The cut end of a bare pipe: its plane crosses the axis at 0 and is `angle_deg` out of square.

    dir_deg: round the pipe, where the cut lies furthest towards the pipe.  wavy_mm: what the saw left in the face.
    chamfer_mm: of the outer edge, 0 where it was left sharp.  burr_mm: how far a ragged lip stands out of the pipe,
    burr_wide_mm along it, burr_over_mm beyond the cut's plane.
    """

    angle_deg: float
    dir_deg: float
    wavy_mm: float
    chamfer_mm: float
    burr_mm: float
    burr_wide_mm: float
    burr_over_mm: float
    finish: str
    seed: int


@dataclass(frozen=True)
class DirtSpec:
    """Dirt, shares from 0 to 1, counts of scuffs and scratches; grease: its colour's name.

    film: colour's name of a thin film of grease wiped over the pipe, over `film_mm` from the mouth.
    bead_mm: height of a bead of the grease, squeezed out all round and reaching `grease_mm` beyond the mouth; 0: the
    grease lies in patches.  wet: share of the pipe with water on it.  rust: share of a metal pipe that has rusted.
    """

    mud: float
    dust: float
    scuffs: int
    scratches: int
    color: tuple[float, float, float]
    grease: str | None
    grease_mm: float
    seam_dirt: float
    seed: int
    film: str | None = None
    film_mm: float = 0.0
    bead_mm: float = 0.0
    wet: float = 0.0
    rust: float = 0.0


@dataclass(frozen=True)
class ViewSpec:
    """The camera: it looks at the mouth's centre, or `target_mm` beyond it, and sees that at `at_px`.

    yaw_mouth_deg: from the pipe's side where positive.  azimuth_deg: round the axis, 90 straight from above.
    collar_share: of the short side of the picture.
    """

    size_px: tuple[int, int]
    f35_mm: float
    focal_px: float
    collar_share: float
    dist_mm: float
    yaw_mouth_deg: float
    azimuth_deg: float
    roll_deg: float
    at_px: tuple[float, float]
    target_mm: float = 0.0


@dataclass(frozen=True)
class LightSpec:
    """An environment map (or, for None, an invented one), a sun in it, and a lamp beside the camera, `lamp_mm` from it
    or so: a phone's own is near, one worn on the head is not.
    """

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
    lamp_mm: float = 18.0


@dataclass(frozen=True)
class GroundSpec:
    """What the joint lies on; drop_mm: how far below it."""

    kind: str
    drop_mm: float
    tilt_deg: float
    scale: float
    wall: bool
    seed: int


@dataclass(frozen=True)
class ClutterSpec:
    """Kinds of things that lie about (`items`) and over the joint (`over`, as_pipe: in the pipe's colour)."""

    items: tuple[str, ...]
    over: tuple[str, ...]
    seed: int
    as_pipe: bool = False


@dataclass(frozen=True)
class ToneSpec:
    """Exposure in stops about middle grey, white balance, contrast and saturation."""

    ev: float
    balance: tuple[float, float, float]
    contrast: float
    saturation: float


@dataclass(frozen=True)
class Recipe:
    """All of one scene; decoys are look-alike lines: kind, distance from the mouth, width.

    A pipe that ends in sight has a `cut`; distances from the mouth are then distances from the cut.
    """

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
    cut: CutSpec | None = None


def vary(record: Any, **changes: Any) -> Any:
    """`dataclasses.replace` that goes into nested records: vary(recipe, mark={"gap_mm": 3})."""
    inner = {
        key: vary(getattr(record, key), **value)
        if isinstance(value, dict) and is_dataclass(getattr(record, key))
        else value
        for key, value in changes.items()
    }
    return replace(record, **inner)
