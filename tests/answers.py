"""Whole verdicts of known joints, made without the finder: for what prints, draws and writes them."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from calibration.fittings import Fitting, find_fitting, parse_catalog
from tests import scene as scenes
from tests.scene import Scene
from vision.pose import solve_pose
from vision.records import Doubt, Doubted, Measurement, Photo, Pose, Verdict
from vision.uncertainty import measure
from vision.unwrap import unwrap
from vision.verdict import judge

CATALOG = """
[[fitting]]
id = "test"
nominal_size = "2"
unit = "mm"
collar_od = 73.0
pipe_od = 60.325
mark_depth = 28.575
max_gap = 1.5875
source = "invented for the tests"
"""


def known_fitting() -> Fitting:
    """The only row of CATALOG."""
    return find_fitting(parse_catalog(CATALOG, "test"), "test")


@lru_cache(maxsize=8)
def known_verdict(gap_mm: float = 4.0, roll_deg: float = 20.0) -> Verdict:
    """What perfect stages would find of a painted joint."""
    fitting = known_fitting()
    scene = Scene(gap_mm=gap_mm, roll_deg=roll_deg, size_px=(1008, 756), distance_mm=330.0,
                  camera=scenes.Camera(760.0, (503.5, 377.5), u_focal_px=12.0))
    pixels, _ = scenes.draw(scene)
    photo = Photo(pixels, scene.known)
    rng = np.random.default_rng(1)
    limbs, gap = scenes.limbs(scene, rng), scenes.gap(scene, rng)
    pose = solve_pose(limbs, photo.camera, fitting, scenes.mouth_px(scene), scenes.axis_px(scene))
    assert isinstance(pose, Pose)
    measurement = measure(gap, limbs, pose, photo.camera, fitting)
    assert isinstance(measurement, Measurement)
    word, reasons = judge(measurement, [], fitting)
    return Verdict(word, reasons, measurement, photo, None, limbs, pose, unwrap(photo, pose), gap)


def in_doubt(gap_mm: float = 0.5) -> Verdict:
    """The same of a line at the mouth that by the photo alone may be no mark."""
    known = known_verdict(gap_mm)
    assert known.gap is not None
    assert known.measurement is not None
    doubted = Doubted(replace(known.gap, unsure="it may be a gasket"), known.measurement)
    return replace(known, word="unproven", reasons=(Doubt("mark-unclear", doubted.gap.unsure),), gap=None,
                   measurement=None, doubted=doubted)


def refused(reason: str = "not-a-photo", detail: str = "") -> Verdict:
    """A road that ended at its first stage."""
    return Verdict("unproven", (Doubt(reason, detail),))
