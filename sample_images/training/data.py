"""Reading what `studio.make` wrote: pairs of renders with their class maps and geometry."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch.utils.data import IterableDataset, get_worker_info

from . import frames, strips


@dataclass(frozen=True)
class Scene:
    """One scene on disk: whole frame, close render, truth."""

    frame: Path
    frame_classes: Path
    close: Path
    close_classes: Path
    truth: dict[str, Any]


def rgb(path: Path) -> NDArray[np.uint8]:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1], np.uint8)


def grey(path: Path) -> NDArray[np.uint8]:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), np.uint8)


def scenes(folder: Path) -> list[Scene]:
    """Every complete scene of a folder, in name order."""
    found = []
    for path in sorted(folder.glob("*.json")):
        stem = path.with_suffix("")
        files = [Path(f"{stem}{end}") for end in ("-frame.jpg", "-frame.png", "-close.jpg", "-close.png")]
        if files[0].exists() and files[1].exists():
            found.append(Scene(*files, json.loads(path.read_text())))
    return found


def has_strip(scene: Scene) -> bool:
    return scene.close.exists() and not scene.truth["no_joint"]


def truth_of(scene: Scene) -> strips.Truth:
    """The pipe's true axis and mouth in the camera frame of the close render."""
    t = scene.truth
    view, axis = t["pictures"]["close"], t["pipe_axis"]
    R, shift = np.array(view["R"]), np.array(view["t_mm"])
    point, direction = np.array(axis["point_mm"]), np.array(axis["direction"])
    mouth = point - direction * (point[0] / direction[0])
    return strips.Truth(
        np.array(view["K"]),
        R @ mouth + shift,
        R @ direction,
        axis["radius_mm"],
        t["collar_od_mm"] / 2,
        t["lip_mm"],
    )


class Frames(IterableDataset[tuple[torch.Tensor, torch.Tensor]]):
    """Endless random frames; one in `photo_every` is a real photo without a joint."""

    def __init__(self, scenes_: list[Scene], photos: list[Path], photo_every: int = 8) -> None:
        self.scenes, self.photos, self.photo_every = scenes_, photos, photo_every

    def __iter__(self) -> Iterator[tuple[torch.Tensor, torch.Tensor]]:
        info = get_worker_info()
        cv2.setNumThreads(1)
        rng = np.random.default_rng([0, info.seed if info else 0])
        while True:
            if self.photos and rng.integers(self.photo_every) == 0:
                picture, target = frames.photo_without_joint(
                    rgb(self.photos[rng.integers(len(self.photos))]), rng
                )
            else:
                scene = self.scenes[rng.integers(len(self.scenes))]
                close = scene.close.exists() and rng.random() < 0.3
                files = (scene.close, scene.close_classes) if close else (scene.frame, scene.frame_classes)
                picture, target = frames.sample(rgb(files[0]), grey(files[1]), rng)
            yield torch.from_numpy(picture).permute(2, 0, 1), torch.from_numpy(target)


class Strips(IterableDataset[tuple[torch.Tensor, torch.Tensor, torch.Tensor]]):
    """Endless random strips."""

    def __init__(self, scenes_: list[Scene]) -> None:
        self.scenes = [scene for scene in scenes_ if has_strip(scene)]

    def __iter__(self) -> Iterator[tuple[torch.Tensor, torch.Tensor, torch.Tensor]]:
        info = get_worker_info()
        cv2.setNumThreads(1)
        rng = np.random.default_rng([1, info.seed if info else 0])
        while True:
            scene = self.scenes[rng.integers(len(self.scenes))]
            picture, target, beyond = strips.sample(
                rgb(scene.close), grey(scene.close_classes), truth_of(scene), rng
            )
            yield (
                torch.from_numpy(picture).permute(2, 0, 1),
                torch.from_numpy(target),
                torch.from_numpy(beyond),
            )
