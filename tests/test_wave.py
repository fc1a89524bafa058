"""What another side of the pipe may show, against draws of the wave itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.wave import HAND_RAD, SAW_RAD, amplitude_mm, apart_mm

RADIUS_MM = 30.0


def waves(count: int = 200_000) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    return rng.standard_normal(count), rng.standard_normal(count)


def drawn_apart(turn_rad: np.ndarray | float) -> float:
    """Scatter of a cos + b sin on two sides, so far apart, of waves whose parts scatter by 1."""
    a, b = waves()
    return float(np.std(a * (np.cos(turn_rad) - 1) + b * np.sin(turn_rad)))


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, 180.0, -120.0])
def test_a_known_turn(turn_deg: float) -> None:
    assert apart_mm(1.0, turn_deg, 0.0) == pytest.approx(drawn_apart(math.radians(turn_deg)), abs=0.01)


def test_a_turn_that_is_known_roughly() -> None:
    off = np.radians(10.0) * np.random.default_rng(6).standard_normal(200_000)
    assert apart_mm(1.0, 0.0, 10.0) == pytest.approx(drawn_apart(off), rel=0.03)


def test_a_turn_that_nobody_knows() -> None:
    any_turn = np.random.default_rng(7).uniform(-np.pi, np.pi, 200_000)
    assert apart_mm(1.0, None) == pytest.approx(drawn_apart(any_turn), rel=0.02)


def test_what_hands_allow_unless_a_slant_says_more() -> None:
    arc = np.radians(np.linspace(-60, 60, 9))
    usual = amplitude_mm(RADIUS_MM, (HAND_RAD, SAW_RAD), 0.0, arc)
    assert usual == pytest.approx(RADIUS_MM * math.hypot(HAND_RAD, SAW_RAD))
    slanted = 2.0 * np.sin(arc)  # a wave of 2 mm, seen on its slope
    assert amplitude_mm(RADIUS_MM, (HAND_RAD, SAW_RAD), float(np.ptp(slanted)), arc) == pytest.approx(2.0)
    narrow = np.radians([-2.0, 2.0])  # so little of the arc says little, but no number without bound
    assert amplitude_mm(RADIUS_MM, (HAND_RAD, SAW_RAD), 0.6, narrow) == pytest.approx(2.0)
