"""What is known of an input quantity, one frozen record a distribution.

Every record answers the same four questions: its `names`, the `estimates` of its members, their
`covariance`, and `draw`.  The estimate and standard uncertainty follow JCGM 100 clause 4, the draws
JCGM 101 clause 6.4.  Every standard uncertainty is held to be known, so none has degrees of freedom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vision.propagation.even import Even

Floats = NDArray[np.float64]


class Input(Protocol):
    """What `monte_carlo` and `first_order` ask of an input; one record may hold several quantities."""

    @property
    def name(self) -> str:
        """The line of the budget that this input fills."""

    @property
    def names(self) -> tuple[str, ...]:
        """The k names by which the model asks for the quantities."""

    def estimates(self) -> Floats:
        """Best estimates, (k,)."""

    def covariance(self) -> Floats:
        """Covariance of the estimates, (k, k)."""

    def draw(self, rng: Even, count: int) -> Floats:
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

    def __post_init__(self) -> None:
        _refuse_unless(0 <= self.u < math.inf, self.name, "u must be a finite number of at least 0")

    def moments(self) -> tuple[float, float]:
        """Mean and u."""
        return self.mean, self.u

    def draw(self, rng: Even, count: int) -> Floats:
        """Draws, (1, count)."""
        return self.mean + self.u * rng.standard_normal((1, count))


@dataclass(frozen=True)
class Rectangular(_Single):
    """All values between two limits alike: u = half the width / sqrt(3) (JCGM 100 4.3.7, JCGM 101 6.4.2).

    Raises ValueError unless both limits are finite and low <= high.
    """

    name: str
    low: float
    high: float

    def __post_init__(self) -> None:
        holds = -math.inf < self.low <= self.high < math.inf
        _refuse_unless(holds, self.name, "low and high must be finite, low <= high")

    def moments(self) -> tuple[float, float]:
        """Midpoint and half the width / sqrt(3)."""
        return (self.low + self.high) / 2, (self.high - self.low) / 2 / math.sqrt(3)

    def draw(self, rng: Even, count: int) -> Floats:
        """Draws, (1, count)."""
        return rng.uniform(self.low, self.high, (1, count))


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

    def __post_init__(self) -> None:
        k = len(self.members)
        fits = np.shape(self.mean) == (k,) and np.shape(self.matrix) == (k, k)
        _refuse_unless(fits, self.name, f"{k} members need {k} means and a {k} x {k} covariance")
        slack = 1e-9 * float(np.abs(self.matrix).max())
        symmetric = np.allclose(self.matrix, np.transpose(self.matrix), rtol=0, atol=slack)
        _refuse_unless(symmetric, self.name, "the covariance is not symmetric")
        _refuse_unless(bool(np.linalg.eigvalsh(self.matrix)[0] >= -slack * k), self.name,
                       "the covariance has a negative variance in some direction")

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

    def draw(self, rng: Even, count: int) -> Floats:
        """Draws, (k, count).  By the symmetric root: full correlation makes Cholesky fail, and is allowed."""
        drawn = rng.standard_normal((len(self.members), count))
        return np.asarray(self.estimates()[:, None] + symmetric_root(self.covariance()) @ drawn)
