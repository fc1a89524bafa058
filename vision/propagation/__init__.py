"""Uncertainty and decisions, for any model: the part of the road that knows nothing of photos.

    inputs.py      what is known of each input: Normal, StudentT, Rectangular, Arcsine, Triangular,
                   CurvilinearTrapezoid, NormalGroup
    spread.py      `monte_carlo` and its coverage intervals (JCGM 101), `truncated_at_zero`
    linear.py      `first_order`, the law of propagation with its budget (JCGM 100)
    student.py     quantiles of Student's t and of the normal distribution
    conformity.py  probability of conformity, guard bands, risks (JCGM 106, ILAC-G8, ISO 14253-1)

A model is a function of a mapping from names to arrays of one length, and returns one array of that
length, so that a hundred thousand draws are one call::

    inputs = [Normal("length", 20.0, 0.1), Rectangular("scale", 0.99, 1.01)]
    draws = monte_carlo(lambda q: q["length"] * q["scale"], inputs, draws=100_000, seed=1)
    draws.symmetric(0.95)

Units are the caller's: a result has the unit that the model returns.
"""

from vision.propagation.conformity import (
    GammaPrior,
    NormalPrior,
    Prior,
    Risks,
    acceptance_limit_for_risk,
    conformity_probability,
    guard_band,
    guarded_limits,
    judge,
    risks,
)
from vision.propagation.inputs import (
    Arcsine,
    CurvilinearTrapezoid,
    Input,
    Normal,
    NormalGroup,
    Rectangular,
    StudentT,
    Triangular,
)
from vision.propagation.linear import FirstOrder, Part, correlation_between, covariance_between, first_order
from vision.propagation.spread import Coverage, Draws, Model, monte_carlo, one_at_a_time, truncated_at_zero
from vision.propagation.student import normal_cdf, normal_quantile, t_quantile

__all__ = [
    "Arcsine",
    "Coverage",
    "CurvilinearTrapezoid",
    "Draws",
    "FirstOrder",
    "GammaPrior",
    "Input",
    "Model",
    "Normal",
    "NormalGroup",
    "NormalPrior",
    "Part",
    "Prior",
    "Rectangular",
    "Risks",
    "StudentT",
    "Triangular",
    "acceptance_limit_for_risk",
    "conformity_probability",
    "correlation_between",
    "covariance_between",
    "first_order",
    "guard_band",
    "guarded_limits",
    "judge",
    "monte_carlo",
    "normal_cdf",
    "normal_quantile",
    "one_at_a_time",
    "risks",
    "t_quantile",
    "truncated_at_zero",
]
