"""The invented job in sample_images/job: every photo is answered as its truth demands."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from calibration.fittings import demo_catalog, find_fitting
from vision.decode import decode
from vision.pipeline import inspect, inspect_premark
from vision.verdict import judge_placement

SAMPLES = Path(__file__).parent.parent / "sample_images"
JOB = SAMPLES / "job"
SHA256 = {
    "J-01.jpg": "821e582567b5f8253190721f48a2ae8048fbd8b7ad407b8d0210efaaf9f09fa7",
    "J-02.jpg": "43671eed6fc1d498279bcdd96971a8a7d45560a7cdaf544bb3f43150495de431",
    "J-03_1.jpg": "6b4752f06a507ad7795f3f1350cbcdb7cc2aafda27074e4e95b74752c6bddf18",
    "J-03_2.jpg": "154dc80f0fcdac4be8f1f5dfafdbb93ffdbd6ac4531bc80b16ec878391a96403",
    "J-04.jpg": "c5608dcc562b98765565b53f6cf9383ae4c29bd32f4c110bf18bd58fd0d8c9e2",
    "J-05.heic": "050e73548174dcff68d84106b4b3d5eee5bef61af7649725487ea5c0ab31ba03",
    "J-06.jpg": "a032ccd5dee143abd6cd6124da1b2f2268d173891d22c6cada1539247c6f84c5",
    "J-07.jpg": "1fb57ab1202ef0e07ea42295036f3d212abf24d657184741554f90d67afdf4f8",
    "J-08.jpg": "bf4881caad44701c35a6b678db9ab032bc57a15bb18b60647a8304f9d2acb279",
    "J-09.webp": "f536b941c782efcb976656aa531c861584d1339401d5b690083875ef70a42193",
    "J-10.jpg": "15fb669896e40d5be048d8ac146cacee7d20a161fb72a237a65573b4b37ea216",
    "J-11.jpg": "7f13a8007669275db62bcaa36174370ac0ec761e8800a0010fe4fcc9ff0d7c53",
    "J-12.jpg": "7612d6d0c99d5017550bb8288a8e7e22fdd41cbe3b6022108a19e13807e1f160",
}  # fmt: skip
PIPES = {  # marked pipes before they were pushed in
    "J-01_before.jpg": "e46012007f2336cc088b42a8ba3c4c8fb534650c600520bc69dc5cb56c1cedcf",
    "J-06_before.jpg": "e06459917ad6a47740691393a594e19873e8172f7a63ab1d842876ecec621fe8",
}
NEAR_MM = 0.4  # nearer to the limit than this, no verdict is asked of a photo
FAULTS = {"blur": {"blurred"}, "dark": {"too-dark"}, "hand": {"covered"}}
ASKEW_MM = 3.0  # a mark whose gap changes by more over the arc seen well has to be called askew


def truth_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((JOB / name).with_suffix(".json").read_text())
    return found


def demanded(truth: dict[str, Any]) -> tuple[set[str], set[str]]:
    """The verdicts that a truth allows, and reasons of which one has to be given (none: empty)."""
    unproven = {"unproven"}
    if truth["void"] == "no_mark":
        return unproven, {"mark-not-found", "mark-unclear"}
    near = truth["gap_near_mm"]
    if truth["void"]:  # no answer is asked for, but one that is given has to be true
        return {"unproven", "full" if near <= truth["limit_mm"] else "short"}, FAULTS[truth["void"]]
    if near + truth["line_width_mm"] < truth["hidden_mm"] + 0.3:
        return unproven, {"mark-hidden", "mark-not-found"}  # a hidden mark and none look the same
    gap, limit = max(near, 0.0), truth["limit_mm"]
    if any(kind == "second_line" and (x > limit) != (gap > limit) for kind, x in truth["decoys"]):
        return unproven, {"two-lines"}
    if abs(gap - limit) < NEAR_MM:
        return unproven, {"interval-spans-limit"}
    askew = truth["gap_max_mm"] - truth["gap_min_mm"] > ASKEW_MM
    return {"full" if gap <= limit else "short"}, {"mark-askew"} if askew else set()


def measurable(truth: dict[str, Any]) -> bool:
    return truth["void"] != "no_mark" and not truth["decoys"]


@pytest.mark.parametrize("name", sorted(SHA256 | PIPES))
def test_photo_is_the_one_recorded(name: str) -> None:
    assert hashlib.sha256((JOB / name).read_bytes()).hexdigest() == (SHA256 | PIPES)[name]


def test_every_photo_is_recorded_and_has_its_truth_and_joint() -> None:
    photos = {p.name for p in JOB.iterdir() if p.suffix not in (".json", ".csv")}
    assert photos == set(SHA256 | PIPES)
    assert {p.stem for p in JOB.glob("*.json")} == {Path(name).stem for name in photos}
    listed = (JOB / "joints.csv").read_text()
    assert all(truth_of(name)["photo"] == name and name[:4] in listed for name in photos)
    assert sum((JOB / name).stat().st_size for name in photos) < 10e6


@pytest.mark.parametrize("name", sorted(SHA256))
def test_answer_is_what_the_truth_demands(name: str) -> None:
    truth = truth_of(name)
    verdict = inspect((JOB / name).read_bytes(), find_fitting(demo_catalog(), truth["fitting"]))
    words, reasons = demanded(truth)
    codes = {doubt.reason for doubt in verdict.reasons}
    assert verdict.word in words, codes
    assert codes & reasons or not reasons or (truth["void"] and verdict.word != "unproven"), codes
    assert "demo-fitting" in codes
    if verdict.measurement is not None and measurable(truth):
        low, high = verdict.measurement.gap.low_mm, verdict.measurement.gap.high_mm
        assert low <= max(truth["gap_near_mm"], 0.0) <= high


@pytest.mark.parametrize("name", sorted(PIPES))
def test_the_depth_of_a_marked_pipe_is_what_the_truth_demands(name: str) -> None:
    """Without a tolerance the number alone; with one, the word that the true depth asks for."""
    truth = truth_of(name)
    true = truth["premark"]
    row = find_fitting(demo_catalog(), truth["fitting"])
    told = inspect_premark((JOB / name).read_bytes(), row)
    assert {"no-tolerance", "demo-fitting"} <= {doubt.reason for doubt in told.reasons}
    assert told.word == "unproven"
    assert told.placement is not None
    depth, cut = told.placement.depth, told.placement.cut
    assert depth.low_mm <= true["depth_mm"] <= depth.high_mm
    assert depth.high_mm - depth.low_mm < 2.4
    assert cut.low_deg <= true["cut_angle_deg"] <= cut.high_deg
    judged = judge_placement(told.placement, (), row.model_copy(update={"mark_tolerance": 0.06}))[0]
    assert judged == ("placed" if abs(true["depth_mm"] - row.mark_depth_mm) < 1.5 else "misplaced")


def test_through_a_lens_that_nobody_knows_a_range_holds_the_depth() -> None:
    truth = truth_of("J-01_before.jpg")
    width, height = truth["size"]
    nobodys = Camera(truth["fpx"], ((width - 1) / 2, (height - 1) / 2), u_focal_px=0.12 * truth["fpx"],
                     u_centre_px=0.015 * width, u_k1=0.012, source="assumed")
    row = find_fitting(demo_catalog(), truth["fitting"])
    told = inspect_premark((JOB / "J-01_before.jpg").read_bytes(), row, nobodys).placement
    assert told is not None
    assert told.lens_open
    assert told.depth.low_mm <= truth["premark"]["depth_mm"] <= told.depth.high_mm


def test_a_made_joint_is_no_marked_pipe_and_a_marked_pipe_no_joint() -> None:
    row = find_fitting(demo_catalog(), "demo-2")
    made = inspect_premark((JOB / "J-01.jpg").read_bytes(), row)
    assert made.word == "unproven"
    assert made.placement is None
    assert made.reasons[0].reason == "not-bare"
    bare = inspect((JOB / "J-01_before.jpg").read_bytes(), row)
    assert bare.word == "unproven"
    assert bare.measurement is None


@pytest.fixture
def phone(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The studio's phone; the studio is no part of the package."""
    monkeypatch.syspath_prepend(SAMPLES)
    from studio import phone

    return phone


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "WEBP", "HEIF"])
def test_phone_stores_turned_pictures_that_come_back_upright(
    phone: ModuleType, kind: str, orientation: int
) -> None:
    upright = np.zeros((640, 960, 3), np.float32)
    upright[:200, :200, 0] = upright[:200, -200:, 1] = upright[-200:, :200, 2] = 1
    data = phone.encode(upright, phone.PhoneSpec(orientation=orientation, f35_mm=28, quality=95), kind)
    photo = decode(data)
    assert photo, photo
    assert photo.pixels.shape == upright.shape
    assert np.abs(photo.pixels / 255.0 - upright).mean() < 0.02
    assert photo.camera.source == "exif"
    assert photo.camera.focal_px == pytest.approx(28 * np.hypot(640, 960) / 43.27, rel=0.03)


def test_phone_writes_no_exif_when_there_is_nothing_to_say(phone: ModuleType) -> None:
    photo = decode(phone.encode(np.zeros((600, 900, 3), np.float32), phone.PhoneSpec()))
    assert photo, photo
    assert photo.camera.source == "assumed"


@pytest.mark.parametrize("k1", [-0.03, 0.02])
def test_phone_lens_distorts_as_opencv_says(phone: ModuleType, k1: float) -> None:
    """A dot drawn where the pinhole sees it lands where cv2.projectPoints puts it."""
    K = np.array([[700.0, 0, 399.5], [0, 700.0, 299.5], [0, 0, 1]])
    image = np.zeros((600, 800, 3), np.float32)
    x, y = 640, 80
    image[y, x] = 1
    image = cv2.GaussianBlur(image, (0, 0), 2.0)
    light = phone.distort(image, K, k1)[..., 0].astype(float)
    rows, cols = np.indices(light.shape)
    found = np.array([(light * cols).sum(), (light * rows).sum()]) / light.sum()
    ray = np.linalg.solve(K, [x, y, 1.0])[None]
    expected = cv2.projectPoints(ray, np.zeros(3), np.zeros(3), K, np.array([k1, 0, 0, 0]))[0].ravel()
    assert found == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("noise", [0.01, 0.03])
def test_phone_noise_at_mid_grey_is_what_the_spec_says(phone: ModuleType, noise: float) -> None:
    tone = pytest.importorskip("studio.recipe").ToneSpec(0.0, (1.0, 1.0, 1.0), 1.0, 1.0)
    grey = np.full((400, 400, 3), 0.18, np.float32)
    picture = phone.shoot(grey, np.eye(3), 1.0, tone, phone.PhoneSpec(noise=noise))
    assert picture.std() == pytest.approx(noise, rel=0.1)
