"""Rays, limbs and cylinders against published vectors, OpenCV, brute force and finite differences."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from tests.scene import Scene, fit_limb, fitting, ring_shadow
from vision import geometry as g
from vision.records import Axis, Floats

PLAIN = Camera(3000.0, (2016.0, 1512.0))
BENT = Camera(3000.0, (2016.0, 1512.0), (-0.26637, -0.03859, 0.00178, -0.00028, 0.2388))
RADIUS = 30.1625  # 2.375 in / 2, ASME B36.10M

# Axis point and direction; distance of the axis; half angle between the limb planes, deg; limb lines.
# Worked out apart from this code, from n = -sin(alpha) u +- cos(alpha) v and l = K^-T n (Doignon and
# de Mathelin, ICRA 2007); a brute-force surface touches these lines within 4e-8 px.
VECTORS = [
    ((0, 0, 400), (1, 0, 0), 400.0, 4.324564815754333,
     [(0, -1, 1285.13534), (0, 1, -1738.86466)]),
    ((10, -20, 350), (1, 0.2, 0.3), 334.8080945511789, 5.168722673040805,
     [(0.239037556, -0.971010323, 537.912980), (-0.188988249, 0.981979349, -1177.82867)]),
]


def random_axes(count: int, seed: int = 0) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    points = rng.uniform([-60, -60, 150], [60, 60, 700], (count, 3))
    turn, tilt = rng.uniform(0, 2 * np.pi, count), rng.uniform(-0.7, 0.7, count)
    directions = np.stack([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), np.sin(tilt)], -1)
    return points, directions


def slope_by_differences(function, at: Floats, step: float) -> Floats:
    moves = np.eye(at.size) * step
    return np.stack([(function(at + m) - function(at - m)) / (2 * step) for m in moves], -1)


@pytest.mark.parametrize(("point", "direction", "distance", "alpha_deg", "lines"), VECTORS)
def test_limbs_and_axis_agree_with_worked_vectors(point, direction, distance, alpha_deg, lines):
    direction = g.unit(np.array(direction, float))
    matrix = g.camera_matrix(PLAIN)
    found = g.limb_lines(np.array(point, float), direction, RADIUS, matrix)
    np.testing.assert_allclose(found, lines, rtol=1e-8, atol=1e-9)
    first, second = g.plane_of_line(found, matrix)
    foot, along = g.axis_of_planes(first, second, RADIUS)
    assert np.linalg.norm(foot) == pytest.approx(distance, abs=1e-8)
    assert math.degrees(math.asin(RADIUS / np.linalg.norm(foot))) == pytest.approx(alpha_deg, abs=1e-9)
    np.testing.assert_allclose(g.towards(along, foot, np.array([1.0, 0.0])), direction, atol=1e-11)


def test_closed_form_is_exact_on_random_views():
    points, directions = random_axes(500)
    lines = g.limb_lines(points, directions, RADIUS, g.camera_matrix(PLAIN))
    normals = g.plane_of_line(lines, g.camera_matrix(PLAIN))
    foot, along = g.axis_of_planes(normals[:, 0], normals[:, 1], RADIUS)
    wanted = g.frame(points, directions)[0]
    assert np.abs(foot - wanted).max() < 1e-6
    assert np.abs(np.abs((along * directions).sum(-1)) - 1).max() < 1e-12


def test_silhouette_of_a_brute_force_cylinder_touches_the_limbs():
    point, direction = np.array([10.0, -20, 350]), g.unit(np.array([1, 0.2, 0.3]))
    angles = np.linspace(0, 2 * np.pi, 20001)
    side = g.unit(np.cross(direction, [0.0, 0, 1]))
    around = np.cos(angles)[:, None] * side + np.sin(angles)[:, None] * np.cross(direction, side)
    lines = g.limb_lines(point, direction, RADIUS, g.camera_matrix(PLAIN))
    for along in (-40.0, 0.0, 25.0):
        surface = point + along * direction + RADIUS * around
        pixels = cv2.projectPoints(surface, np.zeros(3), np.zeros(3), g.camera_matrix(PLAIN), None)[0][:, 0]
        beyond = pixels @ lines[:, :2].T + lines[:, 2]
        np.testing.assert_allclose(beyond.max(0), 0, atol=2e-4)


def test_limbs_are_named_upper_and_lower_when_the_pipe_runs_right():
    point, right = np.array([0.0, 0, 400]), np.array([1.0, 0, 0])
    upper, lower = g.limb_lines(point, right, RADIUS, g.camera_matrix(PLAIN))
    assert upper[1] < 0 < lower[1]
    points = g.surface(point, right, RADIUS, np.zeros(2), np.array([-0.5, 0.5]))
    assert points[0, 1] < 0 < points[1, 1]
    assert (points[:, 2] < 400).all()


@pytest.mark.parametrize("camera", [PLAIN, BENT])
def test_lens_agrees_with_opencv(camera):
    rng = np.random.default_rng(1)
    scene = rng.uniform([-200, -150, 300], [200, 150, 500], (400, 3))
    matrix, bends = g.camera_matrix(camera), np.array(camera.distortion)
    pixels = cv2.projectPoints(scene, np.zeros(3), np.zeros(3), matrix, bends)[0][:, 0]
    np.testing.assert_allclose(g.project(scene, camera), pixels, atol=1e-9)
    end = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    ideal = cv2.undistortPoints(pixels[:, None], matrix, bends, R=np.eye(3), P=matrix, criteria=end)[:, 0]
    np.testing.assert_allclose(g.undistort(pixels, camera), ideal, atol=1e-6)
    np.testing.assert_allclose(g.distort(g.undistort(pixels, camera), camera), pixels, atol=1e-8)
    np.testing.assert_allclose(g.rays(pixels, camera), g.unit(scene), atol=1e-12)


def test_undistort_takes_another_k1_for_every_draw():
    at = np.random.default_rng(2).uniform(-0.6, 0.6, (5, 7, 2))
    k1 = np.linspace(-0.1, 0.1, 5)[:, None]
    bent = g.distort_plane(at, (k1, 0.0, 0.001, 0.0, 0.0))
    np.testing.assert_allclose(g.undistort_plane(bent, (k1, 0.0, 0.001, 0.0, 0.0)), at, atol=1e-12)
    one = g.undistort_plane(bent[3], (k1[3], 0.0, 0.001, 0.0, 0.0))
    np.testing.assert_allclose(one, at[3], atol=1e-12)


def test_meeting_undoes_surface():
    points, directions = random_axes(200, 3)
    rng = np.random.default_rng(4)
    along, angle = rng.uniform(-80, 80, 200), rng.uniform(-1.3, 1.3, 200)
    on = g.surface(points, directions, RADIUS, along, angle)
    met = g.meet(g.unit(on), points, directions, RADIUS)
    np.testing.assert_allclose(met[0], along, atol=1e-9)
    np.testing.assert_allclose(met[1], angle, atol=1e-9)


def test_rays_that_miss_give_nan_and_pixels_round_trip():
    axis = Axis(np.array([0.0, 0, 400]), np.array([1.0, 0, 0]), RADIUS, np.zeros((4, 4)))
    along, angles = np.linspace(-20, 30, 6), np.linspace(-1, 1, 5)
    pixels = g.cylinder_px(axis, along, angles, BENT)
    assert pixels.shape == (5, 6, 2)
    met = g.meet_cylinder_px(pixels, axis, RADIUS, BENT)
    np.testing.assert_allclose(met[0], np.broadcast_to(along, (5, 6)), atol=1e-8)
    np.testing.assert_allclose(met[1], np.broadcast_to(angles[:, None], (5, 6)), atol=1e-8)
    missed = g.meet_cylinder_px(np.array([2016.0, 2800.0]), axis, RADIUS, BENT)
    assert np.isnan(missed).all()


def moved_line(line: Floats, centre_px: Floats, angle: float, offset_px: float) -> Floats:
    """The line turned about `centre_px`, x towards y, and then shifted along its normal."""
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    normal = turn @ line[:2]
    return np.array([*normal, line[:2] @ centre_px + line[2] - normal @ centre_px - offset_px])


def test_slopes_against_finite_differences():
    point, direction = (a[0] for a in random_axes(1, 5))
    matrix = g.camera_matrix(PLAIN)
    lines = g.limb_lines(point, direction, RADIUS, matrix)
    centre = np.array([2100.0, 1400.0])

    def moved(move: Floats) -> Floats:
        return moved_line(lines[0], centre, move[0], move[1])

    np.testing.assert_allclose(g.moved_line_slope(lines[0], centre),
                               slope_by_differences(moved, np.zeros(2), 1e-5), rtol=1e-7, atol=1e-7)
    scale = np.diag([1e-3, 1e-3, 1.0])  # a line's coefficients differ by orders of magnitude
    by_line = slope_by_differences(lambda m: g.plane_of_line(lines[0] + scale @ m, matrix), np.zeros(3), 1e-3)
    np.testing.assert_allclose(g.plane_of_line_slope(lines[0], matrix) @ scale, by_line, atol=1e-9)
    normals = g.plane_of_line(lines, matrix)

    def axis(both: Floats) -> Floats:
        return np.concatenate(g.axis_of_planes(both[:3], both[3:], RADIUS))

    found = g.axis_of_planes_slope(normals[0], normals[1], RADIUS)
    np.testing.assert_allclose(found, slope_by_differences(axis, normals.ravel(), 1e-7), rtol=1e-5, atol=2e-4)


@pytest.mark.parametrize("towards_right", [True, False])
def test_axis_slope_against_finite_differences(towards_right):
    scene = Scene(tilt_deg=20, roll_deg=30)
    matrix = g.camera_matrix(PLAIN)
    lines = g.limb_lines(scene.pipe.point_mm, scene.pipe.direction, RADIUS, matrix)
    limbs = tuple(_limb_on(line) for line in lines)
    direction = scene.pipe.direction * (1 if towards_right else -1)
    foot, u, v = g.frame(scene.pipe.point_mm, direction)

    def local(move: Floats) -> Floats:
        normals = [g.plane_of_line(moved_line(limb.line, limb.centre_px, *m), matrix)
                   for limb, m in zip(limbs, move.reshape(2, 2), strict=True)]
        point, along = g.axis_of_planes(*normals, RADIUS)
        along = along * np.sign(along @ direction)
        # depth and sideways are asked across the axis at its foot: u and v of the axis at rest
        return np.array([u @ along, v @ along, u @ (point - foot), v @ (point - foot)])

    found = g.axis_slope(limbs, matrix, RADIUS, direction)
    wanted = slope_by_differences(local, np.zeros(4), 1e-6)
    np.testing.assert_allclose(found, wanted, rtol=1e-5, atol=1e-5)


def _limb_on(line: Floats):
    run = np.array([-line[1], line[0]])
    foot = -line[2] * line[:2] + 300 * run
    points = foot + np.linspace(-200, 200, 20)[:, None] * run
    return fit_limb(points, line[:2])


# --- the lip -------------------------------------------------------------------------------------------

def test_a_sharp_lip_hides_what_plane_trigonometry_says():
    # At the angle that faces the lens the sight line, the lip and the pipe lie in one plane: similar
    # triangles (textbook) give hidden = mouth (R - r) / (D - R).
    for mouth in (5.0, 60.0, 150.0):
        hidden = mouth * 6 / (400 - 36)
        assert g.mouth_of_contour(mouth + hidden, 0.0, 400.0, 30.0, 36.0, 0.0) == pytest.approx(mouth, rel=1e-12)


def test_a_far_camera_sees_the_step_parallax_of_parallel_light():
    # hidden = step * tan(tilt): 5 mm at 10 degrees is .882 mm.
    far = 1e7
    mouth = far * math.tan(math.radians(10))
    assert g.mouth_of_contour(mouth + 0.882, 0.0, far, 30.0, 35.0, 0.0) == pytest.approx(mouth, abs=5e-4)


def test_a_round_lip_in_the_plane_of_sight_is_a_tangent_to_a_circle():
    # The tangent from the lens (0, D) to the circle about (mouth - q, R - q), met with the pipe (textbook).
    distance, mouth, lip = 400.0, 90.0, 1.2
    to_centre = np.array([mouth - lip, 36 - lip - distance])
    away = float(np.linalg.norm(to_centre))
    heading = math.atan2(to_centre[1], to_centre[0]) + math.asin(lip / away)
    contour = (30 - distance) / math.tan(heading)
    assert float(g.mouth_of_contour(contour, 0.0, distance, 30.0, 36.0, lip)) == pytest.approx(mouth, abs=1e-9)


@pytest.mark.parametrize("lip", [0.0, 0.3, 1.6])
@pytest.mark.parametrize("tilt_deg", [-30, -12, -2])
def test_the_contour_of_rings_traced_one_by_one_leads_back_to_the_mouth(tilt_deg, lip):
    scene = Scene(tilt_deg=tilt_deg, lip_mm=lip, fitting=fitting(collar_od=74.0))
    angles = np.linspace(-1, 1, 21)
    distance = float(np.linalg.norm(scene.pipe.point_mm))
    traced = ring_shadow(scene, angles, rings=201)
    found = g.mouth_of_contour(traced, angles, distance, scene.pipe.radius_mm, 37.0, lip)
    np.testing.assert_allclose(found, scene.mouth_mm, atol=2e-4)


def test_from_the_pipes_side_nothing_is_hidden():
    seam = np.full(5, -30.0)
    found = g.mouth_of_contour(seam, np.linspace(-1, 1, 5), 400.0, 30.0, 36.0, 1.0)
    np.testing.assert_array_equal(found, seam)


def slope(angles: Floats, outer: float) -> Floats:
    return g._crossing_slope(*g._sight_line(angles, 400.0, 30.0), 400.0, outer)


def test_crossing_slope_against_finite_differences():
    angles = np.linspace(-1, 1, 9)
    step = 1e-5
    wanted = (g.crossing(angles, 400.0, 30.0, 36.0 + step) - g.crossing(angles, 400.0, 30.0, 36.0 - step))
    np.testing.assert_allclose(slope(angles, 36.0), wanted / (2 * step), rtol=1e-6)


def test_a_sight_line_that_passes_by_has_no_crossing():
    """A drawn collar may be thinner than the place that a ray aims at; it says so by NaN alone, and warns nobody."""
    grazing = np.array([0.0, 1.6])
    for answer in (g.crossing(grazing, 400.0, 30.0, 29.0), slope(grazing, 29.0)):
        assert np.isfinite(answer[0])
        assert np.isnan(answer[1])
