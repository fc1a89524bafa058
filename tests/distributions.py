"""Inputs that published examples ask for and the program does not: distributions of JCGM 101 clause 6.4."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from zlib import crc32

import numpy as np

from vision.propagation import Even
from vision.records import Floats

Drawn = Callable[[np.random.Generator, int], Floats]


@dataclass(frozen=True)
class Told:
    """An `Input` of one quantity by its estimate, its standard uncertainty and how it is drawn."""

    name: str
    mean: float
    u: float
    drawn: Drawn

    @property
    def names(self) -> tuple[str, ...]:
        return (self.name,)

    def estimates(self) -> Floats:
        return np.array([self.mean])

    def covariance(self) -> Floats:
        return np.array([[self.u**2]])

    def draw(self, rng: Even, count: int) -> Floats:
        """By a generator of its own: these fall where they fall."""
        seed = int(1e9 * rng.random((1, 100))[0, 0]) + crc32(self.name.encode())
        return self.drawn(np.random.default_rng(seed), count)[None]


def student_t(name: str, mean: float, scale: float, dof: float) -> Told:
    """A mean of few readings (6.4.9); its u is `scale`, as in JCGM 100 clause 4.2."""
    return Told(name, mean, scale, lambda rng, count: mean + scale * rng.standard_t(dof, count))


def arcsine(name: str, low: float, high: float) -> Told:
    """A sinusoidal cycle of unknown phase (6.4.6)."""
    centre, half = (low + high) / 2, (high - low) / 2
    return Told(name, centre, half / math.sqrt(2),
                lambda rng, count: centre + half * np.sin(2 * np.pi * rng.random(count)))


def trapezoid(name: str, low: float, high: float, inexact: float) -> Told:
    """A rectangle whose limits are themselves known only to +- `inexact` (6.4.3)."""
    half = (high - low) / 2

    def drawn(rng: np.random.Generator, count: int) -> Floats:
        lower = low + inexact * rng.uniform(-1, 1, count)
        return np.asarray(lower + (low + high - 2 * lower) * rng.random(count))

    return Told(name, (low + high) / 2, math.sqrt(half**2 / 3 + inexact**2 / 9), drawn)
