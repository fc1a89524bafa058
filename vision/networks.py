"""The networks that look at pictures: shipped weights, run by ONNX Runtime.

`finder` looks at a 640 x 480 picture: what is pipe, collar, other hardware, ink, or lies over them.  `spotter` tells
the same of a bare pipe's end, once that is known to lie there, level and of one size.
`reader` and `sceptic` look at the flat strip: what each cell is, and whether it lies beyond the collar's mouth.
They are built alike and learnt from different worlds, the sceptic's full of grease, dirt and rings at the mouth.
Where they differ nobody should be sure, and the mean of the two is not.  `sawyer`, built alike too, reads the strip of
a bare pipe: its cut and its ink.  `witness` looks at the strip about the mouth, with one question: whether ink is
there, and where it begins.
`surveyor` looks at the joint straightened: where along it the mouth lies, where the pipe's sides are, and where the
first ink begins; `seamer` looks at the mouth again, twice as finely: where it lies, and where ink begins near it.
`gauger` looks at a bare pipe straightened: where it ends, and where its sides are; `facer` looks at its cut again,
twice as finely.  `edger` looks at one side of a pipe or a collar, straightened and closely: where it is, to a
thousandth of the pipe's half width.
How they were made, on what, and how good they are: DEVELOPERS.md, "The networks".
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from threading import Lock
from typing import TypeVar

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Shares = NDArray[np.float32]
_Asked = TypeVar("_Asked")
_Told = TypeVar("_Told")

FINDER_CLASSES = ("background", "pipe", "collar", "hardware", "ink", "over")
STRIP_CLASSES = ("off", "pipe", "collar", "ink", "decoy", "print", "dirt", "grease", "over")
_INK, _DECOY = STRIP_CLASSES.index("ink"), STRIP_CLASSES.index("decoy")
FINDER_SIZE_PX = (640, 480)
SPOTTER_SIZE_PX = (512, 384)
DARK = 100  # of 255, the light parts of a strip; of 352 strips of renders one in a hundred was darker
MOST_LIFT = 4.0
WITNESSED = 192  # columns of a strip
_IN_PAIRS = ("reader", "sceptic", "edger")  # two of these look at the same time, each with half of the threads
_LOADING: defaultdict[str, Lock] = defaultdict(Lock)
_MOVED = 12  # columns by which the mirrored strip is moved as well: the coarser strides (8, 16, 32) then fall elsewhere


@cache
def _share_memory() -> None:
    """Have all networks take memory from one store: with a store of its own each keeps what its largest answer took."""
    memory = onnxruntime.OrtMemoryInfo("Cpu", onnxruntime.OrtAllocatorType.ORT_ARENA_ALLOCATOR, 0,
                                       onnxruntime.OrtMemType.DEFAULT)
    onnxruntime.create_and_register_allocator(memory, None)


def _network(name: str) -> onnxruntime.InferenceSession:
    with _LOADING[name]:  # two that look at the same time load it once
        return _loaded(name)


@cache
def _loaded(name: str) -> onnxruntime.InferenceSession:
    _share_memory()
    weights = resources.files("vision").joinpath("weights", f"{name}.onnx").read_bytes()
    options = onnxruntime.SessionOptions()
    threads = cv2.getNumThreads()  # one knob for all that computes: a job's workers set it to 1
    options.intra_op_num_threads = max(1, threads // 2) if name in _IN_PAIRS else threads
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # threads that spin hold up other work
    options.add_session_config_entry("session.use_env_allocators", "1")
    return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])


def in_pairs(look: Callable[[_Asked], _Told], first: _Asked, second: _Asked) -> tuple[_Told, _Told]:
    """What is told of each, both looked at at the same time: small networks make little of several threads."""
    if cv2.getNumThreads() == 1:
        return look(first), look(second)
    with ThreadPoolExecutor(1) as beside:
        other = beside.submit(look, second)
        return look(first), other.result()


def _logits(name: str, rgb: Bytes) -> Shares:
    blob = rgb.transpose(2, 0, 1)[None].astype(np.float32)
    (logits,) = _network(name).run(None, {"rgb": blob})
    return np.asarray(logits[0], np.float32)


def _softmax(logits: Shares) -> Shares:
    powers = logits - logits.max(0)
    flat = powers.reshape(len(powers), -1)
    cv2.exp(flat, flat)  # in place, several numbers at a time
    powers /= powers.sum(0)
    return np.asarray(powers, np.float32)


def likeliest(shares: Shares) -> Bytes:
    """The class of every pixel of (classes, rows, columns) probabilities; where one has more than a half it is that."""
    best = np.zeros(shares.shape[1:], np.uint8)
    sure = np.zeros(shares.shape[1:], bool)
    for index, share in enumerate(shares):
        most = share > 0.5
        best += most.view(np.uint8) * np.uint8(index)
        sure |= most
    best[~sure] = shares[:, ~sure].argmax(0)
    return best


def find(rgb: Bytes) -> Shares:
    """Class probabilities (6, 480, 640) of a (480, 640, 3) picture, in the order of FINDER_CLASSES."""
    return _enlarged(_softmax(_logits("finder", rgb)))


def spot(rgb: Bytes) -> Shares:
    """The same of a close look at a bare pipe's end; it knows no collars."""
    small = np.asarray(cv2.resize(rgb, SPOTTER_SIZE_PX, interpolation=cv2.INTER_AREA), np.uint8)
    return _enlarged(_softmax(_logits("spotter", small)))


def _enlarged(shares: Shares) -> Shares:
    """Probabilities at the size of a look: every second pixel tells as much, in half the time."""
    enlarged = np.empty((len(shares), *FINDER_SIZE_PX[::-1]), np.float32)
    for share, plane in zip(shares, enlarged, strict=True):
        cv2.resize(share, FINDER_SIZE_PX, plane, interpolation=cv2.INTER_LINEAR)
    return enlarged


@dataclass(frozen=True)
class Reading:
    """What the reader says of a strip.

    shares: (9, rows, cols) class probabilities.  beyond: (rows, cols) probability of lying beyond the mouth;
    views: (4 or 2, rows, cols) the same from each reading that `beyond` is the mean of.  sceptic: (9, rows, cols) what
    the sceptic alone says of a joint's strip.
    """

    shares: Shares
    beyond: Shares
    views: Shares
    sceptic: Shares | None = None


def read(rgb: Bytes) -> Reading:
    """Read a (128, 512, 3) strip.

    Both networks read it, as it is and mirrored round the pipe and moved along it, and the four answers are averaged:
    what is true of a joint does not change with them, and a guess does.  The last strip's reading is kept: squaring the
    axis and measuring the gap ask for the same one.
    """
    return _read(rgb.tobytes(), rgb.shape)


def read_bare(rgb: Bytes) -> Reading:
    """Read a (128, 512, 3) strip of a bare pipe, as it is and mirrored and moved; `beyond` is beyond its cut."""
    return _by("sawyer", rgb.tobytes(), rgb.shape)


@dataclass(frozen=True)
class Straight:
    """What is seen on a straightened picture of (128, 256) cells.

    mouth: (256,) probability of each column to be where the mouth is, or a bare pipe's end.  sides: (128,) each, of
    each row to be where the pipe's first and second side are.  ink: (256,) of each column to be where a joint's first
    ink begins; what they lack of 1 is that none is seen.
    """

    mouth: Shares
    sides: tuple[Shares, Shares]
    ink: Shares | None = None


def survey(picture: Bytes) -> Straight:
    """Look at a joint straightened, (128, 256, 6)."""
    return _straight("surveyor", picture)


def seam(picture: Bytes) -> tuple[Shares, Shares]:
    """Look at a mouth straightened closely, (128, 192, 6): of each column, how likely the mouth is there, and how
    likely the first ink begins there; what the second lacks of 1 is that none is seen."""
    mouth, ink = np.split(_logits("seamer", picture), [picture.shape[1]])
    return _shares(mouth), _shares(ink)[:-1]


def witness(rgb: Bytes, first: int) -> Shares:
    """Look at WITNESSED columns of a (128, columns, 3) strip from `first` on: of each, how likely the first ink begins
    there; what they lack of 1 is that none is seen.

    `first` may lie before the strip: what its outermost columns show stands in for what it lacks.
    """
    near = np.clip(np.arange(first, first + WITNESSED), 0, rgb.shape[1] - 1)
    return _shares(_logits("witness", _lifted(rgb)[:, near]))[:-1]


def gauge(picture: Bytes) -> Straight:
    """Look at a bare pipe straightened, (128, 256, 6)."""
    return _straight("gauger", picture)


def face(picture: Bytes) -> Shares:
    """Look at a bare pipe's cut straightened closely, (128, 192, 6): of each column, how likely the cut is there."""
    return _shares(_logits("facer", picture))


def edge(picture: Bytes) -> tuple[Shares, Shares]:
    """Look at one side of a pipe straightened, (96, 192, 3): of each row, how likely the side is there, by halves."""
    near, far = np.split(_logits("edger", picture), 2)
    return _shares(near), _shares(far)


def _straight(name: str, picture: Bytes) -> Straight:
    rows, columns, _ = picture.shape
    mouth, first, second, ink = np.split(_logits(name, picture), np.cumsum([columns, rows, rows]))
    return Straight(_shares(mouth), (_shares(first), _shares(second)), _shares(ink)[:-1] if len(ink) else None)


def _shares(logits: Shares) -> Shares:
    powers = np.exp(logits - logits.max())
    return np.asarray(powers / powers.sum(), np.float32)


@lru_cache(maxsize=1)
def _read(pixels: bytes, shape: tuple[int, ...]) -> Reading:
    reader, sceptic = in_pairs(lambda name: _by(name, pixels, shape), "reader", "sceptic")
    beyond = np.concatenate([reader.views, sceptic.views])
    both = np.asarray((reader.shares + sceptic.shares) / 2, np.float32)
    return Reading(_told_apart(both, reader.shares), beyond.mean(0), beyond, sceptic.shares)


@lru_cache(maxsize=2)
def _by(name: str, pixels: bytes, shape: tuple[int, ...]) -> Reading:
    """What one network reads, as it is and mirrored and moved."""
    rgb = _lifted(np.frombuffer(pixels, np.uint8).reshape(shape))
    shares, views = [], []
    for mirrored in (False, True):
        logits = _back(_logits(name, _aside(rgb))) if mirrored else _logits(name, rgb)
        turned = logits[:, ::-1] if mirrored else logits
        shares.append(_softmax(turned[:-1]))
        views.append(np.asarray(1 / (1 + np.exp(-turned[-1])), np.float32))
    beyond = np.stack(views)
    return Reading(np.asarray((shares[0] + shares[1]) / 2, np.float32), beyond.mean(0), beyond)


def _aside(rgb: Bytes) -> Bytes:
    """The strip mirrored, and moved by _MOVED columns; before it stands what its first column shows."""
    mirrored = rgb[::-1]
    return np.concatenate([np.repeat(mirrored[:, :1], _MOVED, axis=1), mirrored[:, :-_MOVED]], axis=1)


def _back(logits: Shares) -> Shares:
    """Answers to a moved strip at their places on the strip; what left it on the right is told as its last column."""
    return np.concatenate([logits[..., _MOVED:], np.repeat(logits[..., -1:], _MOVED, axis=-1)], axis=-1)


def forget() -> None:
    """Let go of the last strips' readings: for whoever measures what a reading costs."""
    _read.cache_clear()
    _by.cache_clear()


def _lifted(rgb: Bytes) -> Bytes:
    """A strip darker than 99 in 100 of those looked at, made as light as they are: dark ones are misread."""
    light = float(np.percentile(np.maximum.reduce(cv2.split(rgb)), 95))
    if light >= DARK:
        return rgb
    return cv2.convertScaleAbs(rgb, alpha=min(DARK / max(light, 1.0), MOST_LIFT)).astype(np.uint8)


def _told_apart(both: Shares, reader: Shares) -> Shares:
    """Whether a line is ink or a look-alike is for the reader alone; that there is one, for both.

    In the sceptic's world look-alike rings are far commoner than in a trench, so it calls too many lines one.
    """
    line = both[_INK] + both[_DECOY]
    ink = line * reader[_INK] / np.maximum(reader[_INK] + reader[_DECOY], 1e-6)
    both[_INK], both[_DECOY] = ink, line - ink
    return both
