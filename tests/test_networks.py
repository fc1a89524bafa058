"""The shipped weights: their answers on small pictures made by numpy, their size, their classes.

CI does not train: these numbers say that weights, ONNX Runtime and the code around them are what was scored.
"""

from __future__ import annotations

import ast
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision import networks
from vision.networks import FINDER_CLASSES, STRIP_CLASSES, Bytes, Straight

ROOT = Path(__file__).parent.parent
WEIGHTS = ROOT / "vision" / "weights"
LARGEST_MB = 16
NEAR = 1e-3  # processors differ in the last bits of a convolution
NEAR_IN_8_BITS = 1e-2  # there a last bit may tip a number to the next step
FINDER_MEANS = (0.76438, 0.14135, 0.09252, 0.00148, 0.00003, 0.00023)
FINDER_AT = ((0, 100, 50), (1, 240, 470), (2, 240, 250), (2, 200, 330))
FINDER_SHARES = (0.99934, 0.95589, 0.96920, 0.47714)
END_COLUMN, PIPE_ROWS = 192, (168, 312)
SPOTTER_MEANS = (0.78996, 0.20996, 0.00000, 0.00000, 0.00004, 0.00004)
READER_MEANS = (0.07783, 0.72157, 0.08795, 0.01126, 0.09945, 0.00002, 0.00091, 0.00002, 0.00098)
BEYOND_AT = ((20, 100), (64, 250), (64, 290), (100, 300))
MOUTH_COLUMN, LINE_COLUMN = 120, 160
SIDES = (63.5 - 64 / 1.4, 63.5 + 64 / 1.4)  # rows
# mean and standard deviation of mouth or end, in columns, and of both sides, in rows
SURVEY = (119.227, 0.970, 17.316, 0.485, 109.587, 0.555)
INK, INKED = 0.010, 0.991  # that any is seen on a joint without; that it begins where it does
# the same of the mouth looked at closely, and that any ink is seen; of a joint without a line, then of one with it
SEAM = (118.702, 1.993, 0.007, 118.106, 2.078, 0.987)
INKED_CLOSELY = 0.935
MOUTH_OF_STRIP, LINE_OF_STRIP = 267, 308
WITNESS = (0.928, 0.000)  # that ink begins where it does, on a strip with a line; that any is seen on one without
FACE = (119.985, 0.678)  # mean and standard deviation of a cut looked at closely, in columns
GAUGE = (119.164, 0.586, 17.449, 0.499, 109.554, 0.500)
SIDE_ROW = 55
EDGE = (54.517, 0.561, 54.536, 0.536)  # mean and standard deviation of a side, in rows, near the mouth and further out
SAWYER_MEANS = (0.51415, 0.44317, 0.00000, 0.03031, 0.01202, 0.00001, 0.00003, 0.00000, 0.00031)
BEYOND = (0.52594, 0.99986, 0.99995, 0.99999)


def picture(height: int, width: int) -> Bytes:
    """A collar, a pipe with a line round it, and a ground, each in one colour, the sides shaded."""
    y, x = np.mgrid[:height, :width]
    across = np.abs(y - height / 2) / (height / 2)
    rgb = np.empty((height, width, 3))
    rgb[:] = (120, 110, 90)
    pipe = (across < 0.30) & (x >= 0.52 * width)
    collar = (across < 0.36) & (x > 0.25 * width) & (x < 0.52 * width)
    if height < 200:  # a strip shows nothing beside the pipe
        pipe, collar = x >= 0.52 * width, x < 0.52 * width
    shade = (1 - 0.5 * (across / (1 if height < 200 else 0.36)) ** 2)[..., None]
    rgb = np.where(collar[..., None], shade * (180, 180, 185), rgb)
    rgb = np.where(pipe[..., None], shade * (210, 170, 40), rgb)
    line = pipe & (x > 0.60 * width) & (x < 0.64 * width)
    rgb = np.where(line[..., None], shade * (20, 20, 30), rgb)
    return np.clip(np.round(rgb), 0, 255).astype(np.uint8)


def straight(columns: int = 256) -> Bytes:
    """A straightened joint, six channels, its mouth at column MOUTH_COLUMN."""
    y, x = np.mgrid[:128, :columns]
    across = np.abs(y - 63.5) / 64 * 1.4
    rgb = np.empty((128, columns, 3))
    rgb[:] = (120, 110, 90)
    shade = (1 - 0.5 * np.minimum(across, 1) ** 2)[..., None]
    rgb = np.where(((across < 1.2) & (x < MOUTH_COLUMN))[..., None], shade * (180, 180, 185), rgb)
    rgb = np.where(((across < 1) & (x >= MOUTH_COLUMN))[..., None], shade * (210, 170, 40), rgb)
    one = np.clip(np.round(rgb), 0, 255).astype(np.uint8)
    return np.concatenate([one, one], -1)


def told_of(seen: Straight) -> list[float]:
    """Mean and standard deviation of the mouth, in columns, and of both sides, in rows."""
    told = []
    for share, cells in zip((seen.mouth, *seen.sides), (256, 128, 128), strict=True):
        assert share.shape == (cells,)
        assert share.sum() == pytest.approx(1, abs=1e-5)
        at = np.arange(cells)
        mean = float(share @ at)
        told += [mean, float(np.sqrt(share @ (at - mean) ** 2))]
    return told


def test_the_finder_answers_as_recorded():
    shares = networks.find(picture(480, 640))
    assert shares.shape == (6, 480, 640)
    np.testing.assert_allclose(shares.sum(0), 1, atol=1e-5)
    np.testing.assert_allclose(shares.mean((1, 2)), FINDER_MEANS, atol=NEAR_IN_8_BITS)
    np.testing.assert_allclose([shares[at] for at in FINDER_AT], FINDER_SHARES, atol=3 * NEAR_IN_8_BITS)


def test_a_look_s_probabilities_are_whole_at_every_pixel():
    """They are enlarged after they were made of logits, and still add up to one."""
    for seen in (networks.find, networks.spot):
        shares = seen(picture(480, 640))
        assert shares.shape == (len(networks.FINDER_CLASSES), 480, 640)
        np.testing.assert_allclose(shares.sum(0), 1, atol=1e-5)


def test_the_spotter_answers_as_recorded():
    """A bare pipe as a close look shows it: its end three tenths from the left, its sides level."""
    y, x = np.mgrid[:480, :640]
    pipe = (x >= END_COLUMN) & (y >= PIPE_ROWS[0]) & (y < PIPE_ROWS[1])
    shade = (1 - 0.5 * ((y - 239.5) / 72) ** 2)[..., None]
    rgb = np.where(pipe[..., None], shade * (210, 170, 40), (120, 110, 90))
    rgb = np.where((pipe & (x > 300) & (x < 312))[..., None], shade * (20, 20, 30), rgb)
    shares = networks.spot(np.clip(np.round(rgb), 0, 255).astype(np.uint8))
    assert shares.shape == (6, 480, 640)
    np.testing.assert_allclose(shares.mean((1, 2)), SPOTTER_MEANS, atol=NEAR)
    seen = np.isin(shares.argmax(0), (FINDER_CLASSES.index("pipe"), FINDER_CLASSES.index("ink")))
    assert np.flatnonzero(seen[240])[0] == pytest.approx(END_COLUMN, abs=4)
    assert np.flatnonzero(seen[:, 420])[[0, -1]] == pytest.approx((PIPE_ROWS[0], PIPE_ROWS[1] - 1), abs=3)
    assert shares[FINDER_CLASSES.index("collar")].max() < 0.05, "it knows no collars"


def test_the_readers_answer_as_recorded():
    reading = networks.read(picture(128, 512))
    assert reading.shares.shape == (9, 128, 512)
    assert reading.views.shape == (4, 128, 512)
    np.testing.assert_allclose(reading.shares.mean((1, 2)), READER_MEANS, atol=NEAR)
    np.testing.assert_allclose([reading.beyond[at] for at in BEYOND_AT], BEYOND, atol=NEAR)
    np.testing.assert_allclose(reading.views.mean(0), reading.beyond, atol=1e-6)


def test_the_surveyor_answers_as_recorded():
    """A joint straightened: the same collar and pipe at either radius, with the ground beside them."""
    seen = networks.survey(straight())
    told = told_of(seen)
    np.testing.assert_allclose(told, SURVEY, atol=0.02)
    assert told[0] == pytest.approx(MOUTH_COLUMN - 0.5, abs=5), "the mouth lies where collar turns into pipe"
    assert told[2::2] == pytest.approx(SIDES, abs=3)
    assert seen.ink is not None
    assert seen.ink.shape == (256,)
    assert seen.ink.sum() == pytest.approx(INK, abs=0.01), "what looks like no ink is hardly taken for it"
    inked = straight()
    inked[20:108, LINE_COLUMN:LINE_COLUMN + 20] = (20, 20, 30) * 2
    ink = networks.survey(inked).ink
    assert ink is not None
    assert ink[LINE_COLUMN - 5:LINE_COLUMN + 6].sum() == pytest.approx(INKED, abs=0.01)


def test_the_gauger_answers_as_recorded():
    """The same picture with ground in the collar's place: a bare pipe, whose sides lie at rows that are known."""
    bare = straight()
    bare[:, :MOUTH_COLUMN] = (120, 110, 90) * 2
    told = told_of(networks.gauge(bare))
    np.testing.assert_allclose(told, GAUGE, atol=0.02)
    assert told[::2] == pytest.approx([MOUTH_COLUMN - 0.5, *SIDES], abs=3)


def test_the_seamer_answers_as_recorded():
    """Twice as fine as for the surveyor; the line is as many cells from the mouth, so half as far."""
    bare, inked = straight(192), straight(192)
    inked[20:108, LINE_COLUMN:LINE_COLUMN + 20] = (20, 20, 30) * 2
    at, told = np.arange(192), []
    for rgb in (bare, inked):
        mouth, ink = networks.seam(rgb)
        assert mouth.shape == ink.shape == (192,)
        assert mouth.sum() == pytest.approx(1, abs=1e-5)
        mean = float(mouth @ at)
        told += [mean, float(np.sqrt(mouth @ (at - mean) ** 2)), float(ink.sum())]
    np.testing.assert_allclose(told, SEAM, atol=0.02)
    assert told[::3] == pytest.approx([MOUTH_COLUMN - 0.5] * 2, abs=5)
    assert networks.seam(inked)[1][LINE_COLUMN - 8:LINE_COLUMN + 9].sum() == pytest.approx(INKED_CLOSELY, abs=0.01)


def test_the_witness_answers_as_recorded():
    """A strip about its mouth, with the line and with the pipe's own columns in the line's place."""
    inked, first = picture(128, 512), MOUTH_OF_STRIP - 64
    bare = inked.copy()
    bare[:, LINE_OF_STRIP:LINE_OF_STRIP + 30] = bare[:, 400:430]
    seen, none = (networks.witness(strip, first) for strip in (inked, bare))
    assert seen.shape == none.shape == (networks.WITNESSED,)
    begins = LINE_OF_STRIP - first
    told = seen[begins - 4:begins + 5].sum(), none.sum()
    np.testing.assert_allclose(told, WITNESS, atol=0.02)
    assert networks.witness(inked, -40).shape == seen.shape, "what lies before the strip is like its first column"


def test_the_facer_answers_as_recorded():
    """The gauger's picture, twice as fine."""
    bare = straight(192)
    bare[:, :MOUTH_COLUMN] = (120, 110, 90) * 2
    cut = networks.face(bare)
    assert cut.shape == (192,)
    assert cut.sum() == pytest.approx(1, abs=1e-5)
    mean = float(cut @ np.arange(192))
    np.testing.assert_allclose((mean, np.sqrt(cut @ (np.arange(192) - mean) ** 2)), FACE, atol=0.02)
    assert mean == pytest.approx(MOUTH_COLUMN - 0.5, abs=3)


def test_the_edger_answers_as_recorded():
    """A side of a pipe straightened: shaded pipe above, ground below, of either half mean and standard deviation."""
    y = np.arange(96)[:, None, None]
    shade = 1 - 0.5 * np.clip(1 + (y - SIDE_ROW) * 0.006, 0, 1) ** 2
    rgb = np.where(y < SIDE_ROW, shade * (210, 170, 40), (120, 110, 90)) + np.zeros((96, 192, 1))
    told = []
    for share in networks.edge(np.clip(np.round(rgb), 0, 255).astype(np.uint8)):
        mean = float(share @ np.arange(96))
        told += [mean, float(np.sqrt(share @ (np.arange(96) - mean) ** 2))]
    np.testing.assert_allclose(told, EDGE, atol=0.02)
    assert told[::2] == pytest.approx([SIDE_ROW - 0.5] * 2, abs=0.5), "where the pipe ends"


def test_the_sawyer_answers_as_recorded():
    strip = picture(128, 512)
    strip[:, :266] = (120, 110, 90)
    reading = networks.read_bare(strip)
    assert reading.views.shape == (2, 128, 512)
    np.testing.assert_allclose(reading.shares.mean((1, 2)), SAWYER_MEANS, atol=NEAR)


def test_mirrored_strips_are_read_alike():
    """Each looks both ways round the pipe: the answer hardly depends on which it was given."""
    strip = picture(128, 512)
    strip[:40, 300:320] = 30
    once, turned = networks.read(strip), networks.read(np.ascontiguousarray(strip[::-1]))
    apart, views = (np.abs(first.beyond - second).mean() for first, second in
                    ((once, turned.beyond[::-1]), (once, once.views[1])))
    assert apart < views / 2, "the mean of both ways lies nearer to itself mirrored than one way to the mean"


def test_a_moved_strip_is_told_at_its_own_places():
    strip = picture(128, 512)
    moved = networks._aside(strip)
    assert moved.shape == strip.shape
    came_back = networks._back(np.moveaxis(moved, -1, 0).astype(np.float32))[:, ::-1]
    seen = 512 - networks._MOVED
    np.testing.assert_array_equal(came_back[..., :seen], np.moveaxis(strip, -1, 0)[..., :seen])


def test_where_the_readers_differ_each_counts_for_what_it_is_asked(monkeypatch):
    """The mouth, and that there is a line, are for both alike; whether that is ink, for the reader alone."""
    ink, decoy, pipe = (networks.STRIP_CLASSES.index(name) for name in ("ink", "decoy", "pipe"))

    def by(name, _pixels, shape):
        told = {"reader": (0.6, 0.2, 0.9), "sceptic": (0.1, 0.5, 0.3)}[name]
        shares = np.zeros((len(networks.STRIP_CLASSES), *shape[:2]), np.float32)
        shares[ink], shares[decoy], shares[pipe] = told[0], told[1], 1 - told[0] - told[1]
        beyond = np.full((2, *shape[:2]), told[2], np.float32)
        return networks.Reading(shares, beyond[0], beyond)

    monkeypatch.setattr(networks, "_by", by)
    reading = networks._read.__wrapped__(b"", (2, 3, 3))
    told = [float(reading.shares[kind].mean()) for kind in (ink, decoy, pipe)]
    line = (0.6 + 0.2 + 0.1 + 0.5) / 2
    assert told == pytest.approx([line * 0.6 / 0.8, line * 0.2 / 0.8, 1 - line])
    assert float(reading.beyond.mean()) == pytest.approx((0.9 + 0.3) / 2)
    assert reading.views.shape == (4, 2, 3)
    assert float(reading.sceptic[decoy].mean()) == pytest.approx(0.5)


def test_a_dark_strip_is_read_like_a_light_one():
    light = picture(128, 512)
    dark = (light * 0.15).astype(np.uint8)
    apart = np.abs(networks.read(dark).beyond - networks.read(light).beyond).mean()
    assert apart < 0.02
    assert networks.read((light // 60).astype(np.uint8)).beyond.shape == (128, 512), "next to no light is no error"


@pytest.mark.parametrize("threads", [1, 2])
def test_two_that_are_looked_at_together_are_told_in_their_order(threads):
    """With one thread in turns, with more at the same time; what goes wrong with either comes out."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(threads)
    try:
        assert networks.in_pairs(str.upper, "first", "second") == ("FIRST", "SECOND")
        for numbers in ((0, 1), (1, 0)):
            with pytest.raises(ZeroDivisionError):
                networks.in_pairs(lambda number: 1 // number, *numbers)
    finally:
        cv2.setNumThreads(before)


def test_the_weights_are_small_enough_to_ship():
    assert {path.stem for path in WEIGHTS.glob("*.onnx")} == {"finder", "spotter", "reader", "sceptic", "sawyer",
                                                            "surveyor", "seamer", "witness", "gauger", "facer", "edger"}
    assert sum(path.stat().st_size for path in WEIGHTS.iterdir()) <= LARGEST_MB * 2**20


@pytest.mark.parametrize(("name", "mine"), [
    ("FINDER_CLASSES", FINDER_CLASSES), ("STRIP_CLASSES", STRIP_CLASSES)])
def test_classes_are_those_that_were_trained(name, mine):
    """Read from the source of `sample_images/training/nets.py`, which needs torch to be imported."""
    tree = ast.parse((ROOT / "sample_images" / "training" / "nets.py").read_text("utf-8"))
    trained = {node.targets[0].id: ast.literal_eval(node.value) for node in tree.body
               if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
               and node.targets[0].id.endswith("_CLASSES")}
    assert trained[name] == mine
