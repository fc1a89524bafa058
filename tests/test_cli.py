"""The command line as people and programs meet it: words, keys, exit codes, and nothing lost on the way."""

from __future__ import annotations

import errno
import io
import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from rich.console import Console
from typer.testing import CliRunner

import cli.check
from calibration.fittings import Fitting
from cli import overlay, say
from cli.answer import answer_of, why
from cli.files import MADE_HERE
from cli.main import COMMANDS, app
from cli.several import ended
from tests.answers import CATALOG, known_fitting, known_verdict, refused
from vision.reasons import REASONS
from vision.records import Doubt, Look, Sighting, Verdict

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
KEYS = ["photo", "sha256", "fitting", "verdict", "unit", "limit", "gap", "insertion", "line_width", "p_full",
        "view", "budget", "reasons", "assisted", "seconds", "version", "min_insertion", "insertion_from", "p_inserted",
        "premark", "gap_from", "far_edge", "by_side", "doubted"]

# The first byte of a fake photo says what the fake inspection finds in it.
FOUND = {b"f": lambda: known_verdict(0.5), b"s": lambda: known_verdict(4.0), b"u": lambda: known_verdict(1.5),
         b"n": lambda: refused("no-joint")}


def fake_inspect(data: bytes, _fitting: Fitting, _camera: Any, _confidence: float) -> Verdict:
    if data[:1] == b"!":
        raise RuntimeError("out of tea")
    if data[:1] == b"^":
        raise KeyboardInterrupt
    return FOUND[data[:1]]()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a catalog and photos named for what is found in them."""
    monkeypatch.setattr(cli.check, "inspect", fake_inspect)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.toml").write_text(CATALOG)
    kinds = {"full": "f", "short": "s", "near": "u", "none": "n", "broken": "!", "stop": "^"}
    for name, first in kinds.items():
        (tmp_path / f"{name}.jpg").write_text(first)
    return tmp_path


def check(*arguments: str, fitting: str = "test") -> Any:
    return CliRunner().invoke(app, ["check", "--fitting", fitting, "--catalog", "c.toml", *arguments])


def lines(result: Any) -> list[dict[str, Any]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


# --- the contract ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("photos", "status"), [
    (["full.jpg"], 0),
    (["full.jpg", "full.jpg"], 0),
    (["full.jpg", "short.jpg"], 10),
    (["short.jpg", "near.jpg"], 10),
    (["full.jpg", "near.jpg"], 11),
    (["none.jpg"], 11),
    (["full.jpg", "missing.jpg"], 2),
    (["short.jpg", "."], 2),
    (["broken.jpg", "full.jpg"], 1),
    (["broken.jpg", "missing.jpg"], 1),
])
@pytest.mark.usefixtures("folder")
def test_exit_status(photos: list[str], status: int) -> None:
    for options in ([], ["--json"]):
        result = check(*photos, *options)
        assert result.exit_code == status, result.output


@pytest.mark.usefixtures("folder")
def test_json_has_the_same_keys_for_every_photo() -> None:
    answers = lines(check("full.jpg", "none.jpg", "--json"))
    assert [list(answer) for answer in answers] == [KEYS, KEYS]
    measured, refusal = answers
    assert list(measured["gap"]) == list(measured["insertion"]) == ["value", "low", "high", "u"]
    assert list(measured["view"]) == ["px_per_unit", "tilt_deg", "distance", "focal_px", "focal_from"]
    assert list(measured["budget"][0]) == ["name", "u", "share"]
    assert measured["verdict"] == "full"
    assert measured["reasons"] == []
    assert 0.9 < measured["p_full"] <= 1
    for key in ("gap", "insertion", "line_width", "p_full", "view"):
        assert refusal[key] is None
    assert refusal["budget"] == []
    assert refusal["reasons"] == [{"code": "no-joint", "text": REASONS["no-joint"].text,
                                   "advice": REASONS["no-joint"].advice}]


@pytest.mark.usefixtures("folder")
def test_units_change_the_numbers_and_nothing_else() -> None:
    mm, inch = (lines(check("short.jpg", "--json", "--unit", unit))[0] for unit in ("mm", "in"))
    assert (mm["unit"], inch["unit"]) == ("mm", "in")
    assert mm["limit"] == 1.5875
    assert inch["limit"] == 0.0625
    for key in ("gap", "insertion"):
        for part in ("value", "low", "high", "u"):
            assert inch[key][part] * 25.4 == pytest.approx(mm[key][part], abs=2e-4)
    assert inch["view"]["px_per_unit"] == pytest.approx(25.4 * mm["view"]["px_per_unit"], rel=2e-3)
    assert inch["view"]["distance"] * 25.4 == pytest.approx(mm["view"]["distance"], rel=1e-4)


@pytest.mark.usefixtures("folder")
def test_standard_output_is_json_alone() -> None:
    result = check("missing.jpg", "full.jpg", "broken.jpg", ".", "--json")
    assert [answer["photo"] for answer in lines(result)] == ["full.jpg"]
    assert "There is no file missing.jpg" in result.stderr
    assert ". is a folder" in result.stderr
    assert "out of tea" in result.stderr


def test_a_measured_fact_stands_in_the_sentence() -> None:
    answer = answer_of(refused("too-far", "2.1 px per mm"), known_fitting(), photo="a", sha256="", unit="in",
                       seconds=0)
    assert answer.reasons[0].text == "The joint is too small in the picture (2.1 px per mm)."


# --- misuse ------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("folder")
def test_an_unknown_fitting_is_misuse_with_near_names() -> None:
    result = check("full.jpg", fitting="tset")
    assert result.exit_code == 2
    assert "Did you mean test?" in result.stderr
    assert result.stdout == ""


def test_a_bad_catalog_is_misuse_with_the_row(folder: Path) -> None:
    (folder / "c.toml").write_text(CATALOG.replace("60.325", "160.325"))
    result = check("full.jpg")
    assert result.exit_code == 2
    assert "c.toml: row 1 (test), key 'pipe_od'" in result.stderr


def test_the_environment_names_a_catalog(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLLARGAP_CATALOG", str(folder / "c.toml"))
    assert CliRunner().invoke(app, ["check", "full.jpg", "--fitting", "test"]).exit_code == 0
    monkeypatch.setenv("COLLARGAP_CATALOG", str(folder / "gone.toml"))
    result = CliRunner().invoke(app, ["check", "full.jpg", "--fitting", "test"])
    assert result.exit_code == 2
    assert "There is no catalog" in result.stderr


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("arguments", [
    ["check"], ["check", "full.jpg"], ["check", "--fitting", "2"], ["chekc"],
    ["check", "full.jpg", "--fitting", "2", "--unit", "cm"],
    ["check", "full.jpg", "--fitting", "2", "--confidence", "1.5"],
])
def test_bad_usage_is_status_2(arguments: list[str]) -> None:
    assert CliRunner().invoke(app, arguments).exit_code == 2


def test_files_that_cannot_be_read_are_sentences(folder: Path) -> None:
    os.mkfifo(folder / "pipe.jpg")
    (folder / "loop.jpg").symlink_to("loop.jpg")
    result = check("pipe.jpg", "loop.jpg", "full.jpg", "--json")
    assert result.exit_code == 2
    assert "pipe.jpg is not a plain file" in result.stderr
    assert "loop.jpg could not be read" in result.stderr
    assert len(lines(result)) == 1


def test_odd_names_are_shown_and_answered(folder: Path) -> None:
    names = [os.fsdecode(b"caf\xe9.jpg"), "a\nb.jpg", "[red]x.jpg", "\x1b[31m.jpg", "-dash.jpg"]
    for name in names:
        (folder / name).write_text("f")
    result = check("--json", "--", *names)
    assert result.exit_code == 0
    assert [answer["photo"] for answer in lines(result)] == [
        "caf\\xe9.jpg", "a\\nb.jpg", "[red]x.jpg", "\\x1b[31m.jpg", "-dash.jpg"]
    people = check("--", *names)
    assert "[red]x.jpg" in people.stdout
    assert "\x1b" not in people.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here is always full")
@pytest.mark.parametrize("arguments", [["reasons"], ["fittings"], ["--help"], ["check", "full.jpg", "--fitting", "2"],
                                       ["check", "full.jpg", "--fitting", "2", "--json"]])
def test_a_full_disk_behind_standard_output_is_a_sentence(folder: Path, arguments: list[str]) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run([sys.executable, "-c", "from cli.main import run; run()", *arguments], stdout=full,
                              stderr=subprocess.PIPE, text=True, cwd=folder, check=False,
                              env=os.environ | {"PYTHONPATH": str(ROOT)})
    assert done.returncode == 1
    assert done.stderr.startswith("Standard output could not be written (No space left on device). Make room")
    assert len(done.stderr.splitlines()) == 1


def test_a_full_disk_is_no_fault_of_the_program() -> None:
    def full() -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        ended(full)


@pytest.mark.usefixtures("folder")
def test_ctrl_c_ends_politely() -> None:
    result = check("full.jpg", "stop.jpg", "full.jpg")
    assert result.exit_code == 130
    assert "Stopped: 1 of 3 photos were answered." in result.stderr


@pytest.mark.parametrize(("text", "words"), [
    ("focal_px = 1", "centre_px"),
    ("focal = 3", "focal_px"),
    ("[[", "camera solve"),
])
def test_a_bad_camera_file_is_misuse(folder: Path, text: str, words: str) -> None:
    (folder / "cam.toml").write_text(text)
    result = check("full.jpg", "--camera", "cam.toml")
    assert result.exit_code == 2
    assert words in result.stderr


# --- for people --------------------------------------------------------------------------------------


@pytest.mark.usefixtures("folder")
def test_one_photo_is_one_calm_block() -> None:
    text = check("near.jpg", "--unit", "in").stdout
    assert "UNPROVEN" in text
    assert re.search(r"gap +1/16 in \(0\.0\d\d\) +95 % sure: 0\.0\d\d to 0\.0\d\d in", text)
    assert "limit      1/16 in (0.0625)" in text
    assert len(re.findall(r"^ +within limit: \d\d?\.\d % likely *$", text, re.M)) == 1
    assert re.search(r"insertion +1-1/16 in", text)
    assert REASONS["interval-spans-limit"].text in text
    assert REASONS["interval-spans-limit"].advice in text
    assert text.count("A photo shows how far") == 1


@pytest.mark.parametrize(("probability", "words"), [
    (1.0, "more than 99.9 %"), (0.99901, "more than 99.9 %"), (0.999, "99.9 %"), (0.5, "50.0 %"),
    (0.001, "0.1 %"), (0.00099, "less than 0.1 %"), (0.0, "less than 0.1 %"),
])
def test_no_probability_is_told_as_certainty(probability: float, words: str) -> None:
    assert say.likely(probability) == f"{words} likely"


def test_a_photo_without_a_measurement_has_no_probability(folder: Path) -> None:
    assert "likely" not in check(str(folder / "none.jpg")).stdout


@pytest.mark.usefixtures("folder")
def test_several_photos_end_in_a_table() -> None:
    result = check("full.jpg", "short.jpg", "none.jpg")
    table = result.stdout[result.stdout.index("verdict "):]
    assert [word for word in ("FULL", "SHORT", "UNPROVEN") if word in table] == ["FULL", "SHORT", "UNPROVEN"]
    assert "no-joint" in table
    assert result.stdout.count("A photo shows how far") == 1
    assert result.stderr == ""


@pytest.mark.usefixtures("folder")
def test_the_budget_is_shown_on_request() -> None:
    assert "mouth edge" not in check("full.jpg").stdout
    assert "mouth edge" in check("full.jpg", "--budget").stdout


def test_a_demonstration_says_so_wherever_it_is_read(folder: Path) -> None:
    (folder / "c.toml").write_text(CATALOG.replace("invented for", "Demonstration row, invented for"))
    assert "not a verdict on a real joint" in check("full.jpg").stdout


@pytest.mark.parametrize(("inches", "text"), [
    (0.0, "0 in (0.000)"), (0.09375, "3/32 in (0.094)"), (0.0625, "1/16 in (0.063)"),
    (1.125, "1-1/8 in (1.125)"), (0.004, "0 in (0.004)"), (0.995, "1 in (0.995)"), (2.0, "2 in (2.000)"),
])
def test_lengths_read_as_on_a_rule(inches: float, text: str) -> None:
    assert say.length(inches, "in") == text


@pytest.mark.parametrize(("value", "unit", "text"), [
    (0.0625, "in", "1/16 in (0.0625)"), (1.125, "in", "1-1/8 in (1.125)"), (0.03125, "in", "1/32 in (0.03125)"),
    (2.0, "in", "2 in (2)"), (1.5875 / 25.4, "in", "1/16 in (0.0625)"), (0.05, "in", "0.05 in"),
    (0.01, "in", "0.01 in"), (0.06, "in", "0.06 in"), (1 / 64, "in", "0.015625 in"), (1.04, "in", "1.04 in"),
    (1.5875, "mm", "1.5875 mm"),
])
def test_a_limit_is_a_fraction_only_where_it_is_one(value: float, unit: str, text: str) -> None:
    assert say.limit_of(value, unit) == text


def test_verdicts_are_told_by_more_than_colour() -> None:
    page = io.StringIO()
    for word in ("full", "short", "unproven"):
        Console(file=page, color_system=None).print(say.badge(word))
    shown = page.getvalue().splitlines()
    assert len({line.strip()[0] for line in shown}) == 3
    assert ["FULL" in shown[0], "SHORT" in shown[1], "UNPROVEN" in shown[2]] == [True] * 3


# --- overlays ----------------------------------------------------------------------------------------


def test_overlays_are_pictures_named_after_their_photos(folder: Path) -> None:
    (folder / "other").mkdir()
    (folder / "other" / "full.png").write_text("f")
    result = check("full.jpg", "other/full.png", "near.jpg", "none.jpg", "--overlay", "out/deep")
    assert result.exit_code == 11, result.output
    made = sorted(path.name for path in (folder / "out" / "deep").iterdir())
    assert made == ["full-collargap-2.jpg", "full-collargap.jpg", "near-collargap.jpg"]
    with Image.open(folder / "out" / "deep" / made[0]) as picture:
        assert max(picture.size) <= 2400


def test_a_picture_that_was_drawn_here_is_no_photo(folder: Path) -> None:
    """Drawn into the photos' own folder, it is named by the next `*.jpg`: its lines must not be read as the joint's."""
    assert check("full.jpg", "--overlay", ".").exit_code == 0
    result = check("full.jpg", "full-collargap.jpg", "--overlay", ".")
    assert result.exit_code == 2
    assert "full-collargap.jpg is a picture that collargap drew of a photo." in result.stderr
    assert "FULL" in result.stdout
    assert not (folder / "full-collargap-collargap.jpg").exists()


def test_an_overlay_folder_that_is_a_file_is_misuse(folder: Path) -> None:
    (folder / "out").write_text("")
    result = check("full.jpg", "--overlay", "out")
    assert result.exit_code == 2
    assert "out" in result.stderr


@pytest.mark.parametrize("roll", [20.0, 110.0, 200.0, 290.0])
def test_lines_are_drawn_where_they_were_read(roll: float, monkeypatch: pytest.MonkeyPatch) -> None:
    verdict = known_verdict(4.0, roll)
    answer = answer_of(verdict, known_fitting(), photo="a", sha256="", unit="in", seconds=0)
    assert verdict.photo is not None
    assert verdict.gap is not None
    monkeypatch.setattr(overlay, "AROUND", 9.0)  # all of the photo, at its own size
    picture = overlay.draw(verdict, verdict.photo, answer, known_fitting(), 1008)
    for edge, colour in ((verdict.gap.mouth, (64, 224, 255)), (verdict.gap.near, (255, 110, 180))):
        x, y = edge.points_px[len(edge.points_px) // 3].round().astype(int)
        pixel = picture.getpixel((int(x), int(y)))
        assert max(abs(a - b) for a, b in zip(pixel, colour, strict=True)) < 90

def test_a_refused_photo_shows_what_was_found() -> None:
    whole = known_verdict(4.0)
    photo = whole.photo
    assert photo is not None
    height, width = photo.pixels.shape[:2]
    classes = np.zeros((height // 4, width // 4), np.uint8)
    classes[80:110, 10:126], classes[84:106, 126:240] = 2, 1
    look = Look(classes, np.zeros((6, *classes.shape), np.float32), np.array([[4.0, 0, 1.5], [0, 4.0, 1.5]]))
    axis, mouth = np.array([1.0, 0.0]), np.array([504.0, 380.0])
    sighting = Sighting(look, look, axis, mouth, 88.0, 120.0, 456.0, 464.0, 0.9)
    verdict = Verdict("unproven", (Doubt("mark-not-found"),), None, photo, sighting)
    answer = answer_of(verdict, known_fitting(), photo="a", sha256="", unit="mm", seconds=0)
    picture = np.asarray(overlay.draw(verdict, photo, answer, known_fitting(), 800))
    for colour in ((255, 110, 180), (64, 224, 255)):  # pipe and collar
        assert (np.abs(picture[: picture.shape[0] // 2].astype(int) - colour).max(-1) < 20).sum() > 100


# --- real files, in a process of its own -------------------------------------------------------------


def run(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    program = "import sys; sys.argv[0] = 'collargap'; from cli.main import run; run()"
    return subprocess.run([sys.executable, "-W", "error", "-c", program, *arguments], text=True,
                          capture_output=True, cwd=ROOT, timeout=60, **options)


def test_what_is_no_photo_is_answered_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "text.jpg").write_text("Dear sir")
    result = run("check", *map(str, sorted(tmp_path.iterdir())), "--fitting", "demo-2", "--json")
    assert result.returncode == 11, result.stderr
    answers = [json.loads(line) for line in result.stdout.splitlines()]
    assert [answer["verdict"] for answer in answers] == ["unproven"] * 2
    for answer in answers:
        assert [reason["code"] for reason in answer["reasons"]] == ["not-a-photo", "demo-fitting"]
    assert result.stderr == ""


def test_the_version_and_the_lists_come_without_the_networks() -> None:
    heavy = ("import sys; from typer.testing import CliRunner; from cli.main import app; "
             "r = CliRunner().invoke(app, ['reasons']); assert r.exit_code == 0; "
             "assert 'no-joint' in r.stdout; assert 'cv2' not in sys.modules")
    assert subprocess.run([sys.executable, "-c", heavy], cwd=ROOT, timeout=60).returncode == 0
    assert run("--version").stdout.startswith("collargap ")


# --- help and README in step -------------------------------------------------------------------------


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_has_help_and_stands_in_the_readme(command: str) -> None:
    result = CliRunner().invoke(app, [command, "--help"])
    assert result.exit_code == 0
    assert len(result.stdout) > 200
    assert f"collargap {command}" in README


def test_every_option_of_check_stands_in_the_readme() -> None:
    text = CliRunner().invoke(app, ["check", "--help"], env={"COLUMNS": "200"}).stdout
    options = set(re.findall(r"--[a-z]+", text)) - {"--help"}
    assert options == {"--fitting", "--catalog", "--unit", "--json", "--overlay", "--budget", "--confidence",
                       "--camera", "--premark", "--turned", "--assist"}
    for option in options:
        assert f"`{option}" in README


def test_the_table_of_reasons_in_the_readme_is_made_from_the_reasons() -> None:
    rows = [f"| `{reason.code}` | {'no' if reason.bars else 'yes'} | {reason.text} | {reason.advice} |"
            for reason in REASONS.values()]
    assert "\n".join(rows) in README


def test_reasons_and_fittings_list_all_there_is() -> None:
    text = CliRunner().invoke(app, ["reasons"]).stdout
    assert all(code in text for code in REASONS)
    text = CliRunner().invoke(app, ["fittings"]).stdout
    assert all(name in text for name in ("demo-1.5", "demo-2", "demo-3", "ASME B36.10M", "own choice"))


def test_fittings_checks_a_file(folder: Path) -> None:
    assert CliRunner().invoke(app, ["fittings", "c.toml"]).exit_code == 0
    (folder / "c.toml").write_text(CATALOG.replace("max_gap", "max_gapp"))
    result = CliRunner().invoke(app, ["fittings", "c.toml"])
    assert result.exit_code == 2
    assert "Did you mean 'max_gap'?" in result.stderr


def test_the_readme_speaks_of_this_version_and_python() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["requires-python"].removeprefix(">=") in README


def test_the_exit_codes_in_the_readme() -> None:
    for status in (0, 10, 11, 2, 1, 130):
        assert re.search(rf"^\| {status} \|", README, re.M)



@pytest.mark.parametrize(("detail", "told"), [
    ("by 1.5 mm", "by 0.059 in"),
    ("lines at 1.3, 13.8, -0.2 mm from the mouth", "lines at 0.051, 0.543, -0.008 in from the mouth"),
    ("1.2 degrees, 2.0 mm across the pipe", "1.2 degrees, 0.079 in across the pipe"),
    ("1.4 px per mm", "1.4 px per mm"),
    ("26 mm equivalent, give or take 12%", "26 mm equivalent, give or take 12%"),
    ("2.0 mm wide on the marked pipe, 3.6 mm or more", "0.079 in wide on the marked pipe, 0.142 in or more"),
])
def test_measured_facts_are_told_in_the_answers_unit(detail: str, told: str) -> None:
    assert f"({told})." in why(Doubt("mark-askew", detail), "in").text
    assert f"({detail})." in why(Doubt("mark-askew", detail), "mm").text


def test_a_photo_is_never_replaced_by_a_picture_of_another(tmp_path: Path) -> None:
    """Only an earlier picture of this kind makes room for the next."""
    photo = tmp_path / "x-collargap.jpg"
    photo.write_bytes(b"a photo that is somebody's only one")
    drawn = b"\xff\xd8 " + MADE_HERE
    for _ in range(2):
        assert overlay.write(tmp_path, Path("x.jpg"), drawn, set()) == tmp_path / "x-collargap-2.jpg"
    assert photo.read_bytes() == b"a photo that is somebody's only one"
    (tmp_path / "y-collargap.jpg").mkdir()
    assert overlay.write(tmp_path, Path("y.jpg"), drawn, set()) == tmp_path / "y-collargap-2.jpg"
