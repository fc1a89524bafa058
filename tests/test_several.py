"""`joint` and `compare` as people and programs meet them: words, keys, exit status, sentences, ledger, picture."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

import cli.check
import cli.premark
from calibration.fittings import Misuse
from cli.copies import Shot, refuse_copies
from cli.jobs.duplicates import are_near, picture_hashes
from cli.joint import sides_deg
from cli.ledger import Filing, Ledger, Sight
from cli.main import app
from tests import pipes
from tests.answers import CATALOG, in_doubt, known_verdict, refused
from vision import turn_between
from vision.records import PremarkVerdict

FOUND = {b"f": lambda: known_verdict(0.5), b"s": lambda: known_verdict(4.0), b"m": lambda: known_verdict(2.0),
         b"d": lambda: in_doubt(0.5), b"n": lambda: refused("no-joint")}
JOINT_KEYS = ["verdict", "fitting", "unit", "limit", "worst", "worst_at_deg", "seen", "p_full", "ring", "views",
              "reasons", "seconds", "version", "mark", "seat", "premark", "insertion", "min_insertion", "p_inserted"]
README = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
pytestmark = pytest.mark.usefixtures("folder")
CHANGE_KEYS = ["verdict", "fitting", "unit", "movement", "e_n", "shown", "least", "correlation", "edge", "turned",
               "common_arc_deg", "budget", "reasons", "old", "new", "seconds", "version"]


def picture_of(data: bytes) -> np.ndarray:
    """A grey picture that no other photo's is like."""
    coarse = np.random.default_rng(list(data)).integers(0, 255, (12, 16), np.uint8)
    return np.asarray(Image.fromarray(coarse).resize((1008, 756)).convert("RGB"))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a catalog and photos named for what is found in them."""
    def inspect(data: bytes, *_: Any) -> Any:
        if data[:1] == b"!":
            raise RuntimeError("out of tea")
        found = FOUND[data[:1]]()
        return replace(found, photo=replace(found.photo, pixels=picture_of(data))) if found.photo else found

    monkeypatch.setattr(cli.check, "inspect", inspect)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.toml").write_text(CATALOG)
    for name, text in {"full1": "f1", "full2": "f2", "full3": "f3", "doubted": "d1", "short1": "s1", "short2": "s2",
                       "mid": "m1", "none": "n1", "broken": "!1"}.items():
        (tmp_path / f"{name}.jpg").write_text(text)
    return tmp_path


def run(*arguments: str, fitting: str = "test") -> Any:
    return CliRunner().invoke(app, [*arguments, "--catalog", "c.toml", *(["--fitting", fitting] if fitting else [])])


def answer(*arguments: str) -> dict[str, Any]:
    return json.loads(run(*arguments, "--json").stdout)


# --- joint -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("arguments", "status"), [
    (["full1.jpg", "full2.jpg", "full3.jpg", "--at", "0,120,240"], 0),
    (["short1.jpg", "short2.jpg", "--at", "0,180"], 10),
    (["full1.jpg", "--at", "0"], 11),
    (["full1.jpg", "none.jpg", "--at", "0,120"], 11),
    (["none.jpg"], 11),
    (["full1.jpg", "gone.jpg"], 2),
    (["full1.jpg", "full1.jpg"], 2),
    (["full1.jpg", "full2.jpg", "--at", "0"], 2),
    (["full1.jpg", "full2.jpg", "--at", "0,noon"], 2),
    (["full1.jpg", "broken.jpg"], 1),
])
def test_exit_status_of_a_joint(arguments, status) -> None:
    result = run("joint", *arguments)
    assert result.exit_code == status
    assert bool(result.stderr.strip()) == (status in (1, 2))


def test_a_joint_in_json_and_in_words() -> None:
    arguments = "joint", "full1.jpg", "full2.jpg", "full3.jpg", "--at", "12h,4h,8h"
    found = answer(*arguments)
    assert list(found) == JOINT_KEYS
    assert all(f"`{key}`" in README for key in (*JOINT_KEYS, *CHANGE_KEYS))
    assert [side["at_deg"] for side in found["views"]] == [0, 120, 240]
    assert found["worst"]["low"] <= found["worst"]["value"] <= found["worst"]["high"] <= found["limit"]
    text = run(*arguments).stdout
    assert "FULL" in text
    assert "100% of the circumference" in text
    assert "not how tight the joint is" in text  # the cautions stand where the verdict is read


def test_a_joint_without_sides_says_what_to_do(monkeypatch) -> None:
    monkeypatch.setattr(turn_between, "match", lambda *_: None)
    result = run("joint", "full1.jpg", "full2.jpg")
    assert result.exit_code == 11
    assert "sides-unknown" in result.stdout
    assert "--at" in result.stdout


@pytest.mark.parametrize(("text", "sides"), [("0,120,240", [0, 120, 240]), ("12h, 4h,8h", [0, 120, 240]),
                                             ("0  120\t240", [0, 120, 240]), (" 12H 4h , 8H ", [0, 120, 240]),
                                             ("-90,0,90.5", [270, 0, 90.5])])
def test_sides_as_people_write_them(text, sides) -> None:
    assert sides_deg(text, 3) == sides


@pytest.mark.parametrize("text", ["", "13h", "east", "0;120", "nan", "inf,0", "1e9,2"])
def test_sides_that_are_none(text) -> None:
    with pytest.raises(Misuse, match="0,120,240"):
        sides_deg(text, text.count(",") + 1)


@pytest.fixture
def marked_pipe(folder, monkeypatch):
    """A photo of the marked pipe, its line drawn square or askew by the file's first letter."""
    def seen(data: bytes, fitting, *_: object) -> PremarkVerdict:
        scene = pipes.marked(fitting=fitting, tilt_deg=4.0, askew_mm=4.0 if data[:1] == b"a" else 0.0)
        depth, limbs, pose = pipes.stages(scene)
        return replace(pipes.verdict(scene), limbs=limbs, pose=pose, depth=depth)

    monkeypatch.setattr(cli.premark, "inspect", seen)
    (folder / "square.jpg").write_bytes(b"square")
    (folder / "askew.jpg").write_bytes(b"askew")


@pytest.mark.usefixtures("marked_pipe")
def test_a_photo_of_the_marked_pipe_tells_the_marks_own_slant() -> None:
    joint = "joint", "full1.jpg", "full2.jpg", "full3.jpg", "--at", "0,120,240"
    square, askew = (answer(*joint, "--premark", f"{name}.jpg", "--premark-at", "0") for name in ("square", "askew"))
    assert abs(square["mark"]["sin"]) < 0.03 < abs(askew["mark"]["sin"])
    assert square["seat"]["sin"] == pytest.approx(square["ring"]["sin"] - square["mark"]["sin"], abs=0.002)
    assert square["premark"][0]["photo"]["photo"] == "square.jpg"
    assert "the mark's slant" in run(*joint, "--premark", "askew.jpg", "--premark-at", "0").stdout


@pytest.mark.usefixtures("marked_pipe")
@pytest.mark.parametrize(("photos", "at", "premark_at", "says"), [
    (["full1.jpg", "copy.jpg"], "0,120", [], "copy.jpg is the same file as full1.jpg"),
    (["full1.jpg", "full2.jpg"], "0,120", ["square.jpg", "square.jpg"], "square.jpg is named twice"),
    (["full1.jpg", "again.jpg"], "0,120", [], "again.jpg shows the same picture as full1.jpg"),
])
def test_one_picture_does_not_count_for_two(folder, monkeypatch, photos, at, premark_at, says) -> None:
    (folder / "copy.jpg").write_bytes((folder / "full1.jpg").read_bytes())
    (folder / "again.jpg").write_text("f9")
    whole = picture_of
    monkeypatch.setattr("tests.test_several.picture_of", lambda data: whole(b"f1" if data == b"f9" else data))
    pipes_named = [word for name in premark_at for word in ("--premark", name)]
    result = run("joint", *photos, "--at", at, *pipes_named, *(["--premark-at", "0,90"] if premark_at else []))
    assert result.exit_code == 2
    assert says in result.stderr


def test_from_one_side_two_photos_taken_one_after_the_other_may_look_alike() -> None:
    ways = tuple(bytes([turn]) * 32 for turn in range(8))
    one, burst = Shot("a", "1", ways, 0.0, "2026:05:04 10:20:30"), Shot("b", "2", ways, 10.0, "2026:05:04 10:20:31")
    refuse_copies([one, burst])
    unset = replace(burst, taken="0000:00:00 00:00:00")
    for copy in (replace(burst, taken=one.taken), replace(burst, taken=""), unset, replace(burst, at_deg=90.0)):
        with pytest.raises(Misuse, match="b shows the same picture as a"):
            refuse_copies([one, copy])


def test_a_picture_that_was_turned_mirrored_or_shrunk_is_the_same_picture() -> None:
    picture = np.asarray(Image.open(Path(__file__).parent.parent / "sample_images" / "several" / "S-01_1.jpg"))
    other = np.asarray(Image.open(Path(__file__).parent.parent / "sample_images" / "several" / "S-01_2.jpg"))
    ways = picture_hashes(picture)
    for copy in (picture[::-1, ::-1], np.rot90(picture), picture[:, ::-1], picture[::3, ::3]):
        assert any(are_near(picture_hashes(np.ascontiguousarray(copy))[0], way) for way in ways)
    assert not any(are_near(picture_hashes(other)[0], way) for way in ways)


@pytest.mark.usefixtures("marked_pipe")
def test_a_mark_that_was_drawn_anew_is_said_to_be(folder, monkeypatch) -> None:
    deep = cli.premark.inspect

    def seen(data: bytes, fitting, *more: object) -> PremarkVerdict:
        found = deep(data, fitting, *more)
        if data[:1] == b"z":
            return found
        depth = replace(found.placement.depth, value_mm=24.0, low_mm=23.7, high_mm=24.3)
        return replace(found, placement=replace(found.placement, depth=depth))

    monkeypatch.setattr(cli.premark, "inspect", seen)
    (folder / "z_last.jpg").write_bytes(b"z")
    told = answer("joint", "full1.jpg", "full2.jpg", "full3.jpg", "--at", "0,120,240", "--premark", "square.jpg",
                  "--premark", "z_last.jpg", "--premark-at", "0,90")
    doubt = next(each for each in told["reasons"] if each["code"] == "mark-redrawn")
    assert "left out: square.jpg" in doubt["text"]
    assert told["insertion"]["value"] == pytest.approx(28.6 - 0.5, abs=0.3)


@pytest.mark.usefixtures("marked_pipe")
def test_a_photo_of_the_pipe_that_told_no_depth_is_said_of_the_joint(monkeypatch) -> None:
    monkeypatch.setattr(cli.premark, "inspect", lambda *_: PremarkVerdict("unproven", ()))
    told = answer("joint", "full1.jpg", "full2.jpg", "full3.jpg", "--at", "0,120,240", "--premark", "square.jpg",
                  "--premark-at", "0")
    assert "premark-unread" in [each["code"] for each in told["reasons"]]
    assert told["insertion"] is None


@pytest.mark.usefixtures("marked_pipe")
def test_a_view_whose_line_is_in_doubt_counts_once_the_pipe_was_seen_marked() -> None:
    joint = "joint", "full1.jpg", "full2.jpg", "doubted.jpg", "--at", "0,120,240"
    alone, marked = answer(*joint), answer(*joint, "--premark", "square.jpg", "--premark-at", "0")
    assert marked["seen"] > alone["seen"]
    assert [view["photo"]["verdict"] for view in alone["views"]] == ["full", "full", "unproven"]
    assert [view["photo"]["verdict"] for view in marked["views"]] == ["full", "full", "full"]


@pytest.mark.usefixtures("marked_pipe")
@pytest.mark.parametrize(("arguments", "says"), [
    (["--premark", "square.jpg"], "--premark-at"),
    (["--premark-at", "0"], "--premark"),
    (["--premark", "square.jpg", "--premark-at", "0"], "--at"),
    (["--at", "0,120", "--premark", "square.jpg", "--premark-at", "0,90"], "--premark-at names 2 sides"),
    (["--at", "0,120", "--premark", "gone.jpg", "--premark-at", "0"], "gone.jpg"),
])
def test_a_marked_pipe_that_can_not_be_set_against_the_joint(arguments, says) -> None:
    result = run("joint", "full1.jpg", "full2.jpg", *arguments)
    assert result.exit_code == 2
    assert says in result.stderr


def test_overlays_of_a_joint(folder) -> None:
    run("joint", "full1.jpg", "short1.jpg", "--at", "0,120", "--overlay", "pictures")
    assert sorted(path.name for path in (folder / "pictures").iterdir()) == ["full1-collargap.jpg",
                                                                            "short1-collargap.jpg"]


# --- compare -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("arguments", "status"), [
    (["full1.jpg", "full2.jpg", "--turned", "0"], 0),
    (["full1.jpg", "short1.jpg", "--turned", "0"], 10),
    (["full1.jpg", "none.jpg"], 11),
    (["full1.jpg", "full2.jpg", "--turned", "0", "--movement", "0.05"], 11),
    (["full1.jpg"], 2),
    (["full1.jpg", "full2.jpg", "mid.jpg"], 2),
    (["full1.jpg", "full1.jpg"], 2),
    (["full1.jpg", "gone.jpg"], 2),
    (["full1.jpg", "full2.jpg", "--movement", "0"], 2),
    (["full1.jpg", "full2.jpg", "--joint", "J-1"], 2),
    (["full1.jpg", "full2.jpg", "--picture", "no/such/folder.jpg"], 2),
    (["full1.jpg", "broken.jpg"], 1),
])
def test_exit_status_of_a_comparison(arguments, status) -> None:
    result = run("compare", *arguments)
    assert result.exit_code == status
    assert bool(result.stderr.strip()) == (status in (1, 2))


def test_a_comparison_without_a_fitting() -> None:
    result = run("compare", "full1.jpg", "full2.jpg", fitting="")
    assert result.exit_code == 2
    assert "--fitting" in result.stderr


def test_a_comparison_in_json_and_in_words() -> None:
    arguments = "compare", "full1.jpg", "short1.jpg", "--turned", "0"
    found = answer(*arguments)
    assert list(found) == CHANGE_KEYS
    assert found["movement"]["value"] == pytest.approx(3.5, abs=0.3)
    assert found["e_n"] > 1
    assert found["turned"] == {"deg": 0, "u_deg": 10, "by": "word"}
    assert found["old"]["photo"] == "full1.jpg"
    text = run(*arguments, "--budget").stdout
    assert "MOVED" in text
    assert "out by 3." in text
    assert "mouth edge (1)" in text
    assert "not how tight the joint is" in text
    assert "in by 3." in run("compare", "short1.jpg", "full1.jpg", "--turned", "0").stdout


def test_units_of_a_comparison() -> None:
    mm, inch = (answer("compare", "full1.jpg", "short1.jpg", "--turned", "0", "--unit", unit) for unit in ("mm", "in"))
    assert inch["movement"]["value"] == pytest.approx(mm["movement"]["value"] / 25.4, abs=1e-4)
    assert inch["least"] == pytest.approx(mm["least"] / 25.4, abs=1e-4)
    assert inch["e_n"] == mm["e_n"]


def test_the_picture_puts_mouth_under_mouth(folder) -> None:
    run("compare", "full1.jpg", "short1.jpg", "--turned", "0", "--picture", "both.jpg")
    pixels = np.asarray(Image.open(folder / "both.jpg").convert("RGB"), int)
    cyan = (np.abs(pixels - (64, 224, 255)).sum(-1) < 90)  # the mouth's colour
    rows = np.flatnonzero(cyan.sum(1) > 0)
    first, last = rows[rows < rows.mean()], rows[rows > rows.mean()]
    middles = [np.median(np.nonzero(cyan[some[len(some) // 4]:some[-len(some) // 4]])[1]) for some in (first, last)]
    assert middles[0] == pytest.approx(middles[1], abs=12)


# --- compare, from the ledger ------------------------------------------------------------------------


def keep(ledger: Path, photo: Path, taken: str = "", site: str = "yard", gap: bool = True, joint: str = "J-1",
         day: int = 1) -> None:
    """File a check of the photo as a job does, on this day of a month."""
    facts = photo.stat()
    sha256 = hashlib.sha256(photo.read_bytes()).hexdigest()
    length = {"value": 1.0, "low": 0.5, "high": 1.5, "u": 0.2} if gap else None
    told = {"photo": photo.name, "sha256": sha256, "fitting": "test", "verdict": "full", "unit": "mm", "gap": length,
            "limit": 1.6, "reasons": [], "version": "0"}
    with Ledger(ledger) as book, patch("cli.ledger._now", lambda: f"2026-05-{day:02}T12:00:00+00:00"):
        book.record(told, facts.st_size, ("key", "{}"), Filing(site, joint, photo.name), taken=taken,
                    sight=Sight(str(photo), facts.st_size, facts.st_mtime_ns - 10**11, facts.st_ctime_ns - 10**11))


@pytest.mark.parametrize("picture", ["full2.jpg", "./full1.jpg", "link.jpg", "c.toml", "phone.toml"])
def test_the_picture_never_takes_the_place_of_what_it_is_made_from(folder, picture) -> None:
    (folder / "link.jpg").symlink_to("full2.jpg")
    (folder / "phone.toml").write_text("")
    before = (folder / picture).read_bytes()
    arguments = ["full1.jpg", "full2.jpg", "--turned", "0", "--picture", picture]
    result = run("compare", *arguments, *(["--camera", "phone.toml"] if picture == "phone.toml" else []))
    assert (result.exit_code, result.stdout) == (2, "")
    assert "would be overwritten. Name another with --picture." in result.stderr
    assert (folder / picture).read_bytes() == before


def test_first_and_latest_of_the_ledger(folder) -> None:
    for name, taken in (("mid", "2025:06:01 10:00:00"), ("full1", "2025:05:01 10:00:00"),
                        ("short1", "2026:01:01 10:00:00")):
        keep(folder / "l.sqlite", folder / f"{name}.jpg", taken)
    found = answer("compare", "--joint", "J-1", "--ledger", "l.sqlite", "--turned", "0")
    assert [Path(found[which]["photo"]).name for which in ("old", "new")] == ["full1.jpg", "short1.jpg"]
    assert found["verdict"] == "moved"


def test_a_clock_that_was_never_set_tells_no_time(folder) -> None:
    """Then the days on which the photos were first checked do; that all were checked anew since changes nothing."""
    for name, taken, day in (("short1", "2025:05:01 10:00:00", 3), ("full1", "0000:00:00 00:00:00", 1),
                             ("full1", "0000:00:00 00:00:00", 5), ("short1", "2025:05:01 10:00:00", 5)):
        keep(folder / "l.sqlite", folder / f"{name}.jpg", taken, day=day)
    found = answer("compare", "--joint", "J-1", "--ledger", "l.sqlite", "--turned", "0")
    assert [Path(found[which]["photo"]).name for which in ("old", "new")] == ["full1.jpg", "short1.jpg"]


def test_photos_of_one_run_without_a_time_have_no_order(folder) -> None:
    for name in ("short1", "full1"):
        keep(folder / "l.sqlite", folder / f"{name}.jpg")
    result = run("compare", "--joint", "J-1", "--ledger", "l.sqlite", "--turned", "0")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "was taken first isn't known" in result.stderr
    assert "short1.jpg and full1.jpg" in result.stderr


def test_photos_without_a_gap_are_passed_over(folder) -> None:
    keep(folder / "l.sqlite", folder / "none.jpg", gap=False)
    for day, name in enumerate(("full1", "full2"), 1):
        keep(folder / "l.sqlite", folder / f"{name}.jpg", day=day)
    found = answer("compare", "--joint", "J-1", "--ledger", "l.sqlite")
    assert Path(found["old"]["photo"]).name == "full1.jpg"


def test_a_photo_that_was_moved_is_found_by_its_bytes(folder) -> None:
    for day, name in enumerate(("full1", "full2"), 1):
        keep(folder / "l.sqlite", folder / f"{name}.jpg", day=day)
    (folder / "archive" / "a").mkdir(parents=True)
    shutil.move(folder / "full1.jpg", folder / "archive" / "a" / "full1.jpg")
    arguments = "compare", "--joint", "J-1", "--ledger", "l.sqlite"
    lost = run(*arguments)
    assert lost.exit_code == 2
    assert "no longer where it was checked" in lost.stderr
    assert run(*arguments, "--photos", "archive").exit_code in (0, 11)
    (folder / "archive" / "a" / "full1.jpg").write_text("f, but another")
    assert run(*arguments, "--photos", "archive").exit_code == 2


@pytest.mark.parametrize(("joint", "sentence"), [("J-9", "no joint"), ("J-2", "one photo")])
def test_a_ledger_that_can_not_help(folder, joint, sentence) -> None:
    keep(folder / "l.sqlite", folder / "full1.jpg", joint="J-2")
    result = run("compare", "--joint", joint, "--ledger", "l.sqlite")
    assert result.exit_code == 2
    assert sentence in result.stderr


def test_a_joint_of_two_sites_needs_the_site(folder) -> None:
    for number, site in ((1, "north yard"), (2, "north yard"), (3, "south yard")):
        keep(folder / "l.sqlite", folder / f"full{number}.jpg", site=site, day=number)
    arguments = "compare", "--joint", "J-1", "--ledger", "l.sqlite"
    result = run(*arguments)
    assert result.exit_code == 2
    assert "--site" in result.stderr
    assert run(*arguments, "--site", "north").exit_code in (0, 11)


def test_a_joint_of_a_fitting_that_the_catalog_lacks_asks_for_the_catalog(folder) -> None:
    for day, name in enumerate(("full1", "full2"), 1):
        keep(folder / "l.sqlite", folder / f"{name}.jpg", day=day)
    result = CliRunner().invoke(app, ["compare", "--joint", "J-1", "--ledger", "l.sqlite"])
    assert result.exit_code == 2
    assert "No fitting is called 'test'" in result.stderr
    assert "--catalog" in result.stderr


def test_a_copy_of_the_old_photo_shows_no_pipe_that_stayed(folder, monkeypatch) -> None:
    (folder / "saved_anew.jpg").write_text("f9")
    whole = picture_of
    monkeypatch.setattr("tests.test_several.picture_of", lambda data: whole(b"f1" if data == b"f9" else data))
    result = run("compare", "full1.jpg", "saved_anew.jpg", "--turned", "0")
    assert result.exit_code == 2
    assert "saved_anew.jpg shows the same picture as full1.jpg" in result.stderr


def test_no_ledger_yet() -> None:
    result = run("compare", "--joint", "J-1", "--ledger", "none.sqlite")
    assert result.exit_code == 2
    assert "no ledger" in result.stderr


@pytest.mark.parametrize("arguments", [("--turned", "nan"), ("--turned", "400"), ("--movement", "inf"),
                                       ("--movement", "nan")])
def test_numbers_that_are_none_are_misuse(arguments) -> None:
    result = run("compare", "full1.jpg", "full2.jpg", *arguments)
    assert result.exit_code == 2
    assert arguments[0] in result.stderr
