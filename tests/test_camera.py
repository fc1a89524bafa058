"""The solver against OpenCV's published results and known truth; profiles against projection itself."""

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from calibration import chart
from calibration.camera import (
    FOCUS_U,
    STABILISER_U,
    Camera,
    Lens,
    ProfileError,
    parse_profile,
    read_lens,
)
from calibration.solve import SolveError, View, solve

SAMPLES = Path("/usr/share/doc/opencv-doc/examples/data")
needs_samples = pytest.mark.skipif(
    not (SAMPLES / "left_intrinsics.yml").exists(),
    reason="OpenCV's sample photos are not here: install the Debian package opencv-doc",
)

SIZE = (1024, 768)
TRUE = Camera(900.0, (518.0, 377.0), (0.05, -0.10, 0.001, -0.0005, 0.05))
LENS = Lens("Maker", "Phone 1", 5.4, 26)
GRID = np.array([[x * 30.0, y * 30.0, 0.0] for y in range(7) for x in range(5)])


def project(points, camera, turn=(0.0, 0.0, 0.0), shift=(0.0, 0.0, 0.0)):
    """OpenCV's own projection: the second opinion for every convention here."""
    x, y = camera.centre_px
    matrix = np.array([[camera.focal_px, 0, x], [0, camera.focal_px, y], [0, 0, 1]])
    found, _ = cv2.projectPoints(np.asarray(points, float), np.array(turn, float), np.array(shift, float),
                                 matrix, np.array(camera.distortion))
    return found.reshape(-1, 2)


def views(rng, count=12, tilt_deg=(10, 35), noise_px=0.2, grid=GRID, truth=GRID):
    """Views of `truth`, believed to be `grid`, tilted every way within the range of angles."""
    made = []
    while len(made) < count:
        round_about = rng.uniform(0, 2 * math.pi)
        tilt = math.radians(rng.uniform(*tilt_deg))
        tilted = cv2.Rodrigues(tilt * np.array([math.cos(round_about), math.sin(round_about), 0]))[0]
        rolled = cv2.Rodrigues(np.array([0, 0, rng.uniform(-math.pi, math.pi)]))[0]
        turn = tilted @ rolled
        middle = np.array([rng.uniform(-90, 90), rng.uniform(-60, 60), rng.uniform(260, 400)])
        shift = middle - turn @ truth.mean(0)
        at = project(truth, TRUE, cv2.Rodrigues(turn)[0].ravel(), shift)
        inside = ((at > 4) & (at < np.array(SIZE) - 5)).all(1)
        if inside.sum() >= 20:
            seen = at[inside] + rng.normal(0, noise_px, (inside.sum(), 2))
            made.append(View(f"view{len(made) + 1:02}", grid[inside], seen))
    return made


@pytest.fixture(scope="module")
def solution():
    return solve(views(np.random.default_rng(5)), SIZE)


@pytest.fixture
def profile(solution):
    return solution.profile("my phone", LENS)


# --- OpenCV's sample photos ------------------------------------------------------------------------------

def sample_views(window_px, end_px=0.1):
    photos = sorted(SAMPLES.glob("left[01][0-9].jpg"))
    return [chart.find_chessboard(cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE), photo.name, (9, 6), 25.0,
                                  window_px, end_px) for photo in photos]


@needs_samples
def test_opencv_published_left_intrinsics():
    """samples/data/left_intrinsics.yml, published with the photos: square pixels, 11x11 window."""
    published = cv2.FileStorage(str(SAMPLES / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    matrix = published.getNode("camera_matrix").mat()
    distortion = published.getNode("distortion_coefficients").mat().ravel()
    per_view = published.getNode("per_view_reprojection_errors").mat().ravel()
    got = solve(sample_views(11), (640, 480), reject=False)
    assert len(got.views) == 13
    assert got.residual_px == pytest.approx(published.getNode("avg_reprojection_error").real(), abs=0.01)
    assert got.focal_px == pytest.approx(matrix[0, 0], abs=0.05)
    assert got.centre_px == pytest.approx((matrix[0, 2], matrix[1, 2]), abs=0.05)
    assert np.abs(np.array(got.distortion) - distortion).sum() < 0.001  # OpenCV's own tolerance
    assert [view.residual_px for view in got.views] == pytest.approx(list(per_view), abs=0.03)


@needs_samples
def test_opencv_published_test_calibration():
    """modules/python/test/test_calibration.py: 5x5 window, fx and fy free; ours lies between them."""
    got = solve(sample_views(5), (640, 480))
    assert not got.rejected
    assert got.residual_px == pytest.approx(0.196334638, abs=0.01)
    assert got.focal_px == pytest.approx((532.80992189 + 532.93346422) / 2, abs=got.u_focal_px)
    assert got.centre_px == pytest.approx((342.4952186, 233.8879292), abs=max(got.u_centre_px))
    published = np.array([-0.281325576, 0.0291130406, 0.00121234330, -0.000140825372, 0.154865844])
    assert (np.abs(np.array(got.distortion) - published) < got.u_distortion).all()
    assert got.u_focal_px == pytest.approx(0.45, abs=0.05)


@needs_samples
def test_the_bad_view_among_the_samples_is_found_by_name():
    """left02 is bad when its corners are refined in a window that reaches into the next squares."""
    spoilt = solve(sample_views(11), (640, 480), reject=False)
    got = solve(sample_views(11), (640, 480))
    assert got.rejected[0].name == "left02.jpg"
    assert "times the median" in got.rejected[0].why
    good = solve(sample_views(5), (640, 480))
    assert abs(spoilt.focal_px - good.focal_px) > 5 * good.u_focal_px
    assert abs(got.focal_px - good.focal_px) < 2 * math.hypot(got.u_focal_px, good.u_focal_px)


# --- known truth -----------------------------------------------------------------------------------------

def test_exact_points_give_the_exact_camera():
    got = solve(views(np.random.default_rng(1), noise_px=0), SIZE)
    assert got.residual_px < 1e-3  # points travel as 32-bit floats
    assert got.focal_px == pytest.approx(TRUE.focal_px, abs=0.01)
    assert got.centre_px == pytest.approx(TRUE.centre_px, abs=0.01)
    assert got.distortion == pytest.approx(TRUE.distortion, abs=1e-3)


def test_stated_uncertainty_is_the_real_scatter():
    """50 solutions from fresh views: of 400 parameters 95 % lie within two standard uncertainties."""
    true = np.array([TRUE.focal_px, *TRUE.centre_px, *TRUE.distortion])
    off = []
    for seed in range(50):
        got = solve(views(np.random.default_rng(100 + seed)), SIZE)
        stated = np.array([got.u_focal_px, *got.u_centre_px, *got.u_distortion])
        off.append((np.array([got.focal_px, *got.centre_px, *got.distortion]) - true) / stated)
    off = np.array(off)
    assert 0.92 <= (np.abs(off) < 2).mean() <= 0.98
    assert np.sqrt((off**2).mean(0)) == pytest.approx(np.ones(8), abs=0.3)
    assert np.abs(off.mean(0)).max() < 0.5


def test_good_views_are_not_thrown_out():
    for seed in range(12):
        assert not solve(views(np.random.default_rng(seed)), SIZE).rejected


def test_a_blurred_view_is_named_and_left_out():
    given = views(np.random.default_rng(2))
    noise = np.random.default_rng(3).normal(0, 1.5, given[4].image_px.shape)
    given[4] = replace(given[4], name="bent.jpg", image_px=given[4].image_px + noise)
    got = solve(given, SIZE)
    assert [each.name for each in got.rejected] == ["bent.jpg"]
    assert "bent.jpg" not in [view.name for view in got.views]
    assert len(solve(given, SIZE, reject=False).views) == 12


def test_a_chart_stretched_by_the_printer_is_noticed():
    longer = GRID * (1.008, 1.0, 1.0)
    got = solve(views(np.random.default_rng(4), truth=longer), SIZE)
    assert got.stretch == pytest.approx(0.008, abs=4 * got.u_stretch)
    assert any("0.8" in warning and "too wide" in warning for warning in got.warnings)


def test_a_true_chart_raises_no_warning(solution):
    assert solution.warnings == ()
    assert abs(solution.stretch) < 4 * solution.u_stretch


def test_corners_of_the_frame_that_no_view_reaches_are_told():
    central = []
    for view in views(np.random.default_rng(6), 30):
        near = np.linalg.norm(view.image_px - (511.5, 383.5), axis=1) < 380
        if near.sum() >= 20:
            central.append(View(view.name, view.object_mm[near], view.image_px[near]))
    assert any("distortion beyond is a guess" in warning for warning in solve(central, SIZE).warnings)


# --- what can't be solved --------------------------------------------------------------------------------

def test_too_few_views():
    with pytest.raises(SolveError, match=r"7 views are too few.*8 to 20"):
        solve(views(np.random.default_rng(0), 7), SIZE)


def test_a_view_with_too_few_points_is_named():
    given = views(np.random.default_rng(0))
    given[3] = View("scrap.jpg", given[3].object_mm[:5], given[3].image_px[:5])
    with pytest.raises(SolveError, match=r"scrap\.jpg"):
        solve(given, SIZE)


@pytest.mark.parametrize("tilt_deg", [(0, 0), (0, 2), (0, 5)])
@pytest.mark.parametrize("noise_px", [0.02, 0.2])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_views_from_one_angle_are_refused(tilt_deg, noise_px, seed):
    with pytest.raises(SolveError, match="20 to 40 degrees"):
        solve(views(np.random.default_rng(seed), tilt_deg=tilt_deg, noise_px=noise_px), SIZE)


def test_views_that_disagree_are_refused():
    rng = np.random.default_rng(8)
    given = views(rng, noise_px=0.05)
    for at in range(5):
        shaken = given[at].image_px + rng.normal(0, 3 * 2**at, given[at].image_px.shape)
        given[at] = replace(given[at], image_px=shaken)
    with pytest.raises(SolveError, match="don't agree"):
        solve(given, SIZE)


def test_nonsense_is_refused():
    rng = np.random.default_rng(9)
    given = [View(str(n), GRID, rng.uniform(0, 700, (35, 2))) for n in range(10)]
    with pytest.raises(SolveError):
        solve(given, SIZE)


# --- profiles --------------------------------------------------------------------------------------------

POINTS = np.array([[0.0, 0.0, 400.0], [90.0, -70.0, 380.0], [-120.0, 60.0, 420.0], [30.0, 110.0, 500.0]])


def test_a_profile_survives_its_file(profile):
    odd = profile.model_copy(update={"name": 'Zoë\'s "phone" \\ 2 😀', "f35_mm": None})
    assert parse_profile(odd.dumps(), "phone.toml") == odd


def test_camera_for_the_chart_photos_own_size_is_the_solution(profile, solution):
    got = profile.camera_for(*SIZE)
    assert (got.focal_px, got.centre_px, got.distortion) == (
        solution.focal_px, pytest.approx(solution.centre_px), solution.distortion)
    assert got.u_focal_px == pytest.approx(math.hypot(solution.u_focal_px, FOCUS_U * got.focal_px))
    assert got.u_centre_px == pytest.approx(
        math.hypot(max(solution.u_centre_px), STABILISER_U * got.focal_px))
    assert (got.u_k1, got.source) == (solution.u_distortion[0], "chart")


@pytest.mark.parametrize("scale", [0.5, 0.25, 2.0, 1.5])
def test_scaling_keeps_every_point_where_it_was(profile, scale):
    copy = profile.camera_for(round(SIZE[0] * scale), round(SIZE[1] * scale))
    moved = (project(POINTS, profile.camera_for(*SIZE)) + 0.5) * scale - 0.5
    assert project(POINTS, copy) == pytest.approx(moved)


def pillow_turn(orientation):
    """The (2, 2) matrix by which Pillow moves pixels, about the middle, for an EXIF orientation."""
    stored = Image.fromarray(np.arange(12, dtype=np.uint8).reshape(3, 4))
    stored.getexif()[0x0112] = orientation
    upright = np.asarray(ImageOps.exif_transpose(stored))
    down, across = np.indices(upright.shape)
    there = np.column_stack([across.ravel(), down.ravel()]) - (np.array(upright.shape[::-1]) - 1) / 2
    here = np.column_stack([upright.ravel() % 4, upright.ravel() // 4]) - (1.5, 1.0)
    return np.round(np.linalg.lstsq(here, there, rcond=None)[0].T)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turning_goes_where_pillow_turns_the_picture(profile, orientation):
    """A pixel of the stored picture, and a point in space on its ray, must stay together."""
    turn = pillow_turn(orientation)
    moved = np.column_stack([POINTS[:, :2] @ turn.T, POINTS[:, 2]])
    stored = project(POINTS, profile.camera_for(*SIZE)) - (np.array(SIZE) - 1) / 2
    upright = stored @ turn.T + (np.abs(turn) @ SIZE - 1) / 2
    assert project(moved, profile.camera_for(*SIZE, orientation)) == pytest.approx(upright)


def test_a_copy_turned_without_saying_how_doubts_its_centre(profile, solution):
    got = profile.camera_for(SIZE[1] // 2, SIZE[0] // 2)
    assert got.centre_px == (191.5, 255.5)
    assert got.focal_px == pytest.approx(solution.focal_px / 2)
    off = math.dist(solution.centre_px, (511.5, 383.5)) / 2 / math.sqrt(2)
    lying = profile.camera_for(SIZE[0] // 2, SIZE[1] // 2)
    assert got.u_centre_px == pytest.approx(math.hypot(lying.u_centre_px, off), rel=1e-3)


def test_other_shapes_are_refused(profile):
    assert profile.fits(4032, 3024)
    assert not profile.fits(1920, 1080)
    with pytest.raises(ProfileError, match=r"'my phone'.*1920 x 1080.*another shape"):
        profile.camera_for(1920, 1080)
    with pytest.raises(ProfileError, match="1 to 8"):
        profile.camera_for(*SIZE, 9)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("focal_px = ", "focal_px = = "), "phone.toml: .*collargap camera solve"),
        (("focal_px = ", "focal = "), "key 'focal_px': It is missing"),
        (("residual_px", "residuals_px"), "key 'residuals_px'.*Did you mean 'residual_px'"),
        (("focal_px = ", "focal_px = -"), "key 'focal_px'.*greater than 0"),
        (("focal_px = ", "focal_px = 99"), "key 'focal_px'.*no focal length"),
        (("centre_px = [", "centre_px = [1.0, "), "key 'centre_px'.*exactly 2 numbers"),
        (("centre_px = [", "centre_px = [9"), "key 'centre_px'.*outside the picture"),
        (("width_px = 1024", 'width_px = "1024"'), "key 'width_px'.*valid integer"),
        (("u_focal_px = ", "u_focal_px = nan #"), "key 'u_focal_px'.*finite"),
    ],
)
def test_a_bad_file_is_refused_with_file_key_and_remedy(profile, change, said):
    text = profile.dumps().replace("\n" + change[0], "\n" + change[1], 1)
    with pytest.raises(ProfileError, match=said) as raised:
        parse_profile(text, "phone.toml")
    assert str(raised.value).startswith("phone.toml: ")


# --- whose photo is it -----------------------------------------------------------------------------------

def test_a_lens_is_read_from_exif_tags():
    main = {0x010F: "Maker \x00", 0x0110: b"Phone 1"}
    photo = {0x920A: 5.4, 0xA405: 26, 0xA404: 0}
    assert read_lens(main.get, photo.get) == LENS
    assert read_lens({}.get, {}.get) == Lens()
    assert read_lens({}.get, {0x920A: "wide", 0xA405: float("nan")}.get) == Lens()


@pytest.mark.parametrize(
    ("other", "clash"),
    [
        (Lens("maker", "PHONE 1", 5.43, 26), ""),
        (Lens(), ""),
        (Lens("Other", "Phone 1", 5.4, 26), "its make is Other"),
        (Lens("Maker", "Phone 2", 5.4, 26), "its model is Phone 2"),
        (Lens("Maker", "Phone 1", 2.2, 13), "its focal length is 2.2 mm"),
        (Lens("Maker", "Phone 1", None, 52), "its 35 mm equivalent is 52 mm"),
        (Lens("Maker", "Phone 1", 5.4, 26, zoom=2.0), "its digital zoom is 2"),
    ],
)
def test_lenses_clash_only_in_what_both_say(other, clash):
    assert LENS.clash(other).startswith(clash)
    assert bool(LENS.clash(other)) == bool(clash)


def test_a_lens_is_the_same_only_when_it_is_certain():
    tele = replace(LENS, focal_mm=9.0, f35_mm=77)
    assert LENS.same(LENS)
    assert tele.same(tele)
    assert not tele.same(LENS)
    assert not LENS.same(Lens("Maker", "Phone 1"))
    assert not Lens().same(Lens())
