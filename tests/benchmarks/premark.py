"""Premark photos of known truth: `python -m tests.benchmarks.premark FOLDER [--each] [--most N]`.

FOLDER holds what `studio.known --scenario premark` made.  The catalog's diameter is off by what its tolerance allows,
differently for each photo; a mark counts as placed where its true depth lies within TOLERANCE_MM of what was told,
which is this benchmark's own choice and no tolerance of any standard.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.fittings import Fitting
from vision.pipeline import inspect_premark
from vision.records import PremarkVerdict

TOLERANCE_MM, DIAMETER_SHARE = 1.5, 0.0025
TOLD_MM, BIG_PIPE_MM = (28.575, 34.925), 75.0


@dataclass(frozen=True)
class Answer:
    """One photo's truth and what was said of it, mm and degrees; None where nothing was."""

    name: str
    word: str
    reasons: tuple[str, ...]
    true_mm: float | None
    depth_mm: float | None
    low_mm: float | None
    high_mm: float | None
    true_lean_deg: float
    lean_deg: tuple[float, float, float] | None
    placed: bool


def fitting_of(truth: dict, seed: int) -> Fitting:
    """A catalog row for the photo's pipe."""
    od = truth["pipe_od_mm"]
    off = np.random.default_rng(seed).uniform(-1, 1) * DIAMETER_SHARE * od
    return Fitting(id="known", nominal_size="known", unit="mm", collar_od=1.15 * od, pipe_od=od + off,
                   pipe_od_tolerance=DIAMETER_SHARE * od, mark_depth=TOLD_MM[int(od > BIG_PIPE_MM)],
                   mark_tolerance=TOLERANCE_MM, max_gap=1.6, source="made up for a benchmark")


def answer(path: Path) -> Answer:
    """Measure one photo."""
    truth = json.loads(path.with_suffix(".json").read_text())
    fitting, facts = fitting_of(truth, truth["seed"]), truth["premark"]
    verdict: PremarkVerdict = inspect_premark(path.read_bytes(), fitting)
    found, true = verdict.placement, facts["depth_mm"]
    depth, cut = (found.depth, found.cut) if found else (None, None)
    return Answer(
        path.stem, verdict.word, tuple(doubt.reason for doubt in verdict.reasons), true,
        depth and depth.value_mm, depth and depth.low_mm, depth and depth.high_mm, facts["cut_angle_deg"],
        cut and (cut.angle_deg, cut.low_deg, cut.high_deg),
        true is not None and abs(true - fitting.mark_depth_mm) <= TOLERANCE_MM,
    )


def report(answers: list[Answer]) -> None:
    """The numbers that the issue asks for."""
    found = [a for a in answers if a.depth_mm is not None and a.true_mm is not None]
    lens = [abs(a.depth_mm - a.true_mm) for a in found if "focal-assumed" not in a.reasons]
    error = np.array([a.depth_mm - a.true_mm for a in found])
    held = np.array([a.low_mm <= a.true_mm <= a.high_mm for a in found])
    lean = [a for a in found if a.lean_deg]
    print(f"{len(answers)} photos, {sum(a.true_mm is not None for a in answers)} marked, {len(found)} measured; "
          f"{sum(a.depth_mm is not None and a.true_mm is None for a in answers)} unmarked ones measured all the same")
    if lens:
        print(f"with a known focal length: {len(lens)}, |error| median {np.median(lens):.3f}, "
              f"90 % {np.quantile(lens, 0.9):.3f}, 95 % {np.quantile(lens, 0.95):.3f} mm")
    if found:
        q = np.quantile(np.abs(error), [0.5, 0.9, 0.95, 1])
        print(f"depth: bias {error.mean():+.3f}, |error| median {q[0]:.3f}, 90 % {q[1]:.3f}, 95 % {q[2]:.3f}, "
              f"most {q[3]:.3f} mm; interval holds the truth {held.mean():.1%}; "
              f"half width, median {np.median([a.high_mm - a.low_mm for a in found]) / 2:.3f} mm")
        off = np.array([a.lean_deg[0] - a.true_lean_deg for a in lean])
        print(f"cut: |error| median {np.median(np.abs(off)):.2f}, 95 % {np.quantile(np.abs(off), 0.95):.2f} degrees; "
              f"held {np.mean([a.lean_deg[1] <= a.true_lean_deg <= a.lean_deg[2] for a in lean]):.1%}")
    words = Counter((a.word, "placed" if a.placed else "not placed") for a in answers)
    for (word, true), count in sorted(words.items()):
        print(f"  {word:10} truly {true:10} {count}")
    print("reasons:", dict(Counter(r for a in answers for r in a.reasons).most_common()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", action="store_true", help="a line a photo")
    parser.add_argument("--most", type=int, help="only so many photos")
    args = parser.parse_args()
    answers = []
    with ProcessPoolExecutor() as pool:
        for a in pool.map(answer, sorted(args.folder.glob("*.jpg"))[:args.most]):
            answers.append(a)
            if not args.each:
                continue
            said = "-" if a.depth_mm is None else f"{a.depth_mm:.2f} ({a.low_mm:.2f} to {a.high_mm:.2f})"
            true = "unmarked" if a.true_mm is None else f"{a.true_mm:.2f}"
            lean = "" if a.lean_deg is None else "{:.1f} ({:.1f} to {:.1f})".format(*a.lean_deg)
            print(a.name, a.word, "true", true, "read", said, "| cut true", f"{a.true_lean_deg:.1f}", "read", lean,
                  *a.reasons)
            sys.stdout.flush()
    report(answers)


if __name__ == "__main__":
    main()
