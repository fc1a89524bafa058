"""The cut end of a bare pipe, found in what a finder without fault sees."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.camera import Camera
from tests import scene as scenes
from vision import end, looks
from vision.networks import FINDER_CLASSES, FINDER_SIZE_PX
from vision.records import Floats, Look, Photo, Refusal, Sighting

SIZE_PX = (1600, 1200)
PIPE, COLLAR, INK, OVER = (FINDER_CLASSES.index(name) for name in ("pipe", "collar", "ink", "over"))


def painted(at: tuple[float, float], heading_deg: float, width: float, length: float = 3000.0) -> np.ndarray:
    """The photo's true classes: a pipe that begins at a point and runs along a heading."""
    classes = np.zeros(SIZE_PX[::-1], np.uint8)
    return band(classes, at, heading_deg, width, 0.0, length, PIPE)


def band(classes: np.ndarray, at: tuple[float, float], heading_deg: float, width: float, start: float, stop: float,
         label: int) -> np.ndarray:
    """A piece of the pipe, from `start` to `stop` along it, given another class."""
    run = np.array([np.cos(np.radians(heading_deg)), np.sin(np.radians(heading_deg))])
    across = np.array([-run[1], run[0]])
    corners = [np.array(at) + along * run + side * width / 2 * across
               for along, side in ((start, -1), (stop, -1), (stop, 1), (start, 1))]
    cv2.fillPoly(classes, [np.round(corners).astype(np.int32)], int(label))
    return classes


def finder(classes: np.ndarray):
    """Sees the classes of a photo through any map."""
    def see(_pixels: object, to_photo: Floats, _who: object = None) -> Look:
        seen = cv2.warpAffine(classes, to_photo, FINDER_SIZE_PX, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
        shares = (np.arange(len(FINDER_CLASSES))[:, None, None] == seen).astype(np.float32)
        return Look(seen, shares, to_photo)

    return see


@pytest.fixture
def find(monkeypatch: pytest.MonkeyPatch):
    photo = Photo(np.zeros((*SIZE_PX[::-1], 3), np.uint8), Camera(1300.0, (799.5, 599.5)))

    def run(classes: np.ndarray) -> Sighting | Refusal:
        monkeypatch.setattr(looks, "see", finder(classes))
        return scenes.first_found(end.find_end(photo))

    return run


@pytest.mark.parametrize("heading", [0.0, 33.0, 90.0, 160.0, 221.0, 300.0])
@pytest.mark.parametrize("width", [130.0, 320.0])
def test_the_end_is_found_whichever_way_the_pipe_runs(find, heading: float, width: float) -> None:
    at = (820.0, 610.0)
    seen = find(painted(at, heading, width))
    assert isinstance(seen, Sighting), seen
    run = np.array([np.cos(np.radians(heading)), np.sin(np.radians(heading))])
    assert np.linalg.norm(seen.mouth_px - at) < 0.03 * width + 3
    assert float(seen.axis_px @ run) > np.cos(np.radians(1.5))
    assert seen.pipe_width_px == pytest.approx(width, rel=0.03)


def test_a_hand_that_holds_the_pipe_is_no_end_of_it(find) -> None:
    classes = band(painted((500.0, 600.0), 0.0, 200.0), (500.0, 600.0), 0.0, 420.0, 520.0, 900.0, OVER)
    seen = find(classes)
    assert isinstance(seen, Sighting), seen
    assert seen.mouth_px == pytest.approx((500, 600), abs=8)


def test_a_short_piece_has_the_end_that_is_nearer_the_middle(find) -> None:
    seen = find(painted((700.0, 600.0), 0.0, 200.0, length=800.0))
    assert isinstance(seen, Sighting), seen
    assert seen.mouth_px == pytest.approx((700, 600), abs=8)


def test_an_empty_photo_has_no_pipe(find) -> None:
    assert find(np.zeros(SIZE_PX[::-1], np.uint8)) == Refusal("end", "no-pipe")


def test_a_made_joint_is_not_bare(find) -> None:
    classes = band(painted((700.0, 600.0), 0.0, 200.0), (700.0, 600.0), 0.0, 235.0, -180.0, 0.0, COLLAR)
    refusal = find(classes)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "not-bare"


def test_a_collar_counts_though_the_closer_look_knows_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """The spotter takes a collar for ground or pipe: whether there is one the first look alone tells."""
    bare = painted((700.0, 600.0), 0.0, 200.0)
    collared = band(bare.copy(), (700.0, 600.0), 0.0, 235.0, -180.0, 0.0, COLLAR)
    monkeypatch.setattr(looks, "see", lambda pixels, to_photo, who=None: finder(bare if who else collared)(
        pixels, to_photo))
    refusal = scenes.first_found(end.find_end(Photo(np.zeros((*SIZE_PX[::-1], 3), np.uint8),
                                                    Camera(1300.0, (799.5, 599.5)))))
    assert refusal == Refusal("end", "not-bare")


@pytest.mark.parametrize("heading", [0.0, 33.0, 221.0])
def test_what_passes_for_a_collar_but_is_no_wider_is_pipe(find, heading: float) -> None:
    """The stretch between cut and mark, taken for a collar; the line at its end is ink."""
    at = (720.0, 600.0)
    classes = band(painted(at, heading, 220.0), at, heading, 220.0, 0.0, 110.0, COLLAR)
    seen = find(band(classes, at, heading, 220.0, 110.0, 118.0, INK))
    assert isinstance(seen, Sighting), seen
    assert np.linalg.norm(seen.mouth_px - at) < 10


HARDWARE = FINDER_CLASSES.index("hardware")


def misled(monkeypatch: pytest.MonkeyPatch, from_afar: np.ndarray, closely: np.ndarray) -> Sighting | Refusal:
    """What is told where the finder has a photo's first classes and the spotter its second."""
    monkeypatch.setattr(looks, "see", lambda pixels, to_photo, who=None: finder(closely if who else from_afar)(
        pixels, to_photo))
    return scenes.first_found(end.find_end(Photo(np.zeros((*SIZE_PX[::-1], 3), np.uint8),
                                                 Camera(1300.0, (799.5, 599.5)))))


def test_the_spotter_knows_a_cut_where_the_finder_has_a_ragged_collar(monkeypatch: pytest.MonkeyPatch) -> None:
    """A patch that overhangs the pipe askew is wider all in all and not at any one place."""
    at, bare = (700.0, 600.0), painted((700.0, 600.0), 0.0, 240.0)
    askew = band(band(bare.copy(), at, 0.0, 250.0, 0.0, 130.0, 0), (700.0, 603.0), 1.5, 240.0, 0.0, 130.0, COLLAR)
    seen = misled(monkeypatch, askew, bare)
    assert isinstance(seen, Sighting), seen
    assert np.linalg.norm(seen.mouth_px - at) < 10


def test_a_pipe_that_passes_for_hardware_alone_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    bare = band(painted((700.0, 600.0), 0.0, 240.0), (700.0, 600.0), 0.0, 420.0, 400.0, 900.0, OVER)
    hardware = band(bare.copy(), (700.0, 600.0), 0.0, 240.0, 0.0, 400.0, HARDWARE)
    seen = misled(monkeypatch, np.where(hardware == PIPE, 0, hardware), bare)
    assert isinstance(seen, Sighting), seen
    assert seen.mouth_px == pytest.approx((700, 600), abs=10)


@pytest.mark.parametrize("ratio", [1.04, 1.1, 1.4])
def test_a_collar_is_wider_than_its_pipe(find, ratio: float) -> None:
    """Thin ones as well: a wall of 2 in 100 of the diameter is thinner than any in the catalogs here."""
    classes = band(painted((700.0, 600.0), 0.0, 240.0), (700.0, 600.0), 0.0, ratio * 240.0, -130.0, 0.0, COLLAR)
    refusal = find(classes)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "not-bare"


def test_an_end_past_the_border_is_cut_off(find) -> None:
    refusal = find(painted((-50.0, 600.0), 0.0, 200.0))
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "end-cut-off"


def test_a_covered_end_is_no_end(find) -> None:
    classes = band(painted((700.0, 600.0), 0.0, 200.0), (700.0, 600.0), 0.0, 300.0, -120.0, 120.0, OVER)
    refusal = find(classes)
    assert isinstance(refusal, Refusal)
    assert refusal.reason == "end-cut-off"
