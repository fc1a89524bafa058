"""Assisted measuring: a shaky hand on painted joints of known truth, absurd lines, and the words about them."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from calibration.camera import Camera
from cli.lines import Lines, UnusableLines, lines_beside, parse_lines
from cli.main import app
from tests import scene as scenes
from tests.answers import CATALOG
from tests.scene import Scene
from vision import geometry
from vision.compare import Turn, compare
from vision.pipeline import inspect
from vision.records import Axis, Floats, Hand, Verdict
from vision.views import join

SMALL = Scene(size_px=(1344, 1008), camera=Camera(1000.0, (671.5, 503.5), u_focal_px=12.0), distance_mm=300.0)


def side_of(scene: Scene, axis: Axis, along_mm: tuple[float, float]) -> list[Floats]:
    """Two points of either silhouette of a cylinder."""
    _, u, v = geometry.frame(axis.point_mm, axis.direction)
    foot = geometry.frame(axis.point_mm, axis.direction)[0]
    distance, radius = float(np.linalg.norm(foot)), axis.radius_mm
    half = np.arccos(radius / distance)
    places = np.array(along_mm)
    return [geometry.project(foot + places[:, None] * axis.direction
                             + radius * (-np.cos(half) * u + sign * np.sin(half) * v), scene.camera)
            for sign in (-1, 1)]


def hand_on(scene: Scene, rng: np.random.Generator | None = None, u_px: float = 2.5) -> Hand:
    """Lines as a person would place them, with a hand that shakes by u_px; exact without rng."""
    def shaken(points: Floats) -> Floats:
        return points if rng is None else points + u_px * rng.standard_normal(points.shape)

    collar = scene.collar
    first, second = side_of(scene, collar, (scene.mouth_mm - 24.0, scene.mouth_mm - 4.0))
    rows = [35, 92] if len(scenes.ROWS) > 92 else [len(scenes.ROWS) // 4, 3 * len(scenes.ROWS) // 4]
    mouth = scenes.border_px(scene, scene.border_mm)[rows]
    mark = scenes.border_px(scene, np.maximum(scene.mark_mm, scene.border_mm))[rows]
    return Hand((shaken(first), shaken(second)), shaken(mouth), shaken(mark), None, u_px)


@lru_cache(maxsize=16)
def jpeg_of(scene: Scene) -> bytes:
    made = io.BytesIO()
    Image.fromarray(scenes.draw(scene)[0]).save(made, "JPEG", quality=92)
    return made.getvalue()


def assisted(scene: Scene, hand: Hand) -> Verdict:
    return inspect(jpeg_of(scene), scene.fitting, scene.known, hand=hand)


VIEWS = [replace(SMALL, tilt_deg=tilt, roll_deg=roll, gap_mm=gap)
         for tilt, roll, gap in ((0, 0, 4.0), (12, 70, 3.0), (-10, 160, 6.0), (18, 250, 9.0), (3, 30, 0.8))]


@pytest.mark.parametrize("scene", VIEWS, ids=lambda scene: f"tilt{scene.tilt_deg:.0f}gap{scene.gap_mm:.0f}")
def test_a_shaky_hand_still_gives_an_honest_interval(scene: Scene) -> None:
    for seed in range(3):
        verdict = assisted(scene, hand_on(scene, np.random.default_rng(seed)))
        assert verdict.measurement is not None, verdict.reasons
        gap = verdict.measurement.gap
        assert gap.low_mm <= scene.gap_mm <= gap.high_mm
        assert abs(gap.value_mm - scene.gap_mm) < 1.3


def test_the_picture_refines_what_the_hand_placed() -> None:
    """The usual error must be well below that of the hand: 2.5 px are 0.7 mm here."""
    scene = VIEWS[0]
    errors, by_hand_alone = [], []
    for seed in range(12):
        hand = hand_on(scene, np.random.default_rng(100 + seed))
        verdict = assisted(scene, hand)
        assert verdict.measurement is not None
        assert verdict.pose is not None
        errors.append(verdict.measurement.gap.value_mm - scene.gap_mm)
        placed = float(np.linalg.norm(hand.mark.mean(0) - hand.mouth.mean(0))) / verdict.pose.px_per_mm
        by_hand_alone.append(placed - scene.gap_mm)
    assert np.median(np.abs(errors)) < 0.5 * np.median(np.abs(by_hand_alone))


def test_the_hand_stands_in_the_budget_and_in_the_reasons() -> None:
    verdict = assisted(VIEWS[0], hand_on(VIEWS[0]))
    assert verdict.measurement is not None
    assert "placed by hand" in [part.name for part in verdict.measurement.budget]
    assert "assisted" in [doubt.reason for doubt in verdict.reasons]
    assert verdict.word == "short"
    told = {line.name: line.by for line in verdict.placed}
    assert set(told) == {"collar side 1", "collar side 2", "pipe side 1", "pipe side 2", "mouth", "mark"}
    assert told["mark"] == "picture"


def test_a_vaguer_hand_gives_a_wider_interval() -> None:
    grey = np.full((1008, 1344, 3), 90, np.uint8)  # nothing to refine by: all is as it was placed
    made = io.BytesIO()
    Image.fromarray(grey).save(made, "JPEG")
    widths = []
    for u_px in (1.0, 4.0):
        verdict = inspect(made.getvalue(), SMALL.fitting, SMALL.known, hand=hand_on(SMALL, None, u_px))
        assert verdict.measurement is not None
        assert {line.by for line in verdict.placed} == {"hand", "geometry"}
        assert verdict.measurement.gap.low_mm <= SMALL.gap_mm <= verdict.measurement.gap.high_mm
        widths.append(verdict.measurement.gap.u_mm)
    assert widths[1] > 2 * widths[0]


def test_a_mark_at_the_mouth_is_full() -> None:
    scene = replace(SMALL, gap_mm=0.0, tilt_deg=8.0)
    verdict = assisted(scene, hand_on(scene, None, 1.0))
    assert verdict.word == "full"
    assert verdict.measurement is not None
    assert verdict.measurement.gap.low_mm == 0.0


def spoilt(change: Callable[[Hand], Hand]) -> Verdict:
    return assisted(VIEWS[0], change(hand_on(VIEWS[0])))


@pytest.mark.parametrize(("change", "words"), [
    (lambda h: replace(h, collar=(h.collar[0], h.collar[0])), "lie on one another"),
    (lambda h: replace(h, collar=(h.collar[0], np.array([h.collar[1][0], h.collar[0][1] - 30]))), "apart"),
    (lambda h: replace(h, mark=np.repeat(h.mark[:1], 2, 0)), "points of the mark lie on one another"),
    (lambda h: replace(h, mark=h.mark + 5000), "the mark lies outside the picture"),
    (lambda h: replace(h, mouth=h.mark, mark=h.mouth), "the mouth does not lie at the collar's end"),
    (lambda h: replace(h, mark=h.mark + np.array([0.0, 400.0])), "the mark does not lie between"),
    (lambda h: replace(h, mouth=h.collar[0].mean(0) + np.array([[0, 20], [0, 90.0]])
                       + 2.5 * (h.mouth.mean(0) - h.collar[0].mean(0))), "mouth does not lie"),
    (lambda h: replace(h, pipe=h.collar), "the pipe is as wide as its collar"),
], ids=lambda value: value if isinstance(value, str) else "")
def test_absurd_lines_are_refused_with_the_fact(change: Callable[[Hand], Hand], words: str) -> None:
    verdict = spoilt(change)
    assert verdict.word == "unproven"
    assert verdict.measurement is None
    first = verdict.reasons[0]
    assert first.reason == "lines-misplaced"
    assert words in first.detail
    assert "assisted" in [doubt.reason for doubt in verdict.reasons]


def test_the_wrong_size_is_still_noticed() -> None:
    """The hand outvotes the finder, not the geometry: a collar as wide as the pipe's sides allow no such size."""
    scene = VIEWS[0]
    wide = scenes.fitting(pipe_od=60.325, collar_od=90.0)
    hand = hand_on(scene)
    pipe = side_of(scene, scene.pipe, (scene.mouth_mm + 5, scene.mouth_mm + 40))
    verdict = inspect(jpeg_of(scene), wide, scene.known, hand=replace(hand, pipe=(pipe[0], pipe[1])))
    assert verdict.reasons[0].reason == "size-mismatch"


# --- the file, and `check --assist` --------------------------------------------------------------------------


def lines_of(hand: Hand, size_px: tuple[int, int], **more: Any) -> dict[str, Any]:
    return {"format": "collargap-lines-1", "placed_by": "Crew A", "size_px": size_px, "point_u_px": hand.u_px,
            "collar": [line.tolist() for line in hand.collar], "mouth": hand.mouth.tolist(),
            "mark": hand.mark.tolist()} | more


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.toml").write_text(CATALOG)
    (tmp_path / "J-1.jpg").write_bytes(jpeg_of(VIEWS[0]))
    (tmp_path / "lines.json").write_text(json.dumps(lines_of(hand_on(VIEWS[0]), VIEWS[0].size_px)))
    return tmp_path


def check(*more: str) -> Any:
    return CliRunner().invoke(app, ["check", "J-1.jpg", "--fitting", "test", "--catalog", "c.toml", *more])


def test_check_with_lines_says_assisted_everywhere(folder: Path) -> None:
    done = check("--assist", "lines.json", "--json", "--overlay", "out")
    answer = json.loads(done.stdout)
    assert done.exit_code == 10
    assert answer["verdict"] == "short"
    assert answer["assisted"]["placed_by"] == "Crew A"
    assert {line["name"] for line in answer["assisted"]["lines"]} >= {"mouth", "mark", "collar side 1"}
    assert answer["line_width"] is None
    assert "assisted" in [reason["code"] for reason in answer["reasons"]]
    assert (folder / "out" / "J-1-collargap.jpg").exists()
    told = check("--assist", "lines.json").stdout
    assert "assisted: lines placed by Crew A" in told


@pytest.mark.parametrize(("change", "words"), [
    ({"format": "collargap-lines-9"}, "format"),
    ({"placed_by": ""}, "placed_by"),
    ({"size_px": [100, 100]}, "100 x 100"),
    ({"sha256": "0" * 64}, "another photo"),
    ({"mouth": [[1, 2]]}, "mouth"),
    ({"mouth": [[1, 2], [float("nan"), 2]]}, "mouth"),
    ({"tightness": 1}, "tightness"),
])
def test_lines_that_do_not_fit_are_misuse_with_the_remedy(folder: Path, change: dict[str, Any], words: str) -> None:
    told = json.loads((folder / "lines.json").read_text()) | change
    (folder / "lines.json").write_text(json.dumps(told))
    done = check("--assist", "lines.json")
    assert done.exit_code == 2
    assert words in done.output
    assert "Traceback" not in done.output


def test_lines_belong_to_one_photo(folder: Path) -> None:
    done = check("J-1.jpg", "--assist", "lines.json")
    assert done.exit_code == 2
    assert "one photo" in done.output
    (folder / "lines.json").write_text("{")
    assert "is not JSON" in check("--assist", "lines.json").output
    assert check("--assist", "none.json").exit_code == 2


def test_lines_beside_a_photo(folder: Path) -> None:
    photo = str(folder / "J-1.jpg")
    assert lines_beside(photo) is None
    (folder / "J-1.jpg.lines.json").symlink_to(folder / "lines.json")
    with pytest.raises(UnusableLines, match="not a file of placed lines"):
        lines_beside(photo)
    (folder / "J-1.jpg.lines.json").unlink()
    (folder / "J-1.jpg.lines.json").write_text((folder / "lines.json").read_text())
    found = lines_beside(photo)
    assert isinstance(found, Lines)
    assert parse_lines(found.model_dump_json(), "again") == found


def test_the_example_in_the_readme_can_be_used() -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
    [example] = re.findall(r"```json\n(\{\"format\": \"collargap-lines-1\".*?)\n```", readme, re.S)
    lines = parse_lines(example, "the README")
    assert lines.hand().mouth.shape == (2, 2)


def test_a_steep_view_is_refused() -> None:
    scene = replace(SMALL, tilt_deg=36.0)
    verdict = assisted(scene, hand_on(scene))
    assert verdict.reasons[0].reason == "too-oblique"


def test_a_mark_far_from_the_mouth_is_measured_too() -> None:
    """The flat strip ends some 40 mm from the mouth; the hand's points do not."""
    scene = replace(SMALL, gap_mm=55.0)
    verdict = assisted(scene, hand_on(scene))
    assert verdict.measurement is not None
    assert verdict.measurement.gap.value_mm == pytest.approx(55.0, abs=0.6)


# --- beyond the road: an assisted reading beside another photo of the joint -------------------------------


def seen_by_hand(gap_mm: float) -> Verdict:
    scene = replace(SMALL, gap_mm=gap_mm, tilt_deg=8.0)
    return assisted(scene, hand_on(scene, None, 1.0))


def test_assisted_readings_can_be_compared() -> None:
    """Near edges that stand free; the movement is 5 mm."""
    said = compare(seen_by_hand(4.0), seen_by_hand(9.0), SMALL.fitting, turn=Turn(0.0, 1.0, "word"))
    assert said.movement is not None
    assert said.word == "moved"
    assert said.movement.low_mm <= 5.0 <= said.movement.high_mm
    assert [each.detail for each in said.reasons if each.reason == "assisted"] == ["first photo", "later photo"]
    assert "placed by hand" in " ".join(part.name for part in said.budget)


def test_a_placed_mark_at_the_mouth_can_not_be_compared_and_says_why() -> None:
    """It would take the mark's far edge, which nobody placed."""
    said = compare(seen_by_hand(0.0), seen_by_hand(4.0), SMALL.fitting)
    assert said.word == "unproven"
    assert [each.detail.split(":")[0] for each in said.reasons if each.reason == "mark-hidden"] == ["first photo",
                                                                                               "later photo"]


@pytest.mark.parametrize(("gap_mm", "word"), [(0.0, "full"), (9.0, "short")])
def test_assisted_readings_can_be_put_together(gap_mm: float, word: str) -> None:
    view = seen_by_hand(gap_mm)
    said = join([view] * 4, SMALL.fitting, at_deg=(0.0, 90.0, 180.0, 270.0))
    assert said.worst is not None
    assert said.worst.low_mm <= gap_mm <= said.worst.high_mm
    assert said.word == word
    assert "assisted" in [each.reason for each in said.reasons]
    nobody_says_the_sides = join([view, view], SMALL.fitting)
    assert "sides-unknown" in [each.reason for each in nobody_says_the_sides.reasons]
