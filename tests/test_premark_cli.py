"""`collargap premark` and `check --premark` as their users meet them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import cli.check
import cli.premark
from calibration.camera import Camera
from calibration.fittings import Fitting
from cli.files import MADE_HERE
from cli.main import app
from tests import pipes
from tests import scene as scenes
from tests.answers import CATALOG, known_verdict
from vision.records import Doubt, Ends, Photo, PremarkVerdict

KEYS = ["kind", "photo", "sha256", "fitting", "verdict", "unit", "mark_depth", "mark_tolerance", "depth", "cut",
        "line_width", "by_side", "p_placed", "view", "budget", "reasons", "seconds", "version", "taken"]
README = (Path(__file__).parent.parent / "README.md").read_text("utf-8")


LENS = Camera(760.0, (503.5, 377.5), u_focal_px=12.0, source="exif")


def pipe(depth_mm: float, fitting: Fitting, lens: Camera = LENS) -> PremarkVerdict:
    """A whole verdict, with its picture."""
    scene = pipes.marked(depth_mm, fitting=fitting, size_px=(1008, 756), distance_mm=330.0, tilt_deg=4.0, camera=lens)
    pixels, _ = scenes.draw(scene)
    depth, limbs, pose = pipes.stages(scene)
    found = pipes.verdict(scene)
    ends = Ends(depth.cut, (depth.near,), (2.0,), (1.0,), 0.0)
    return PremarkVerdict(found.word, found.reasons, found.placement, Photo(pixels, scene.known), None, limbs, pose,
                          None, ends, depth)


FOUND = {b"p": 28.6, b"m": 24.0, b"u": 29.6}


def fake_inspect(data: bytes, fitting: Fitting, _camera: Any, _confidence: float) -> PremarkVerdict:
    if data[:1] == b"!":
        raise RuntimeError("out of tea")
    if data[:1] == b"l":
        return pipe(33.0, fitting, replace(LENS, u_focal_px=90.0, source="assumed"))
    if data[:1] not in FOUND:
        return PremarkVerdict("unproven", (Doubt("no-pipe"),))
    return pipe(FOUND[data[:1]], fitting)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(cli.premark, "inspect", fake_inspect)
    monkeypatch.setattr(cli.check, "inspect", lambda *_: known_verdict(0.5))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.toml").write_text(CATALOG + "mark_tolerance = 1.0\n")
    (tmp_path / "bare.toml").write_text(CATALOG)
    (tmp_path / "least.toml").write_text(CATALOG + "min_insertion = 25.0\n")
    for name, first in {"placed": "p", "misplaced": "m", "near": "u", "none": "n", "broken": "!", "joint": "f",
                        "lensless": "l"}.items():
        (tmp_path / f"{name}.jpg").write_text(first)
    return tmp_path


def run(command: str, *arguments: str, catalog: str = "c.toml") -> Any:
    return CliRunner().invoke(app, [command, "--fitting", "test", "--catalog", catalog, *arguments])


@pytest.mark.parametrize(("photos", "status"), [
    (["placed.jpg"], 0), (["placed.jpg", "misplaced.jpg"], 10), (["near.jpg", "placed.jpg"], 11), (["none.jpg"], 11),
    (["placed.jpg", "missing.jpg"], 2), (["broken.jpg", "missing.jpg", "placed.jpg"], 1),
])
def test_exit_status(photos: list[str], status: int) -> None:
    for options in ([], ["--json"]):
        result = run("premark", *photos, *options)
        assert result.exit_code == status, result.output


def test_json_has_the_same_keys_for_every_photo() -> None:
    lines = [json.loads(line) for line in run("premark", "placed.jpg", "none.jpg", "--json").stdout.splitlines()]
    assert [list(line) for line in lines] == [KEYS, KEYS]
    told, silent = lines
    assert told["kind"] == "premark"
    assert told["depth"]["value"] == pytest.approx(28.6, abs=0.05)
    assert list(told["cut"]) == ["angle_deg", "across"]
    assert told["p_placed"] > 0.9
    assert [silent[key] for key in ("depth", "cut", "line_width", "p_placed", "view")] == [None] * 5
    for key in KEYS:
        assert f"`{key}`" in README


def test_without_a_tolerance_the_number_is_told_and_nothing_judged() -> None:
    result = run("premark", "placed.jpg", catalog="bare.toml")
    assert result.exit_code == 11
    assert "28.60 mm" in result.stdout
    assert "no tolerance given" in result.stdout
    assert "no-tolerance" in result.stdout
    told = json.loads(run("premark", "placed.jpg", "--json", catalog="bare.toml").stdout)
    assert (told["p_placed"], told["mark_tolerance"]) == (None, None)


def test_where_nobody_knows_the_lens_a_range_is_told_and_no_number() -> None:
    told = json.loads(run("premark", "lensless.jpg", "--json", "--overlay", "pictures").stdout)
    depth = told["depth"]
    assert depth["value"] is None
    assert depth["low"] < 33.0 < depth["high"]
    assert told["verdict"] == "misplaced"  # all of it lies beyond the tolerance
    text = run("premark", "lensless.jpg").stdout
    shown = f"{depth['low']:.1f}"[:-1]
    assert f"mark     {shown}" in text
    assert "no nearer: the lens is not known" in text
    assert "lensless" in run("premark", "lensless.jpg", "placed.jpg").stdout
    both = json.loads(run("check", "joint.jpg", "--premark", "lensless.jpg", "--json").stdout)
    insertion, gap = both["insertion"], both["gap"]
    assert both["premark"]["depth"] == depth
    assert insertion["value"] is None
    assert insertion["low"] < depth["low"] - gap["value"] < depth["high"] - gap["value"] < insertion["high"]
    assert "by lensless.jpg" in " ".join(run("check", "joint.jpg", "--premark", "lensless.jpg").stdout.split())


def test_people_read_the_cautions_the_table_and_the_budget() -> None:
    text = run("premark", "placed.jpg", "misplaced.jpg", "--budget").stdout
    assert "not how tight the joint is" in text
    assert "MISPLACED" in text
    assert "cut edge" in text
    assert "out of square" in text


def test_the_overlay_shows_cut_and_mark_where_they_were_read(folder: Path) -> None:
    from PIL import Image

    result = run("premark", "placed.jpg", "none.jpg", "--overlay", "pictures")
    assert result.exit_code == 11, result.output
    assert [path.name for path in (folder / "pictures").iterdir()] == ["placed-collargap.jpg"]
    assert MADE_HERE in (folder / "pictures" / "placed-collargap.jpg").read_bytes()[:4096]
    picture = np.asarray(Image.open(folder / "pictures" / "placed-collargap.jpg")).astype(int)
    for colour in ((64, 224, 255), (255, 110, 180), (255, 214, 0)):
        assert (np.abs(picture - colour).sum(-1) < 90).sum() > 50, colour


def test_check_takes_the_photo_of_the_marked_pipe() -> None:
    told = json.loads(run("check", "joint.jpg", "--premark", "placed.jpg", "--json").stdout)
    assert told["insertion_from"] == "premark"
    assert told["premark"]["photo"] == "placed.jpg"
    depth, gap = told["premark"]["depth"]["value"], told["gap"]["value"]
    assert told["insertion"]["value"] == pytest.approx(depth - gap, abs=1e-3)
    assert (told["min_insertion"], told["p_inserted"]) == (None, None)
    alone = json.loads(run("check", "joint.jpg", "--json").stdout)
    assert (alone["insertion_from"], alone["premark"]) == ("catalog", None)


def test_a_misplaced_mark_takes_the_word_away_and_a_least_insertion_gives_one() -> None:
    result = run("check", "joint.jpg", "--premark", "misplaced.jpg")
    assert result.exit_code == 11
    assert "mark-misplaced" in result.stdout
    result = run("check", "joint.jpg", "--premark", "misplaced.jpg", "--turned", "0", catalog="least.toml")
    assert result.exit_code == 10
    result = run("check", "joint.jpg", "--premark", "placed.jpg", "--turned", "0", catalog="least.toml")
    assert result.exit_code == 0
    assert "reached: more than 99.9 % likely" in result.stdout


def test_where_the_sides_are_not_said_less_is_sure() -> None:
    both = "check", "joint.jpg", "--premark", "placed.jpg"
    untold, told = (json.loads(run(*both, *more, "--json").stdout)["insertion"] for more in ((), ("--turned", "0")))
    assert untold["u"] > 1.5 * told["u"]
    assert untold["value"] == told["value"]
    alone = run("check", "joint.jpg", "--turned", "0")
    assert alone.exit_code == 2
    assert "--premark" in alone.stderr


def test_the_depth_on_the_side_that_the_joint_shows_is_told() -> None:
    both = "check", "joint.jpg", "--premark", "placed.jpg"
    told = json.loads(run(*both, "--turned", "30", "--json").stdout)
    here, insertion = told["premark"]["depth_here"], told["insertion"]
    assert insertion["value"] == pytest.approx(here["value"] - told["gap"]["value"], abs=2e-4)
    assert json.loads(run(*both, "--json").stdout)["premark"]["depth_here"] is None
    assert "on the side that this photo shows" in run(*both, "--turned", "30").stdout


@pytest.mark.parametrize("turn", [[], ["--turned", "0"]])
def test_a_marked_pipe_belongs_to_one_joint(turn: list[str]) -> None:
    result = run("check", "joint.jpg", "joint.jpg", "--premark", "placed.jpg", *turn)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "belongs to one photo" in result.stderr
    assert "collargap joint" in result.stderr


@pytest.mark.parametrize("turned", ["nan", "inf", "-361", "1e9"])
def test_a_turn_that_is_none_is_misuse(turned: str) -> None:
    result = run("check", "joint.jpg", "--premark", "placed.jpg", "--turned", turned)
    assert result.exit_code == 2
    assert "is no turn. Name degrees from -360 to 360." in result.stderr


def test_why_the_marked_pipe_told_nothing_is_said() -> None:
    result = run("check", "joint.jpg", "--premark", "none.jpg")
    assert "(no bare pipe end was found)" in " ".join(result.stdout.split())


@pytest.mark.parametrize(("premark", "status", "said"), [
    ("missing.jpg", 2, "There is no file missing.jpg."), (".", 2, "is a folder"), ("broken.jpg", 1, "internal error")])
def test_without_the_marked_pipe_that_was_named_no_joint_is_answered(premark: str, status: int, said: str) -> None:
    for options in ([], ["--json"]):
        result = run("check", "joint.jpg", "--premark", premark, *options)
        assert (result.exit_code, result.stdout) == (status, "")
        assert said in result.stderr
