"""Components of variation of a gauge study, by ANOVA and by average and range.

Two-way random-effects ANOVA with repeats and the average-and-range method as in the AIAG manual
"Measurement Systems Analysis" (4th edition, chapter III B).  Standard deviations, not multiples of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.study.chance import f_exceeds
from calibration.study.rows import Check, StudyError, Table, complete_table

Floats = NDArray[np.float64]
Method = Literal["anova", "range"]
Grade = Literal["acceptable", "conditional", "not acceptable"]

K1 = {2: 0.8862, 3: 0.5908}
"""1 / d2 for 2 and 3 trials, as the manual prints them."""
K23 = {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146}
"""1 / d2* of one range over 2 to 10 appraisers or parts, as the manual prints them."""


@dataclass(frozen=True)
class Term:
    """A line of the analysis of variance.  f and p are None where nothing is tested or testable."""

    name: str
    df: int
    ss: float
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class Component:
    """One source of variation.

    sd: standard deviation, study's unit.  contribution: per cent of the total variance.
    of_total: sd as per cent of TV.  of_tolerance: 6 sd as per cent of the tolerance, None without one.
    """

    code: str
    name: str
    sd: float
    contribution: float
    of_total: float
    of_tolerance: float | None


@dataclass(frozen=True)
class Components:
    """The answer of one method.

    parts: EV, AV, (INT), GRR, PV, TV in this order.  ndc: how many groups of parts the method tells
    apart, 1.41 PV / GRR truncated; None where GRR is 0.  notes: what was done to the numbers, in sentences.
    """

    method: Method
    parts: tuple[Component, ...]
    ndc: int | None
    ndc_exact: float | None
    notes: tuple[str, ...]

    def __getitem__(self, code: str) -> Component:
        return next(part for part in self.parts if part.code == code)

    @property
    def grade(self) -> Grade:
        """What `grade_of` says of GRR as per cent of total variation."""
        return grade_of(self["GRR"].of_total)


def grade_of(percent: float) -> Grade:
    """AIAG's reading of GRR as per cent of total variation or of tolerance: bounds at 10 and 30."""
    if percent < 10:
        return "acceptable"
    return "conditional" if percent <= 30 else "not acceptable"


@dataclass(frozen=True)
class Study:
    """A gauge study with both answers.

    full_terms: the ANOVA with its interaction.  terms: the one that was used, pooled or the same.
    """

    table: Table
    unit: str
    tolerance: float | None
    alpha: float
    pooled: bool
    full_terms: tuple[Term, ...]
    terms: tuple[Term, ...]
    anova: Components
    range: Components


def gauge_study(
    rows: Sequence[Check], unit: str, tolerance: float | None = None, alpha: float = 0.25
) -> Study:
    """Both methods on rows of repeated checks.

    tolerance: full width, study's unit; for a gap that may run from 0 to a limit it is the limit.
    alpha: the interaction is pooled into repeatability when its p is above this; 0.25 is the manual's.
    Raises StudyError for rows that make no complete table, and for values that are out of range.
    """
    if not 0 <= alpha <= 1:
        raise StudyError(f"alpha is a probability between 0 and 1, not {alpha}. The usual value is 0.25.")
    if tolerance is not None and not 0 < tolerance < math.inf:
        raise StudyError(f"A tolerance is a width above 0, not {tolerance}.")
    table = complete_table(rows)
    if not np.ptp(table.values) > 0:
        raise StudyError("Every gap is the same, so there is no variation to split. Take parts that differ.")
    full = _full_terms(table.values)
    pooled = full[2].p is None or full[2].p > alpha
    used = _pooled_terms(full) if pooled else full
    by_anova = _anova_components(table, used, pooled, alpha, tolerance)
    by_range = average_and_range(table, tolerance)
    return Study(table, unit, tolerance, alpha, pooled, full, used, by_anova, by_range)


# --- by ANOVA ---------------------------------------------------------------------------------------------


def sums_of_squares(values: Floats) -> dict[str, tuple[int, float]]:
    """Degrees of freedom and sum of squares of each term of values (parts, appraisers, trials).

    From deviations, not from sums of large squares, so that readings far from 0 keep their digits.  With
    one appraiser the appraiser and interaction lines are empty and the rest is the one-way analysis.
    """
    p, a, n = values.shape
    mean = values.mean()
    by_part = values.mean(axis=(1, 2)) - mean
    by_person = values.mean(axis=(0, 2)) - mean
    cell = values.mean(axis=2)
    both = cell - mean - by_part[:, None] - by_person[None, :]
    return {
        "part": (p - 1, a * n * float(by_part @ by_part)),
        "appraiser": (a - 1, p * n * float(by_person @ by_person)),
        "part x appraiser": ((p - 1) * (a - 1), n * float((both**2).sum())),
        "repeatability": (p * a * (n - 1), float(((values - cell[:, :, None]) ** 2).sum())),
        "total": (p * a * n - 1, float(((values - mean) ** 2).sum())),
    }


def _full_terms(values: Floats) -> tuple[Term, ...]:
    """Parts and appraisers tested against the interaction, the interaction against repeatability."""
    sums = sums_of_squares(values)
    both = _term("part x appraiser", *sums["part x appraiser"])
    error = _term("repeatability", *sums["repeatability"])
    return (
        _tested("part", *sums["part"], against=both),
        _tested("appraiser", *sums["appraiser"], against=both),
        _tested(both.name, both.df, both.ss, against=error),
        error,
        _term("total", *sums["total"]),
    )


def _pooled_terms(full: Sequence[Term]) -> tuple[Term, ...]:
    """Without interaction: its squares and degrees of freedom go to repeatability."""
    part, person, both, error, total = full
    rest = _term("repeatability", both.df + error.df, both.ss + error.ss)
    return (
        _tested("part", part.df, part.ss, against=rest),
        _tested("appraiser", person.df, person.ss, against=rest),
        rest,
        total,
    )


def _term(name: str, df: int, ss: float) -> Term:
    return Term(name, df, ss, ss / df)


def _tested(name: str, df: int, ss: float, against: Term) -> Term:
    plain = _term(name, df, ss)
    if against.ms == 0:
        return plain if plain.ms == 0 else Term(name, df, ss, plain.ms, math.inf, 0.0)
    f = plain.ms / against.ms
    return Term(name, df, ss, plain.ms, f, f_exceeds(f, df, against.df))


def _anova_components(
    table: Table, terms: Sequence[Term], pooled: bool, alpha: float, tolerance: float | None
) -> Components:
    p, a, n = table.values.shape
    ms = {term.name: term.ms for term in terms}
    error = ms["repeatability"]
    base = error if pooled else ms["part x appraiser"]
    raw = {"AV": (ms["appraiser"] - base) / (p * n), "PV": (ms["part"] - base) / (a * n)}
    if not pooled:
        raw["INT"] = (base - error) / n
    notes = [_pooling_note(pooled, alpha)]
    notes += [f"The variance of {_NAMES[code].lower()} came out negative ({value:.3g}) and is set to 0: the "
              "study can't tell it from repeatability." for code, value in raw.items() if value < 0]
    variance = {code: max(0.0, value) for code, value in raw.items()}
    return _components("anova", {"EV": error, **variance}, tolerance, notes)


def _pooling_note(pooled: bool, alpha: float) -> str:
    if pooled:
        return (f"The part-by-appraiser interaction was not significant (p above alpha = {alpha:g}) and is "
                "pooled into repeatability.")
    return (f"The part-by-appraiser interaction is significant (p at most alpha = {alpha:g}) and is kept: "
            "appraisers differ more on some parts than on others. Look at the picture to see which.")


# --- by average and range ---------------------------------------------------------------------------------


def average_and_range(table: Table, tolerance: float | None = None) -> Components:
    """The average-and-range method: quick by hand, blind to interaction (AIAG, chapter III B)."""
    values = table.values
    p, a, n = values.shape
    repeat = float(np.ptp(values, axis=2).mean()) * k_factor(n, ranges="many")
    spread = float(np.ptp(values.mean(axis=(0, 2)))) * k_factor(a, ranges="one")
    raw = spread**2 - repeat**2 / (p * n)
    parts = float(np.ptp(values.mean(axis=(1, 2)))) * k_factor(p, ranges="one")
    notes = [] if raw >= 0 else [
        "The spread between appraisers is no larger than repeatability alone would make it: AV is set to 0."]
    return _components("range", {"EV": repeat**2, "AV": max(0.0, raw), "PV": parts**2}, tolerance, notes)


@lru_cache(maxsize=64)
def k_factor(size: int, ranges: Literal["many", "one"]) -> float:
    """What turns a range over `size` normal values into a standard deviation.

    ranges: "many" for the mean of many ranges (1 / d2), "one" for a single range (1 / d2*, with
    d2*² = d2² + d3²).  The manual's printed figures where it has them, so that results agree with it
    digit for digit; computed from the distribution of the range beyond.
    """
    printed = K1 if ranges == "many" else K23
    if size in printed:
        return printed[size]
    return 1 / math.sqrt(range_moments(size)[0 if ranges == "many" else 1])


def range_moments(size: int) -> tuple[float, float]:
    """d2² and d2*² = E[R²] of the range of `size` standard normal values, by quadrature."""
    x = np.linspace(-8.0, 8.0, 641)
    step = x[1] - x[0]
    below = np.array([0.5 * math.erfc(-t / math.sqrt(2)) for t in x])
    d2 = float((1 - below**size - (1 - below) ** size).sum() * step)
    inside = np.clip(below[None, :] - below[:, None], 0, None) ** size
    outside = 1 - below[None, :] ** size - (1 - below[:, None]) ** size + inside
    square = 2 * float((np.triu(outside, 1).sum() + np.trace(outside) / 2) * step**2)
    return d2**2, square


# --- both -------------------------------------------------------------------------------------------------

_NAMES = {
    "EV": "Repeatability",
    "AV": "Reproducibility",
    "INT": "Interaction",
    "GRR": "Gauge R&R",
    "PV": "Part to part",
    "TV": "Total",
}


def _components(
    method: Method, variance: dict[str, float], tolerance: float | None, notes: Sequence[str]
) -> Components:
    gauge = variance["EV"] + variance["AV"] + variance.get("INT", 0.0)
    every = variance | {"GRR": gauge, "TV": gauge + variance["PV"]}
    if not every["TV"] > 0:
        raise StudyError("The study shows no variation at all to split. Take parts that differ.")
    parts = tuple(_component(code, every[code], every["TV"], tolerance) for code in _NAMES if code in every)
    exact = 1.41 * math.sqrt(variance["PV"] / gauge) if gauge > 0 else None
    return Components(method, parts, None if exact is None else math.floor(exact), exact, tuple(notes))


def _component(code: str, variance: float, total: float, tolerance: float | None) -> Component:
    sd = math.sqrt(variance)
    of_tolerance = None if tolerance is None else 600 * sd / tolerance
    of_total = 100 * sd / math.sqrt(total)
    return Component(code, _NAMES[code], sd, 100 * variance / total, of_total, of_tolerance)
