"""The chart at true size, found again in rendered photos of known truth, and the commands around both."""

import re
import shutil
import subprocess

import cv2
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from calibration import chart
from calibration.camera import Lens, parse_profile
from calibration.fittings import Misuse
from calibration.solve import solve
from cli.camera import app

PT_PER_MM = 72 / 25.4
SIZE = (960, 720)
FOCAL, CENTRE = 840.0, (486.0, 352.0)
DISTORTION = (0.05, -0.10, 0.001, -0.0005, 0.04)
needs_poppler = pytest.mark.skipif(not shutil.which("pdftoppm"),
                                   reason="pdftoppm is not here: install the Debian package poppler-utils")


def boxes_mm(paper):
    """Every rectangle of the PDF as x, y, width, height in mm from the page's top left corner."""
    data = chart.pdf(paper)
    found = re.findall(rb"^([\d.-]+) ([\d.-]+) ([\d.]+) ([\d.]+) re$", data, re.M)
    x, y, wide, high = (np.array(found, float) / PT_PER_MM).T
    return np.column_stack([x, chart.PAPERS_MM[paper][1] - y - high, wide, high])


def raster(paper, tmp_path, dpi):
    """The page as a grey picture, by poppler."""
    (tmp_path / "chart.pdf").write_bytes(chart.pdf(paper))
    subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", "chart.pdf", "page"], cwd=tmp_path, check=True)
    return cv2.imread(str(next(tmp_path.glob("page*.pgm"))), cv2.IMREAD_GRAYSCALE)


# --- the page --------------------------------------------------------------------------------------------

@pytest.mark.parametrize("paper", chart.PAPERS_MM)
def test_the_page_has_the_papers_size(paper):
    width, height = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", chart.pdf(paper)).groups()
    size_mm = float(width) / PT_PER_MM, float(height) / PT_PER_MM
    assert size_mm == pytest.approx(chart.PAPERS_MM[paper], abs=1e-3)


@pytest.mark.parametrize("paper", chart.PAPERS_MM)
def test_squares_are_30_mm_and_rulers_150_mm(paper):
    boxes = boxes_mm(paper)
    squares = boxes[np.isclose(boxes[:, 2], 30, atol=1e-3) & np.isclose(boxes[:, 3], 30, atol=1e-3)]
    assert len(squares) == 24
    assert squares[:, :2].min(0) == pytest.approx(chart.origin_mm(paper), abs=1e-3)
    assert np.ptp(squares[:, :2], axis=0) == pytest.approx((150, 210), abs=1e-3)
    # A ruler's ends are the middles of its outer ticks, each 0.2 mm wide and 4 mm long.
    across = boxes[np.isclose(boxes[:, 2], 0.2, atol=1e-3) & np.isclose(boxes[:, 3], 4, atol=1e-3)]
    down = boxes[np.isclose(boxes[:, 2], 4, atol=1e-3) & np.isclose(boxes[:, 3], 0.2, atol=1e-3)]
    assert np.ptp(across[:, 0]) == pytest.approx(150, abs=1e-3)
    assert np.ptp(down[:, 1]) == pytest.approx(150, abs=1e-3)


@pytest.mark.parametrize("paper", chart.PAPERS_MM)
def test_everything_lies_where_printers_can_print(paper):
    boxes, (width, height) = boxes_mm(paper), chart.PAPERS_MM[paper]
    assert (boxes[:, :2] > 6.35).all()
    assert (boxes[:, 0] + boxes[:, 2] < width - 6.35).all()
    assert (boxes[:, 1] + boxes[:, 3] < height - 6.35).all()


def test_the_file_says_where_its_objects_are():
    data = chart.pdf("A4")
    table = int(re.search(rb"startxref\n(\d+)", data)[1])
    assert data[table:table + 4] == b"xref"
    for number, start in enumerate(re.findall(rb"(\d{10}) 00000 n ", data), 1):
        assert data[int(start):].startswith(b"%d 0 obj" % number)


@needs_poppler
@pytest.mark.parametrize("paper", chart.PAPERS_MM)
def test_the_detector_measures_the_true_size_on_the_page(paper, tmp_path):
    """Drawn by poppler at 10 pixels a millimetre, corners by the project's own detector."""
    grey = raster(paper, tmp_path, 254)
    view = chart.find(grey, paper)
    assert len(view.object_mm) == 35
    known = np.column_stack([view.object_mm[:, :2], np.ones(35)])
    found = np.linalg.lstsq(known, (view.image_px + 0.5) / 10, rcond=None)[0]
    assert found[:2] == pytest.approx(np.eye(2), abs=2e-4)  # 0.03 mm over the ruler
    assert found[2] == pytest.approx(chart.origin_mm(paper), abs=0.1)


@needs_poppler
@pytest.mark.parametrize("paper", chart.PAPERS_MM)
def test_the_rulers_measure_150_mm_on_the_page(paper, tmp_path):
    grey = raster(paper, tmp_path, 254)
    left, top = chart.origin_mm(paper)
    row = grey[round((top + 240 + 7 - 3) * 10), : round((left + 150.9) * 10)]  # through the long ticks alone
    column = grey[: round((top + 150.9) * 10), round((left - 7 + 3) * 10)]
    for line in (row, column):
        dark = np.flatnonzero(line < 128)
        assert np.ptp(dark) / 10 == pytest.approx(150.2, abs=0.15)
        assert len(np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)) == 4  # 0, 50, 100, 150


@needs_poppler
def test_the_page_is_opencvs_own_board(tmp_path):
    grey = raster("A4", tmp_path, 254)
    board = chart.board().generateImage((1800, 2400), marginSize=0, borderBits=1)
    left, top = (round(10 * at) for at in chart.origin_mm("A4"))
    printed = grey[top:top + 2400, left:left + 1800]
    differs = (np.abs(printed.astype(int) - board) > 128).astype(np.uint8)
    assert not cv2.erode(differs, np.ones((3, 3), np.uint8)).any()  # edges may be rounded by a pixel


def test_an_unknown_paper_is_refused():
    with pytest.raises(Misuse, match="A4, Letter"):
        chart.pdf("A3")


# --- photos of known truth -------------------------------------------------------------------------------

def rendered(rng, count=9):
    """Grey photos of the chart on a table, each with the truth: where every corner lies in it."""
    texture = chart.board().generateImage((1200, 1600), marginSize=0, borderBits=1)
    texture = cv2.copyMakeBorder(texture, 80, 80, 80, 80, cv2.BORDER_CONSTANT, value=255)
    matrix = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1]])
    fine = np.stack(np.meshgrid(*((np.arange(2 * side) + 0.5) / 2 - 0.5 for side in SIZE)), -1)
    ideal = cv2.undistortPoints(fine.reshape(-1, 1, 2), matrix, np.array(DISTORTION)).reshape(fine.shape)
    corners = chart.board().getChessboardCorners().astype(float)
    for number in range(count):
        turn, shift = _pose(rng, number)
        back = np.linalg.inv(np.column_stack([turn[:, :2], shift]))
        on_chart = ideal @ back[:, :2].T + back[:, 2]
        cells = (on_chart[..., :2] / on_chart[..., 2:] * 20 / 3 + 80 - 0.5).astype(np.float32)
        grey = cv2.remap(texture, cells[..., 0], cells[..., 1], cv2.INTER_LINEAR, borderValue=110)
        grey = cv2.resize(grey, SIZE, interpolation=cv2.INTER_AREA).astype(np.float32)
        grey = cv2.GaussianBlur(grey, (0, 0), 0.7) * 0.7 + 30 + rng.normal(0, 2, grey.shape)
        at, _ = cv2.projectPoints(corners, cv2.Rodrigues(turn)[0], shift, matrix, np.array(DISTORTION))
        yield np.clip(grey, 0, 255).astype(np.uint8), at.reshape(-1, 2)


def _pose(rng, number):
    """Tilted 20 to 35 degrees to all sides in turn, a little off the middle."""
    around = number * 2.4
    tilt = np.radians(rng.uniform(20, 35)) * np.array([np.cos(around), np.sin(around), 0])
    turn = cv2.Rodrigues(tilt)[0] @ cv2.Rodrigues(np.array([0, 0, rng.uniform(-0.4, 0.4) + np.pi / 2]))[0]
    middle = np.array([rng.uniform(-60, 60), rng.uniform(-40, 40), rng.uniform(260, 340)])
    return turn, middle - turn @ np.array([90.0, 120.0, 0.0])


@pytest.fixture(scope="module")
def photos():
    return list(rendered(np.random.default_rng(0)))


def test_corners_are_found_without_bias(photos):
    """Also a check of the pixel convention: half a pixel wrong would show at once."""
    off = []
    for grey, truth in photos:
        view = chart.find(grey, "photo")
        which = np.rint(view.object_mm[:, :2] / 30 - 1) @ (1, 5)
        off.append(view.image_px - truth[which.astype(int)])
    off = np.concatenate(off)
    assert len(off) > 200
    assert np.abs(off.mean(0)).max() < 0.01
    assert np.sqrt((off**2).mean()) < 0.06


def test_the_lens_of_rendered_photos_is_recovered(photos):
    got = solve([chart.find(grey, f"{number}.jpg") for number, (grey, _) in enumerate(photos)], SIZE)
    assert not got.rejected
    assert got.residual_px < 0.06
    assert abs(got.focal_px - FOCAL) < 3 * got.u_focal_px < 1.5
    assert (np.abs(np.array(got.centre_px) - CENTRE) < 3 * np.array(got.u_centre_px)).all()
    assert (np.abs(np.array(got.distortion) - DISTORTION) < 3 * np.array(got.u_distortion)).all()


def test_a_photo_without_a_chart_is_none(photos):
    blank = np.full((720, 960), 120, np.uint8)
    assert chart.find(blank, "blank") is None
    assert chart.find(photos[0][0][:, :120], "scrap") is None
    assert chart.find_chessboard(blank, "blank", (9, 6), 25.0) is None


# --- the commands ----------------------------------------------------------------------------------------

def save(pixels, path, model="Phone 1", orientation=1):
    image = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Maker", model, orientation
    exif.get_ifd(0x8769).update({0x920A: 5.4, 0xA405: 26})
    image.save(path, quality=95, exif=exif.tobytes())


@pytest.fixture
def folder(photos, tmp_path):
    for number, (grey, _) in enumerate(photos):
        save(grey, tmp_path / f"p{number}.jpg", orientation=6 if number % 2 else 1)
    return tmp_path


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def run_solve(folder, *more):
    return run("solve", folder, "--name", "my phone", "--output", folder / "my.toml", *more)


def test_chart_command(tmp_path):
    got = run("chart", "--paper", "letter", "--output", tmp_path / "c.pdf")
    assert got.exit_code == 0
    assert "100 %" in got.output
    assert (tmp_path / "c.pdf").read_bytes() == chart.pdf("Letter")
    assert run("chart", "--output", tmp_path / "none" / "c.pdf").exit_code == 2


def test_a_profile_never_takes_the_place_of_a_photo(folder):
    before = (folder / "p0.jpg").read_bytes()
    got = run("solve", folder, "--name", "my phone", "--output", folder / "p0.jpg")
    assert got.exit_code == 2
    assert "would be overwritten. Name another with --output." in got.stderr
    assert (folder / "p0.jpg").read_bytes() == before


def test_solve_writes_a_profile_that_show_reads(folder):
    got = run_solve(folder)
    assert got.exit_code == 0, got.output
    for word in ("focal length", "principal point", "distortion", "residual", "p3.jpg"):
        assert word in got.output
    profile = parse_profile((folder / "my.toml").read_text(), "my.toml")
    assert profile.lens == Lens("Maker", "Phone 1", 5.4, 26)
    assert profile.focal_px == pytest.approx(FOCAL, abs=1.5)
    assert (profile.width_px, profile.height_px, profile.views) == (*SIZE, 9)
    assert "my phone: Maker Phone 1" in run("show", folder / "my.toml").output


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heif_and_jpeg_of_one_phone_stay_one_camera(folder, photos, orientation):
    """HEIF decoders turn pictures by themselves; the corners still have to lie in the sensor's frame."""
    from pillow_heif import register_heif_opener

    register_heif_opener()
    (folder / "p3.jpg").unlink()
    save(photos[3][0], folder / "p3.heic", orientation=orientation)
    got = run_solve(folder)
    assert got.exit_code == 0, got.output
    assert "p3.heic" in got.output
    assert "Left out" not in got.output


def test_a_smudged_photo_is_left_out_by_name(folder, photos):
    grey = cv2.resize(photos[4][0], (160, 120), interpolation=cv2.INTER_AREA)
    save(cv2.resize(grey, SIZE, interpolation=cv2.INTER_CUBIC), folder / "p4.jpg")
    got = run_solve(folder)
    assert got.exit_code == 0, got.output
    assert "Left out: p4.jpg: its corners lie" in got.output


def spoil_blank(folder, _photos):
    save(np.full((720, 960), 128, np.uint8), folder / "p2.jpg")
    return "The chart was not found in p2.jpg. Leave such photos out"


def spoil_few(folder, _photos):
    for number in (0, 1):
        (folder / f"p{number}.jpg").unlink()
    return "7 photos are too few"


def spoil_size(folder, photos):
    save(np.ascontiguousarray(photos[3][0].T[::-1]), folder / "p3.jpg")
    return "p3.jpg: not the size of p0.jpg (960 x 720 pixels as stored)"


def spoil_camera(folder, photos):
    save(photos[3][0], folder / "p3.jpg", model="Phone 2")
    return "p3.jpg was not taken by the camera of p0.jpg: its model is Phone 2, not Phone 1"


def spoil_angle(folder, photos):
    for number in range(9):
        moved = np.roll(photos[0][0], (number - 4) * 3, 1)
        save(moved, folder / f"p{number}.jpg")
    return "from nearly one direction"


def spoil_file(folder, _photos):
    (folder / "p5.jpg").write_bytes(b"no picture")
    return "p5.jpg could not be read as a photo"


@pytest.mark.parametrize("spoil", [spoil_blank, spoil_few, spoil_size, spoil_camera, spoil_angle, spoil_file])
def test_misuse_is_refused_with_a_remedy(folder, photos, spoil):
    said = spoil(folder, photos)
    got = run_solve(folder)
    assert got.exit_code == 2
    assert said in got.output
    assert not (folder / "my.toml").exists()


def test_more_misuse(tmp_path):
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    named = "--name", "x", "--output", tmp_path / "x"
    for words, said in [
        (("show", tmp_path / "none.toml"), "could not be read"),
        (("show", tmp_path / "bad.toml"), "it is not text"),
        (("solve", tmp_path / "none.jpg", *named), "could not be read"),
        (("solve", tmp_path, *named, "--chessboard", "9by6"), "such as 9x6"),
        (("solve", tmp_path, *named), "0 photos are too few"),
    ]:
        got = run(*words)
        assert got.exit_code == 2
        assert said in got.output
