"""How well a movement between two photos is told: python -m tests.benchmarks.compare [PAIRS | FOLDER]

PAIRS: pairs of scenes of known truth at the level of edge points, no renderer (see `coverage`).
FOLDER: photos that `studio.stories pull` made, through the whole road, with the side told as a user would
(--turned) and not; the first also by how fine the coarser of both photos is.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.fittings import Fitting
from tests import scene as scenes
from vision import pose as poses
from vision import uncertainty
from vision.compare import Comparison, Turn, compare
from vision.records import Photo, Pose, Refusal, Verdict
from vision.verdict import judge

TOLD_U_DEG = 10.0
FINE_PX_PER_MM = 5.0


@dataclass(frozen=True)
class Outcome:
    """A pair that was compared: the true movement, what was said of it, and px per mm of its coarser photo."""

    truth_mm: float
    said: Comparison
    px_per_mm: float = math.nan

    @property
    def error_mm(self) -> float:
        return self.said.movement.value_mm - self.truth_mm if self.said.movement else math.nan

    @property
    def covered(self) -> bool:
        span = self.said.movement
        return span is not None and span.low_mm <= self.truth_mm <= span.high_mm


def verdict_of(scene: scenes.Scene, rng: np.random.Generator) -> Verdict | None:
    """The road from limbs and edges on, as in `coverage`; None where it refuses."""
    row: Fitting = scene.catalog
    limbs, gap = scenes.limbs(scene, rng), scenes.gap(scene, rng)
    solved = poses.solve_pose(limbs, scene.known, row, scenes.mouth_px(scene), scenes.axis_px(scene))
    trusted = poses.trusted(solved, row) if solved else solved
    if not isinstance(trusted, Pose):
        return None
    measured = uncertainty.measure(gap, limbs, trusted, scene.known, row)
    if isinstance(measured, Refusal):
        return None
    word, reasons = judge(measured, [], row)
    photo = Photo(np.zeros((2, 2, 3), np.uint8), scene.known)
    return Verdict(word, reasons, measured, photo, None, limbs, trusted, None, gap)


def pair(rng: np.random.Generator, movement_mm: float, view: str = "any", lens: str = "exif",
         edges: str = "clean") -> Outcome | None:
    """A joint photographed twice from the same side by other hands; None where nothing could be measured."""
    old = scenes.random_scene(rng, view, lens, edges)
    other = scenes.random_scene(rng, view, lens, edges)
    new = replace(other, fitting=old.fitting, listed=old.listed, lip_mm=old.lip_mm, askew_mm=old.askew_mm,
                  ragged_mm=old.ragged_mm, arc_deg=old.arc_deg, line_width_mm=old.line_width_mm, seed=old.seed,
                  seat_deg=old.seat_deg, gap_mm=old.gap_mm + movement_mm)
    if not (old.mark_is_seen and new.mark_is_seen):
        return None
    verdicts = verdict_of(old, rng), verdict_of(new, rng)
    if verdicts[0] is None or verdicts[1] is None:
        return None
    said = compare(verdicts[0], verdicts[1], old.catalog, turn=Turn(0.0, TOLD_U_DEG, "word"))
    return Outcome(movement_mm, said) if said.movement else None


def run(count: int, movements_mm: tuple[float, ...] = (0.0, 2.0), seed: int = 0, **kind: str) -> list[Outcome]:
    """So many pairs that could be measured."""
    rng = np.random.default_rng(seed)
    found: list[Outcome] = []
    while len(found) < count:
        outcome = pair(rng, float(rng.choice(movements_mm)), **kind)
        if outcome:
            found.append(outcome)
    return found


def line(name: str, outcomes: list[Outcome]) -> str:
    """One row of the table."""
    told = [o for o in outcomes if o.said.movement]
    error = np.array([abs(o.error_mm) for o in told])
    words = [(o.truth_mm != 0, o.said.word) for o in outcomes]
    count = {key: words.count(key) for key in ((m, w) for m in (True, False) for w in ("moved", "still", "unproven"))}
    if not told:
        return f"{name:22} {len(outcomes):4d}    0"
    p95 = np.quantile(error, 0.95)
    half = np.mean([(o.said.movement.high_mm - o.said.movement.low_mm) / 2 for o in told if o.said.movement])
    return (f"{name:22} {len(outcomes):4d} {len(told):4d} {100 * np.mean([o.covered for o in told]):6.1f} "
            f"{np.median(error):6.3f} {p95:6.3f} {half:6.3f}   moved: {count[True, 'moved']:3d} moved "
            f"{count[True, 'unproven']:3d} unproven {count[True, 'still']:2d} FALSE STILL   still: "
            f"{count[False, 'still']:3d} still {count[False, 'unproven']:3d} unproven "
            f"{count[False, 'moved']:2d} FALSE MOVED")


HEAD = "pairs                     n told cover%  |e|50  |e|95  half U"


def folder(path: Path) -> None:
    """The table for rendered pairs."""
    from vision.pipeline import inspect

    groups: dict[str, list[Outcome]] = {"told": [], "side not known": []}
    for truth_file in sorted(path.glob("*-old.json")):
        old_truth = json.loads(truth_file.read_text())
        new_file = truth_file.with_name(truth_file.name.replace("-old", "-new"))
        new_truth = json.loads(new_file.read_text())
        row = fitting_of(old_truth)
        old, new = (inspect(file.with_suffix(".jpg").read_bytes(), row) for file in (truth_file, new_file))
        turned = new_truth["faces_deg"] - old_truth["faces_deg"]
        moved = new_truth["pulled_mm"] - old_truth["pulled_mm"]
        told = Turn(round(turned / 15) * 15.0, TOLD_U_DEG, "word")
        for name, turn in (("told", told), ("side not known", None)):
            groups[name].append(Outcome(moved, compare(old, new, row, turn=turn), coarser(old, new)))
        said = groups["told"][-1].said
        span = said.movement
        print(f"{truth_file.stem} moved {moved:.1f} {said.word:8} "
              f"{f'{span.value_mm:+.2f} ({span.low_mm:+.2f} to {span.high_mm:+.2f})' if span else '-':28} {said.edge} "
              f"turned {turned:+.0f} {' '.join(r.reason for r in said.reasons)}", flush=True)
    fine = [o for o in groups["told"] if o.px_per_mm >= FINE_PX_PER_MM]
    coarse = [o for o in groups["told"] if o.px_per_mm < FINE_PX_PER_MM]
    groups |= {f"told, {FINE_PX_PER_MM:.0f} px a mm on": fine, "told, coarser": coarse}
    print(HEAD)
    for name, outcomes in groups.items():
        print(line(name, outcomes))


def coarser(old: Verdict, new: Verdict) -> float:
    """Px per mm of the coarser photo; nan where one wasn't laid out."""
    return min(old.pose.px_per_mm, new.pose.px_per_mm) if old.pose and new.pose else math.nan


def fitting_of(truth: dict) -> Fitting:
    """The fitting of a story, its diameters known to 0.1 mm."""
    return Fitting(id="known", nominal_size="2", unit="mm", collar_od=truth["collar_od_mm"],
                   pipe_od=truth["pipe_od_mm"], mark_depth=28.575, max_gap=1.5875, source="rendered",
                   collar_od_tolerance=0.1, pipe_od_tolerance=0.1)


def main() -> None:
    """Print the table."""
    asked = sys.argv[1] if len(sys.argv) > 1 else "150"
    if not asked.isdigit():
        folder(Path(asked))
        return
    print(HEAD)
    kinds = ("chart", "clean"), ("exif", "clean"), ("exif", "rough"), ("assumed", "rough")
    for seed, (lens, edges) in enumerate(kinds):
        print(line(f"{lens} {edges}", run(int(asked), seed=seed, lens=lens, edges=edges)), flush=True)


if __name__ == "__main__":
    main()
