"""What is known of an input quantity, one frozen record a distribution.

Every record answers the same four questions: its `names`, the `estimates` of its members, their
`covariance`, and `draw`.  The estimate and standard uncertainty follow JCGM 100 clause 4, the draws
JCGM 101 clause 6.4.  `dof` are the degrees of freedom that the first-order law uses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class Input(Protocol):
    """What `monte_carlo` and `first_order` ask of an input; one record may hold several quantities."""

    @property
    def name(self) -> str:
        """The line of the budget that this input fills."""

    @property
    def dof(self) -> float:
        """Degrees of freedom of the standard uncertainty; infinite where it is held to be known."""

    @property
    def names(self) -> tuple[str, ...]:
        """The k names by which the model asks for the quantities."""

    def estimates(self) -> Floats:
        """Best estimates, (k,)."""

    def covariance(self) -> Floats:
        """Covariance of the estimates, (k, k)."""

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (k, count)."""


class _Single:
    """An input of one quantity: all but its moments and its draws."""

    name: str

    @property
    def names(self) -> tuple[str, ...]:
        return (self.name,)

    def moments(self) -> tuple[float, float]:
        """Best estimate and standard uncertainty."""
        raise NotImplementedError

    def estimates(self) -> Floats:
        return np.array([self.moments()[0]], dtype=float)

    def covariance(self) -> Floats:
        return np.array([[self.moments()[1] ** 2]], dtype=float)


def _refuse_unless(holds: bool, name: str, sentence: str) -> None:
    if not holds:
        raise ValueError(f"input {name!r}: {sentence}")


@dataclass(frozen=True)
class Normal(_Single):
    """A normal distribution (JCGM 101 clause 6.4.7).

    Raises ValueError for a negative or non-finite u.
    """

    name: str
    mean: float
    u: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        _refuse_unless(0 <= self.u < math.inf, self.name, "u must be a finite number of at least 0")

    def moments(self) -> tuple[float, float]:
        """Mean and u."""
        return self.mean, self.u

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (1, count)."""
        return self.mean + self.u * rng.standard_normal((1, count))


@dataclass(frozen=True)
class StudentT(_Single):
    """A scaled and shifted t distribution: a mean of few readings (JCGM 101 clause 6.4.9).

    Its standard uncertainty is `scale`, as in JCGM 100 clause 4.2, where the degrees of freedom carry the
    rest; the draws scatter more, by sqrt(dof / (dof - 2)).  Raises ValueError for scale < 0 or dof <= 0.
    """

    name: str
    mean: float
    scale: float
    dof: float

    def __post_init__(self) -> None:
        _refuse_unless(0 <= self.scale < math.inf, self.name, "scale must be a finite number of at least 0")
        _refuse_unless(self.dof > 0, self.name, "dof must be above 0")

    @classmethod
    def from_readings(cls, name: str, readings: ArrayLike) -> StudentT:
        """The mean of n independent readings: scale s / sqrt(n), dof n - 1 (JCGM 100 clause 4.2.3).

        Raises ValueError for fewer than two readings.
        """
        values = np.asarray(readings, dtype=float).ravel()
        _refuse_unless(values.size >= 2, name, "at least two readings are needed to see their scatter")
        scale = float(values.std(ddof=1)) / math.sqrt(values.size)
        return cls(name, float(values.mean()), scale, values.size - 1)

    def moments(self) -> tuple[float, float]:
        """Mean and scale."""
        return self.mean, self.scale

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (1, count)."""
        if math.isinf(self.dof):
            return self.mean + self.scale * rng.standard_normal((1, count))
        return self.mean + self.scale * rng.standard_t(self.dof, (1, count))


@dataclass(frozen=True)
class _Bounded(_Single):
    name: str
    low: float
    high: float
    dof: float = math.inf

    def __post_init__(self) -> None:
        holds = -math.inf < self.low <= self.high < math.inf
        _refuse_unless(holds, self.name, "low and high must be finite, low <= high")

    @property
    def centre(self) -> float:
        """Midpoint of the limits."""
        return (self.low + self.high) / 2

    @property
    def half(self) -> float:
        """Half width between the limits."""
        return (self.high - self.low) / 2


@dataclass(frozen=True)
class Rectangular(_Bounded):
    """All values between two limits alike: u = half / sqrt(3) (JCGM 100 4.3.7, JCGM 101 6.4.2).

    `dof` may say how well the limits themselves are known (JCGM 100 equation G.3); draws ignore it, and
    `CurvilinearTrapezoid` is the record whose draws heed it.
    """

    def moments(self) -> tuple[float, float]:
        """Midpoint and half / sqrt(3)."""
        return self.centre, self.half / math.sqrt(3)

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (1, count)."""
        return rng.uniform(self.low, self.high, (1, count))


@dataclass(frozen=True)
class Triangular(_Bounded):
    """The sum of two equal rectangular quantities: u = half / sqrt(6) (JCGM 100 4.3.9, JCGM 101 6.4.5)."""

    def moments(self) -> tuple[float, float]:
        """Midpoint and half / sqrt(6)."""
        return self.centre, self.half / math.sqrt(6)

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (1, count)."""
        return self.low + self.half * (rng.random((1, count)) + rng.random((1, count)))


@dataclass(frozen=True)
class Arcsine(_Bounded):
    """A sinusoidal cycle of unknown phase: u = half / sqrt(2) (JCGM 101 6.4.6)."""

    def moments(self) -> tuple[float, float]:
        """Midpoint and half / sqrt(2)."""
        return self.centre, self.half / math.sqrt(2)

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (1, count)."""
        return self.centre + self.half * np.sin(2 * np.pi * rng.random((1, count)))


@dataclass(frozen=True)
class CurvilinearTrapezoid(_Single):
    """A rectangle whose limits are themselves known only to +- `inexact` (JCGM 101 clause 6.4.3).

    Variance half²/3 + inexact²/9.  Its degrees of freedom follow from how well the width is known,
    (half / inexact)² / 2 (JCGM 100 equation G.3).  Raises ValueError unless 0 <= inexact <= half.
    """

    name: str
    low: float
    high: float
    inexact: float

    def __post_init__(self) -> None:
        holds = 0 <= self.inexact <= self.half < math.inf
        _refuse_unless(holds, self.name, "inexact must lie between 0 and half the width between the limits")

    @property
    def half(self) -> float:
        """Half width between the limits."""
        return (self.high - self.low) / 2

    @property
    def dof(self) -> float:
        """Degrees of freedom of the width (JCGM 100 equation G.3)."""
        return math.inf if self.inexact == 0 else (self.half / self.inexact) ** 2 / 2

    def moments(self) -> tuple[float, float]:
        """Midpoint and sqrt(half²/3 + inexact²/9)."""
        return (self.low + self.high) / 2, math.sqrt(self.half**2 / 3 + self.inexact**2 / 9)

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (1, count): first the lower limit, the upper in mirror of it, then a value between."""
        lower = self.low + self.inexact * rng.uniform(-1, 1, (1, count))
        return lower + (self.low + self.high - 2 * lower) * rng.random((1, count))


def symmetric_root(covariance: Floats) -> Floats:
    """The symmetric square root (k, k) of a covariance.

    Eigenvectors are known but for their signs, and of equal variances not even so far: a root made of them alone turns
    with the last bit of a number, and answers would differ from one machine to another.
    """
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.clip(values, 0, None))) @ vectors.T)


@dataclass(frozen=True, eq=False)
class NormalGroup:
    """Quantities that belong together: a multivariate normal (JCGM 101 clause 6.4.8), one budget line.

    members: the k names.  mean: (k,).  matrix: (k, k) covariance.
    Raises ValueError when the shapes disagree or the matrix is no covariance.
    """

    name: str
    members: tuple[str, ...]
    mean: Floats
    matrix: Floats
    dof: float = math.inf

    def __post_init__(self) -> None:
        k = len(self.members)
        fits = np.shape(self.mean) == (k,) and np.shape(self.matrix) == (k, k)
        _refuse_unless(fits, self.name, f"{k} members need {k} means and a {k} x {k} covariance")
        slack = 1e-9 * float(np.abs(self.matrix).max())
        symmetric = np.allclose(self.matrix, np.transpose(self.matrix), rtol=0, atol=slack)
        _refuse_unless(symmetric, self.name, "the covariance is not symmetric")
        _refuse_unless(bool(np.linalg.eigvalsh(self.matrix)[0] >= -slack * k), self.name,
                       "the covariance has a negative variance in some direction")

    @classmethod
    def from_readings(cls, name: str, members: Sequence[str], readings: ArrayLike) -> NormalGroup:
        """Means of n simultaneous readings, (k, n), with their covariance (JCGM 100 equation 17)."""
        values = np.atleast_2d(np.asarray(readings, dtype=float))
        n = values.shape[1]
        _refuse_unless(n >= 2, name, "at least two sets of readings are needed to see their scatter")
        return cls(name, tuple(members), values.mean(axis=1), np.atleast_2d(np.cov(values)) / n, n - 1)

    @property
    def names(self) -> tuple[str, ...]:
        """The members."""
        return self.members

    def estimates(self) -> Floats:
        """Means, (k,)."""
        return np.asarray(self.mean, dtype=float)

    def covariance(self) -> Floats:
        """Covariance, (k, k)."""
        return np.asarray(self.matrix, dtype=float)

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Draws, (k, count).  By the symmetric root: full correlation makes Cholesky fail, and is allowed."""
        drawn = rng.standard_normal((len(self.members), count))
        return np.asarray(self.estimates()[:, None] + symmetric_root(self.covariance()) @ drawn)
