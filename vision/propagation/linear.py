"""The law of propagation of uncertainty (JCGM 100 clause 5), with a budget of named parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.propagation.inputs import Input
from vision.propagation.spread import Coverage, Model, names_of
from vision.propagation.student import t_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """One line of the budget: |sensitivity| times u of an input, and its share of the variance.

    sensitivities: one a member, (k,), output units per input unit.
    """

    name: str
    u: float
    share: float
    dof: float
    sensitivities: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class FirstOrder:
    """A result of the law of propagation.  budget: parts, largest first.

    dof: effective degrees of freedom (Welch-Satterthwaite, JCGM 100 equation G.2b), not truncated.
    """

    value: float
    u: float
    dof: float
    budget: tuple[Part, ...]
    gradient: Floats = field(repr=False)
    input_covariance: Floats = field(repr=False)

    def coverage_factor(self, probability: float = 0.95) -> float:
        """Student's t for nu_eff truncated to the next lower whole number first (JCGM 100 clause G.4.1).

        Interpolating, or truncating the factor afterwards, gives a factor that is too small.
        """
        whole = max(1, math.floor(self.dof)) if math.isfinite(self.dof) else math.inf
        return t_quantile((1 + probability) / 2, whole)

    def interval(self, probability: float = 0.95) -> Coverage:
        """value +- coverage factor times u."""
        reach = self.coverage_factor(probability) * self.u
        return Coverage(self.value - reach, self.value + reach, probability)


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
    budget = _budget(inputs, gradient, u)
    return FirstOrder(value, u, _effective_dof(budget, u), budget, gradient, covariance)


def covariance_between(one: FirstOrder, other: FirstOrder) -> float:
    """Covariance of two outputs of the same inputs in the same order (JCGM 100 equation H.9)."""
    if not np.array_equal(one.input_covariance, other.input_covariance):
        raise ValueError("the two results come from different inputs; propagate both through the same list")
    return float(one.gradient @ one.input_covariance @ other.gradient)


def correlation_between(one: FirstOrder, other: FirstOrder) -> float:
    """Correlation coefficient of two outputs of the same inputs.  Raises ValueError where one has u = 0."""
    if one.u == 0 or other.u == 0:
        raise ValueError("a result without uncertainty has no correlation")
    return covariance_between(one, other) / (one.u * other.u)


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
        parts.append(Part(item.name, math.sqrt(variance), share, item.dof, tuple(float(x) for x in c)))
    return tuple(sorted(parts, key=lambda part: -part.u))


def _effective_dof(budget: Sequence[Part], u: float) -> float:
    """Welch-Satterthwaite (JCGM 100 equation G.2b)."""
    spent = sum(part.u**4 / part.dof for part in budget)
    return u**4 / spent if spent > 0 else math.inf


def _block_diagonal(blocks: Sequence[Floats]) -> Floats:
    size = sum(len(block) for block in blocks)
    whole, start = np.zeros((size, size)), 0
    for block in blocks:
        whole[start : start + len(block), start : start + len(block)] = block
        start += len(block)
    return whole
