"""Uncertainty and decisions, for any model: the part of the road that knows nothing of photos.

    inputs.py      what is known of each input: Normal, Rectangular, NormalGroup
    even.py        draws that fill each input's distribution evenly
    spread.py      `monte_carlo` and its coverage interval (JCGM 101), `truncated_at_zero`
    linear.py      `first_order`, the law of propagation with its budget (JCGM 100)
    normal.py      the normal distribution and its quantiles
    conformity.py  probability of conformity, and what an interval proves (JCGM 106, ILAC-G8, ISO 14253-1)
    agreement.py   several results of shared inputs, and `e_n` of their difference (ISO 13528)

A model is a function of a mapping from names to arrays of one length, and returns one array of that
length, so that a hundred thousand draws are one call::

    inputs = [Normal("length", 20.0, 0.1), Rectangular("scale", 0.99, 1.01)]
    draws = monte_carlo(lambda q: q["length"] * q["scale"], inputs, draws=100_000, seed=1)
    draws.symmetric(0.95)

Units are the caller's: a result has the unit that the model returns.
"""

from vision.propagation.agreement import draw_all, e_n, shared_inputs
from vision.propagation.conformity import conformity_probability, judge
from vision.propagation.even import Even
from vision.propagation.inputs import Input, Normal, NormalGroup, Rectangular, symmetric_root
from vision.propagation.linear import FirstOrder, Part, first_order
from vision.propagation.normal import normal_cdf, normal_quantile
from vision.propagation.spread import Coverage, Draws, Model, monte_carlo, truncated_at_zero

__all__ = [
    "Coverage",
    "Draws",
    "Even",
    "FirstOrder",
    "Input",
    "Model",
    "Normal",
    "NormalGroup",
    "Part",
    "Rectangular",
    "conformity_probability",
    "draw_all",
    "e_n",
    "first_order",
    "judge",
    "monte_carlo",
    "normal_cdf",
    "normal_quantile",
    "shared_inputs",
    "symmetric_root",
    "truncated_at_zero",
]
