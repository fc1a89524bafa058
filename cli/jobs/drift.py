"""Are the gaps of one installer or one machine drifting?  An individuals control chart.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals and moving range) and 6.3.2 (runs): the
limits lie at the mean ± 3 MR / 1.128, MR being the mean of the absolute differences between neighbours.  Gaps
can't be negative, so a lower limit below 0 says nothing and is drawn at 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.fittings import Unit

FEWEST = 8
_RUN = 8
_EQUAL_MM = 1e-6
_D2 = 1.128  # mean range of two draws from a normal distribution, in standard deviations


@dataclass(frozen=True)
class Chart:
    """Gaps in the order of time, their mean and limits (millimetres), and what stands out.

    beyond: places outside the limits.  runs: places at which eight in a row lie on one side of the mean.
    unit: in which it is told.
    """

    who: str
    names: tuple[str, ...]
    gaps_mm: tuple[float, ...]
    mean_mm: float
    low_mm: float
    high_mm: float
    beyond: tuple[int, ...]
    runs: tuple[int, ...]
    unit: Unit = "mm"

    @property
    def drifts(self) -> bool:
        """Whether anything stands out."""
        return bool(self.beyond or self.runs)


def chart(who: str, names: Sequence[str], gaps_mm: Sequence[float], unit: Unit = "mm") -> Chart | None:
    """The chart of one hand or machine; None with fewer than eight joints, which can't show a drift."""
    if len(gaps_mm) < FEWEST:
        return None
    gaps = np.asarray(gaps_mm, float)
    mean = float(gaps.mean())
    reach = float(3 * np.abs(np.diff(gaps)).mean() / _D2)
    low, high = max(0.0, mean - reach), mean + reach
    outside = (gaps > high) | (gaps < low)
    # One wild gap lifts the mean above all others; it must not make a run of them.
    middle = gaps[~outside].mean() if not outside.all() else mean
    sides = np.where(np.abs(gaps - middle) > _EQUAL_MM, np.sign(gaps - middle), 0.0)
    return Chart(who, tuple(names), tuple(map(float, gaps)), mean, low, high,
                 tuple(map(int, np.flatnonzero(outside))), tuple(_runs(sides.tolist())), unit)  # fmt: skip


def _runs(sides: Sequence[float]) -> list[int]:
    """Places at which the last eight signs are the same and not zero."""
    found, length, last = [], 0, 0.0
    for place, side in enumerate(sides):
        length = length + 1 if side and side == last else int(bool(side))
        last = side
        if length >= _RUN:
            found.append(place)
    return found
