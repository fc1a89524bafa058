"""Propagation of distributions by Monte Carlo (JCGM 101), and coverage intervals from the draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.propagation.even import Even
from vision.propagation.inputs import Input
from vision.propagation.normal import normal_quantile

Floats = NDArray[np.float64]
Model = Callable[[Mapping[str, Floats]], Floats]


@dataclass(frozen=True)
class Coverage:
    """An interval that holds the quantity with the probability that was asked for."""

    low: float
    high: float


@dataclass(frozen=True)
class Draws:
    """Draws of a model's output, sorted, (draws,), with what JCGM 101 clause 7.6 takes from them."""

    values: Floats = field(repr=False)
    mean: float
    u: float

    @classmethod
    def of(cls, values: Floats) -> Draws:
        """From draws in any order.  Raises ValueError where fewer than 100 or any that is not finite."""
        if values.ndim != 1 or values.size < 100:
            raise ValueError("at least 100 draws in one row are needed to speak of their spread")
        if not np.isfinite(values).all():
            raise ValueError("the model returned values that are not finite: it must hold for every draw")
        return cls(np.sort(values), float(values.mean()), float(values.std(ddof=1)))

    def symmetric(self, probability: float = 0.95) -> Coverage:
        """The probabilistically symmetric interval (JCGM 101 clause 7.7.2)."""
        covered = _covered(self.values.size, probability)
        first = (self.values.size - covered) // 2
        return Coverage(float(self.values[first]), float(self.values[first + covered]))


def _covered(draws: int, probability: float) -> int:
    """q of JCGM 101 clause 7.7.1: how many of the draws the interval spans."""
    if not 0 < probability < 1:
        raise ValueError(f"a coverage probability lies between 0 and 1, not at {probability}")
    return min(math.floor(probability * draws + 0.5), draws - 1)


def monte_carlo(model: Model, inputs: Sequence[Input], draws: int = 100_000, seed: int = 0) -> Draws:
    """Draw every input, run the model once on all draws (JCGM 101 clauses 7.3 to 7.6).

    The same seed gives the same draws.  JCGM 101 clause 7.2 asks for some 10⁴ / (1 - p) draws, 200 000 for 95 %, of
    draws that fall where they fall; these fill each input evenly (`even`).  Raises ValueError for two inputs of one
    name and for output that is not finite.
    """
    rng = Even(seed)
    rows = (row for item in inputs for row in item.draw(rng, draws))
    drawn = dict(zip(names_of(inputs), rows, strict=True))
    return Draws.of(_run(model, drawn, draws))


def names_of(inputs: Sequence[Input]) -> list[str]:
    """All names in order.  Raises ValueError where one is used twice."""
    names = [name for item in inputs for name in item.names]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"each input needs a name of its own; used twice: {', '.join(twice)}")
    return names


def _run(model: Model, values: Mapping[str, Floats], count: int) -> Floats:
    return np.broadcast_to(np.asarray(model(values), dtype=float), (count,)).copy()


def truncated_at_zero(draws: Draws | tuple[float, float], probability: float = 0.95) -> Coverage:
    """The coverage interval of a quantity that cannot be negative, from draws or (mean, u) that can be.

    The low end never falls below 0.  Where the estimate itself is negative the high end is raised by as
    much, as if 0 had been read: otherwise an unlucky reading would give the narrowest interval of all,
    and one far below 0 an empty one.  So for normal readings of any true value g >= 0 the interval
    holds g with at least the stated probability: exactly p beyond k u, (1 + p) / 2 below, where k is the
    coverage factor.  Clipping the draws at 0, or taking only those above it, do not have that property.
    Draws that are never negative, as those of JCGM 101 clause 9.4, come through unchanged.
    """
    if isinstance(draws, Draws):
        plain, mean = draws.symmetric(probability), draws.mean
    else:
        mean, u = draws
        reach = normal_quantile((1 + probability) / 2) * u
        plain = Coverage(mean - reach, mean + reach)
    return Coverage(max(0.0, plain.low), plain.high + max(0.0, -mean))
