"""Draws that fill each input's distribution evenly: a Latin hypercube (McKay, Beckman and Conover, 1979).

Of n draws of a quantity one lies in the middle of each of n strata of equal probability; which draws of several
quantities meet is left to chance.  So where one quantity makes most of the uncertainty the ends of its interval hardly
depend on the seed; of a gap, which many make, they scatter by 0.03 of its standard uncertainty with 4,000 draws, where
draws that fall where they fall scatter by 0.04 (four scenes, thirty seeds).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.propagation.normal import normal_quantile

Floats = NDArray[np.float64]


class Even:
    """Asked like a numpy generator, for (rows, count) draws at a time.  The same seed gives the same draws."""

    def __init__(self, seed: int) -> None:
        self._rng = np.random.default_rng(seed)

    def standard_normal(self, shape: tuple[int, int]) -> Floats:
        """Of the standard normal distribution."""
        return self._shuffled(_scores(shape[1]), shape[0])

    def uniform(self, low: float, high: float, shape: tuple[int, int]) -> Floats:
        """From low to high."""
        return low + (high - low) * self.random(shape)

    def random(self, shape: tuple[int, int]) -> Floats:
        """From 0 to 1."""
        return self._shuffled(_middles(shape[1]), shape[0])

    def _shuffled(self, values: Floats, rows: int) -> Floats:
        return np.asarray(self._rng.permuted(np.tile(values, (rows, 1)), axis=1))


def _middles(count: int) -> Floats:
    return (np.arange(count) + 0.5) / count


@lru_cache(maxsize=4)
def _scores(count: int) -> Floats:
    return np.array([normal_quantile(float(p)) for p in _middles(count)])
