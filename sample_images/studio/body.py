"""The nouns shared by all parts of a scene: classes, materials, bodies."""

from dataclasses import dataclass, field

import numpy as np

from .meshes import Mesh

BACKGROUND, PIPE, COLLAR, HARDWARE, INK, DECOY, PRINT, MUD, GREASE, OVER, OTHER, SEAM = range(12)
CLASS_NAMES = (
    "background",
    "pipe",
    "collar",
    "hardware",
    "ink",
    "decoy",
    "print",
    "mud",
    "grease",
    "over",
    "other",
    "seam",
)


@dataclass(frozen=True)
class Material:
    """Linear colour (3 or HxWx3), roughness and metallic (number or HxW), specular strength 0..1."""

    color: np.ndarray
    roughness: float | np.ndarray = 0.5
    metallic: float | np.ndarray = 0.0
    specular: float = 0.5


@dataclass(frozen=True)
class Body:
    """A mesh, what it is made of, and its class: one number or a raster (HxW) over the texture."""

    name: str
    mesh: Mesh
    material: Material
    label: int | np.ndarray = field(default=BACKGROUND)
