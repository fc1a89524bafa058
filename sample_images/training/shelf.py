"""Scenes that `studio.make` wrote, decoded once and kept in the training device's memory.

A shelf can be filled while training runs: scenes appear on it as the renderer finishes them.
"""

from __future__ import annotations

import json
import multiprocessing
import random
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

SIDE_PX = 768
IGNORE = 255
FAINT = 12  # beyond the classes of the render: painted ink that may be seen or not
NUMBERS = 23


@dataclass(frozen=True)
class View:
    """One picture of a scene: sRGB and classes, top left in a square of SIDE_PX, and its true geometry.

    numbers: K (9), mouth (3) and axis (3) in the camera's frame, radii of pipe, collar and lip, 1 for a joint, 1 for
    a mouth or a cut, the cut's lean (3); zeros where the scene has no pipe.
    """

    close: bool
    rgb: NDArray[np.uint8]
    classes: NDArray[np.uint8]
    size: tuple[int, int]
    numbers: NDArray[np.float64]


def views_of(path: Path, kinds: tuple[str, ...]) -> list[View]:
    """The views of these kinds (`frame`, `close`), from all places, of the scene whose truth lies at `path`."""
    truth = json.loads(path.read_text())
    found = []
    for kind in (name for name in truth["pictures"] if name.startswith(kinds)):
        stem = f"{path.with_suffix('')}-{kind}"
        rgb, classes = cv2.imread(f"{stem}.jpg"), cv2.imread(f"{stem}.png", cv2.IMREAD_UNCHANGED)
        if rgb is not None and classes is not None:
            found.append(_view(rgb[..., ::-1], classes, not kind.startswith("frame"), _numbers(truth, kind)))
    return found


def photo(path: Path) -> list[View]:
    """A photo without a joint: background, whatever it shows."""
    rgb = cv2.imread(str(path))
    scale = SIDE_PX / max(rgb.shape[:2])
    rgb = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    rgb = np.ascontiguousarray(rgb[:SIDE_PX, :SIDE_PX, ::-1])
    return [_view(rgb, np.zeros(rgb.shape[:2], np.uint8), False, np.zeros(NUMBERS))]


def _view(rgb: NDArray[Any], classes: NDArray[Any], close: bool, numbers: NDArray[np.float64]) -> View:
    h, w = classes.shape
    square = np.zeros((SIDE_PX, SIDE_PX, 3), np.uint8)
    named = np.full((SIDE_PX, SIDE_PX), IGNORE, np.uint8)
    square[:h, :w], named[:h, :w] = rgb, classes
    return View(close, square, named, (w, h), numbers)


def _numbers(truth: dict[str, Any], kind: str) -> NDArray[np.float64]:
    axis = truth["pipe_axis"]
    if axis is None or truth["scenario"] == "rod":
        return np.zeros(NUMBERS)
    view = truth["pictures"][kind]
    R, shift = np.array(view["R"]), np.array(view["t_mm"])
    point, direction = np.array(axis["point_mm"]), np.array(axis["direction"])
    mouth = point - direction * (point[0] / direction[0])
    joint, lean = not truth["no_joint"], axis["lean"]
    radii = (axis["radius_mm"], truth["collar_od_mm"] / 2, truth["lip_mm"], joint, joint or lean is not None)
    return np.concatenate([np.array(view["K"]).ravel(), R @ mouth + shift, R @ direction, radii,
                           R @ np.array(lean or (0.0, 0.0, 0.0))])


@dataclass(frozen=True)
class Pictures:
    """Views taken off a shelf: rgb (batch, 3, side, side) 0..1, classes (batch, side, side), size (batch, 2)."""

    rgb: Tensor
    classes: Tensor
    size: Tensor


class Shelf:
    """Views in device memory: rgb (n, side, side, 3), classes (n, side, side), size (n, 2), numbers (n, NUMBERS)."""

    def __init__(self, capacity: int, device: str) -> None:
        self.device, self.count, self._lock, self._dice = device, 0, threading.Lock(), random.Random(7)
        self.rgb = torch.zeros((capacity, SIDE_PX, SIDE_PX, 3), dtype=torch.uint8, device=device)
        self.classes = torch.zeros((capacity, SIDE_PX, SIDE_PX), dtype=torch.uint8, device=device)
        self.size = torch.zeros((capacity, 2), device=device)
        self.numbers = torch.zeros((capacity, NUMBERS), dtype=torch.float64, device=device)

    def put(self, view: View) -> None:
        """One more view; on a full shelf it takes the place of another."""
        with self._lock:
            full = self.count == len(self.rgb)
            at = self._dice.randrange(self.count) if full else self.count
            self.rgb[at] = torch.from_numpy(view.rgb).to(self.device)
            self.classes[at] = torch.from_numpy(view.classes).to(self.device)
            self.size[at] = torch.tensor(view.size, dtype=torch.float32, device=self.device)
            self.numbers[at] = torch.from_numpy(view.numbers).to(self.device)
            self.count += not full

    def taken(self, index: Tensor) -> Pictures:
        """These views."""
        rgb = self.rgb[index].permute(0, 3, 1, 2).float() / 255
        return Pictures(rgb, self.classes[index], self.size[index])


class Filler:
    """Decodes scenes in processes of its own and puts their views on shelves, as long as new ones appear."""

    def __init__(self, folders: list[Path], kinds: tuple[str, ...], workers: int) -> None:
        # before the device is touched: a forked child must not inherit it
        self.pool = multiprocessing.get_context("fork").Pool(workers)
        self.folders, self.kinds, self.done = folders, kinds, set[Path]()

    def fresh(self) -> Iterator[list[View]]:
        """Views of each scene that wasn't there before."""
        new = [path for folder in self.folders for path in sorted(folder.glob("*.json")) if path not in self.done]
        self.done.update(new)
        yield from self.pool.imap(_Views(self.kinds), new)

    def keep_filling(self, shelves: dict[bool, Shelf], pause_s: float = 8.0) -> None:
        """Go on in the background, until the program ends."""

        def fill() -> None:
            while True:
                for views in self.fresh():
                    for view in views:
                        shelves[view.close].put(view)
                time.sleep(pause_s)

        threading.Thread(target=fill, daemon=True).start()


@dataclass(frozen=True)
class _Views:
    """`views_of` with its kinds, as something that a process pool can send; a broken scene gives nothing."""

    kinds: tuple[str, ...]

    def __call__(self, path: Path) -> list[View]:
        cv2.setNumThreads(1)
        try:
            return views_of(path, self.kinds)
        except (OSError, ValueError, KeyError, cv2.error):
            return []


def numbers(rows: Tensor) -> tuple[Tensor, ...]:
    """K (n, 3, 3), mouth and axis (n, 3), radii of pipe, collar and lip (n,), joint and end (n,) bool, lean (n, 3)."""
    return (rows[:, :9].reshape(-1, 3, 3), rows[:, 9:12], rows[:, 12:15], rows[:, 15], rows[:, 16], rows[:, 17],
            rows[:, 18] > 0.5, rows[:, 19] > 0.5, rows[:, 20:23])
