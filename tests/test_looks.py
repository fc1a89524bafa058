"""What is followed in a look's masks: the two sides of a pipe."""

from __future__ import annotations

import numpy as np
import pytest

from vision import looks

RIGHT, NOTHING_OVER = np.array([1.0, 0.0]), np.zeros((480, 640), bool)


def test_where_one_side_is_missing_the_other_does_not_pass_for_it() -> None:
    """Beside the mouth only the lower side shows: until the axis is known about, it may lie anywhere; then not."""
    def side(first: int, way: int) -> np.ndarray:
        along = np.arange(first, 120.0)
        return np.concatenate([np.column_stack([100 + along, np.full(len(along), 200.0 + way * (40 - depth))])
                               for depth in range(3)])

    lower, upper = side(0, 1), side(70, -1)
    edge, mouth = np.concatenate([lower, upper]), np.array([100.0, 200.0])
    (slope, left), (_, right) = looks.sides(edge, NOTHING_OVER, mouth, RIGHT, least=8.0)
    assert (left, right) == pytest.approx((-40.5, 40.5), abs=0.1)
    assert slope == pytest.approx(0.0, abs=0.01)
    (slope, left), _ = looks.sides(edge, NOTHING_OVER, mouth, RIGHT)
    assert abs(left + 40.5) > 1
