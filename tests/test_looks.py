"""What is followed in a look's masks: the two sides of a pipe."""

from __future__ import annotations

import numpy as np
import pytest

from vision import looks

RIGHT, NOTHING_OVER = np.array([1.0, 0.0]), np.zeros((480, 640), bool)


def border(first: float, last: float, way: int, lean: float = 0.0) -> np.ndarray:
    """Three rows of pixels of a pipe's mask at its lower (1) or upper (-1) side, 40 px from a mouth at (100, 200)."""
    along = np.arange(first, last)
    return np.concatenate([np.column_stack([100 + along, 200.0 + way * (40 - depth) + lean * along])
                           for depth in range(3)])


MOUTH = np.array([100.0, 200.0])


def test_where_one_side_is_missing_the_other_does_not_pass_for_it() -> None:
    """Beside the mouth only the lower side shows: until the axis is known about, it may lie anywhere; then not."""
    edge = np.concatenate([border(0, 120, 1), border(70, 120, -1)])
    found = looks.sides(edge, NOTHING_OVER, MOUTH, RIGHT, least=8.0)
    assert found is not None
    assert (found.left, found.right) == pytest.approx((-40.5, 40.5), abs=0.1)
    assert found.slope == pytest.approx(0.0, abs=0.01)
    misled = looks.sides(edge, NOTHING_OVER, MOUTH, RIGHT)
    assert misled is not None
    assert abs(misled.left + 40.5) > 1


def test_a_side_seen_over_a_short_stretch_does_not_turn_the_axis() -> None:
    """A hand lies over the upper side from 30 px on, and what shows of it before leans by 0.3: the long side tells."""
    lower = border(0, 200, 1)
    both = looks.sides(np.concatenate([lower, border(0, 200, -1)]), NOTHING_OVER, MOUTH, RIGHT)
    short = looks.sides(np.concatenate([lower, border(0, 30, -1, lean=0.3)]), NOTHING_OVER, MOUTH, RIGHT)
    assert both is not None
    assert short is not None
    assert both.slope == pytest.approx(0.0, abs=1e-3)
    assert abs(short.slope) < 0.05  # the mean of both would be 0.1 and more


def test_sides_that_are_known_alike_tell_the_middle_between_them() -> None:
    """Perspective closes a pipe's sides up: the axis runs midway."""
    leaning = np.concatenate([border(0, 200, 1, lean=0.06), border(0, 200, -1, lean=0.02)])
    found = looks.sides(leaning, NOTHING_OVER, MOUTH, RIGHT)
    assert found is not None
    assert found.slope == pytest.approx(0.04, abs=2e-3)
