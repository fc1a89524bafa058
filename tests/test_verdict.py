"""The word follows the whole interval, and nothing that bars a verdict is talked over."""

from __future__ import annotations

import pytest

from calibration.fittings import DEMO_SOURCE, Fitting
from tests.scene import fitting
from vision.propagation import normal_quantile
from vision.reasons import REASONS
from vision.records import Doubt, Interval, Measurement
from vision.verdict import judge

LIMIT = 1.5875


def measurement(low: float, high: float, *doubts: Doubt) -> Measurement:
    gap = Interval((low + high) / 2, low, high, (high - low) / 3.92)
    return Measurement(gap, gap, 2.0, (), 0.5, 0.95, doubts)


def codes(reasons: tuple[Doubt, ...]) -> list[str]:
    return [doubt.reason for doubt in reasons]


@pytest.mark.parametrize(("low", "high", "word"), [
    (0.0, 1.0, "full"), (0.5, LIMIT, "full"),
    (LIMIT + 1e-9, 3.0, "short"), (2.0, 3.0, "short"),
    (LIMIT, 3.0, "unproven"), (1.0, LIMIT + 1e-9, "unproven"), (0.0, 5.0, "unproven"),
])
def test_the_whole_interval_decides(low, high, word):
    found, reasons = judge(measurement(low, high), (), fitting(limit=LIMIT))
    assert found == word
    assert codes(reasons) == (["interval-spans-limit"] if word == "unproven" else [])


@pytest.mark.parametrize("distance", [-0.001, 0.001])
def test_the_guard_band_is_the_expanded_uncertainty(distance):
    """ILAC-G8:09/2019 clause 4.2.2: acceptance limit = limit - U, and the same above it (ISO 14253-1)."""
    band = normal_quantile(0.975) * 0.1
    for value, word in ((LIMIT - band + distance, "full"), (LIMIT + band - distance, "short")):
        found, _ = judge(measurement(value - band, value + band), (), fitting(limit=LIMIT))
        assert found == (word if distance < 0 else "unproven")


@pytest.mark.parametrize("code", sorted(REASONS))
def test_every_reason_that_bars_makes_it_unproven_and_no_other_does(code):
    found, reasons = judge(measurement(0.0, 0.5), (Doubt(code),), fitting())
    assert found == ("unproven" if REASONS[code].bars else "full")
    assert codes(reasons) == [code]


def test_doubts_of_the_measurement_count_too():
    found, reasons = judge(measurement(0.0, 0.5, Doubt("glare")), (Doubt("focal-assumed"),), fitting())
    assert found == "unproven"
    assert codes(reasons) == ["glare", "focal-assumed"]


def test_each_reason_once_with_its_detail_and_those_that_bar_first():
    doubts = (Doubt("focal-assumed"), Doubt("mark-askew"), Doubt("mark-askew", "1.2 mm"), Doubt("two-lines"))
    _, reasons = judge(measurement(0.0, 0.5), doubts, fitting())
    assert codes(reasons) == ["two-lines", "focal-assumed", "mark-askew"]
    assert reasons[2].detail == "1.2 mm"


def test_a_demo_row_says_so_and_still_judges():
    plain = fitting()
    demo = Fitting(**(plain.model_dump() | {"source": DEMO_SOURCE}))
    found, reasons = judge(measurement(0.0, 0.5), (), demo)
    assert found == "full"
    assert codes(reasons) == ["demo-fitting"]
