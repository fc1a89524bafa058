"""The law of propagation of uncertainty (JCGM 100 clause 5), with a budget of named parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.propagation.inputs import Input
from vision.propagation.spread import Model, names_of

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """One line of the budget: |sensitivity| times u of an input, and its share of the variance."""

    name: str
    u: float
    share: float


@dataclass(frozen=True)
class FirstOrder:
    """A result of the law of propagation.  budget: parts, largest first."""

    value: float
    u: float
    budget: tuple[Part, ...]


def first_order(model: Model, inputs: Sequence[Input], step: float = 0.01) -> FirstOrder:
    """Propagate estimates and covariances through the tangent of the model at the estimates.

    step: half width of the numeric derivative in standard uncertainties; five points, so exact up to
    cubic models.  All points are one call of the model.  Where the tangent is level (JCGM 100 5.1.2 note)
    u is 0 and wrong: use `monte_carlo`.  Raises ValueError for two inputs of one name.
    """
    names = names_of(inputs)
    estimates = np.concatenate([item.estimates() for item in inputs])
    covariance = _block_diagonal([item.covariance() for item in inputs])
    steps = step * np.sqrt(np.diag(covariance))
    value, gradient = _value_and_gradient(model, names, estimates, steps)
    u = math.sqrt(max(0.0, float(gradient @ covariance @ gradient)))
    return FirstOrder(value, u, _budget(inputs, gradient, u))


def _value_and_gradient(model: Model, names: list[str], at: Floats, steps: Floats) -> tuple[float, Floats]:
    """The model and its derivatives at `at`, from 4 k + 1 points; no step, no derivative (0)."""
    k = at.size
    offsets = np.array([-2.0, -1.0, 1.0, 2.0])
    points = np.repeat(at[:, None], 4 * k + 1, axis=1)
    for i in range(k):
        points[i, 4 * i + 1 : 4 * i + 5] += offsets * steps[i]
    out = np.broadcast_to(np.asarray(model(dict(zip(names, points, strict=True))), dtype=float), (4 * k + 1,))
    slopes = out[1:].reshape(k, 4) @ np.array([1.0, -8.0, 8.0, -1.0]) / 12
    gradient = np.divide(slopes, steps, out=np.zeros(k), where=steps > 0)
    return float(out[0]), gradient


def _budget(inputs: Sequence[Input], gradient: Floats, u: float) -> tuple[Part, ...]:
    parts, start = [], 0
    for item in inputs:
        c = gradient[start : start + len(item.names)]
        start += len(item.names)
        variance = max(0.0, float(c @ item.covariance() @ c))
        share = variance / u**2 if u > 0 else 0.0
        parts.append(Part(item.name, math.sqrt(variance), share))
    return tuple(sorted(parts, key=lambda part: -part.u))


def _block_diagonal(blocks: Sequence[Floats]) -> Floats:
    size = sum(len(block) for block in blocks)
    whole, start = np.zeros((size, size)), 0
    for block in blocks:
        whole[start : start + len(block), start : start + len(block)] = block
        start += len(block)
    return whole
