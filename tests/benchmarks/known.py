"""Joints of known truth: `python -m tests.benchmarks.known FOLDER [FOLDER...]`.

FOLDER holds what `studio.known --scenario mix` made: photos of the test world, which training never saw.  Prints how
many were judged rightly, every false verdict by name, errors and coverage, and whether stated probabilities hold.
"""

from __future__ import annotations

import itertools
import json
import sys
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.fittings import Fitting
from vision.pipeline import inspect

LIMIT_MM, NEAR_LIMIT_MM, SHOWN_MM = 1.5875, 0.4, 0.3
P_BINS = (0.0, 0.02, 0.2, 0.8, 0.98, 1.0001)
INK_BINS = (0.6, 0.7, 0.8, 0.9, 1.0001)


@dataclass(frozen=True)
class Answer:
    """One photo: what is true of it, mm, and what was said.  kind: `judgeable`, or why it is not."""

    name: str
    kind: str
    true_mm: float | None
    word: str
    reason: str
    low_mm: float | None
    value_mm: float | None
    high_mm: float | None
    p_full: float | None
    ink: float | None


def kind_of(truth: dict[str, Any]) -> str:
    """What a verdict on this photo can be asked for."""
    if truth["no_joint"] or truth["unmarked"] or truth["gap_near_mm"] is None:
        return "nothing to measure"
    gap = max(truth["gap_near_mm"], 0.0)
    if truth["gap_near_mm"] + truth["line_width_mm"] < truth["hidden_mm"] + SHOWN_MM:
        return "hidden"
    if any(kind != "grease" for kind, *_ in truth["decoys"]):
        return "another line"
    if truth["over"]:
        return "something over it"
    return "near the limit" if abs(gap - LIMIT_MM) < NEAR_LIMIT_MM else "judgeable"


def look(path: Path) -> Answer:
    """Inspect one photo with the true diameters of its fitting."""
    truth = json.loads(path.read_text("utf-8"))
    row = Fitting(id="known", nominal_size="known", unit="mm", collar_od=truth["collar_od_mm"],
                  pipe_od=truth["pipe_od_mm"], mark_depth=30, max_gap=LIMIT_MM, source="rendered")
    said = inspect(path.with_suffix(".jpg").read_bytes(), row)
    kind, gap = kind_of(truth), said.measurement.gap if said.measurement else None
    return Answer(
        path.stem, kind, None if kind == "nothing to measure" else max(truth["gap_near_mm"], 0.0), said.word,
        said.reasons[0].reason if said.reasons else "", gap and gap.low_mm, gap and gap.value_mm, gap and gap.high_mm,
        said.measurement and said.measurement.p_full, said.gap.ink_score if said.gap else None)


def wrong(answer: Answer) -> bool:
    """Whether the truth contradicts the verdict; where there is nothing to measure, any verdict is false."""
    if answer.word == "unproven":
        return False
    return answer.true_mm is None or (answer.word == "full") != (answer.true_mm <= LIMIT_MM)


def report(answers: list[Answer]) -> None:
    """The figures, on standard output."""
    print(f"{len(answers)} photos:", dict(Counter(answer.kind for answer in answers)))
    asked = [answer for answer in answers if answer.kind == "judgeable"]
    right = [answer for answer in asked if answer.word != "unproven" and not wrong(answer)]
    print(f"judgeable {len(asked)}, right {len(right) / max(1, len(asked)):.0%};",
          dict(Counter(answer.reason for answer in asked if answer.word == "unproven")))
    for answer in filter(wrong, answers):
        print(f"  false {answer.word}: {answer.name}, {answer.kind}, true {answer.true_mm}, said {answer.value_mm}")
    read = [answer for answer in answers if answer.value_mm is not None and answer.true_mm is not None]
    errors = np.array([abs(answer.value_mm - answer.true_mm) for answer in read])
    held = np.array([answer.low_mm <= answer.true_mm <= answer.high_mm for answer in read])
    if read:
        print(f"read {len(read)}: error {np.median(errors):.2f}, {np.quantile(errors, 0.95):.2f} mm (median, 95th "
              f"percentile); intervals hold {held.sum()} of {len(held)}")
    _reliability("stated probability of full", [(a.p_full, a.true_mm <= LIMIT_MM) for a in read], P_BINS)
    _reliability("ink probability of the line", [(a.ink, a.true_mm is not None) for a in answers if a.ink], INK_BINS)


def _reliability(name: str, pairs: Iterable[tuple[float, bool]], bins: tuple[float, ...]) -> None:
    told = list(pairs)
    print(f"{name} -> how often so")
    for low, high in itertools.pairwise(bins):
        inside = [so for share, so in told if low <= share < high]
        if inside:
            print(f"  {low:.2f} to {min(high, 1):.2f}: {sum(inside)} of {len(inside)}")


if __name__ == "__main__":
    paths = [path for folder in sys.argv[1:] for path in sorted(Path(folder).glob("*.json"))
             if path.with_suffix(".jpg").exists()]
    with ProcessPoolExecutor() as pool:
        report(list(pool.map(look, paths, chunksize=4)))
