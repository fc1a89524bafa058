"""How often the stated interval holds the truth, by stratum: python -m tests.benchmarks.coverage [SCENES]

Scenes of known truth at the level of edge points: no renderer, and a reader whose biases are those that the
budget states.  So this proves the propagation, not that a reader on real photos is as good as stated.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from itertools import product

import numpy as np

from calibration.fittings import Fitting
from tests import scene as scenes
from vision import pose, uncertainty
from vision.records import Measurement, Refusal


@dataclass(frozen=True)
class Outcome:
    """One scene measured: truth and what was stated of it."""

    truth_mm: float
    measured: Measurement

    @property
    def error_mm(self) -> float:
        return self.measured.gap.value_mm - self.truth_mm

    @property
    def covered(self) -> bool:
        return self.measured.gap.low_mm <= self.truth_mm <= self.measured.gap.high_mm

    @property
    def closed(self) -> bool:
        """Whether the view left nothing open under the lip."""
        return not any(part.name == "hidden by the lip" and part.u_mm > 0.05 for part in self.measured.budget)


def run(count: int, view: str, lens: str, edges: str, seed: int = 0) -> tuple[list[Outcome], list[Refusal]]:
    """Measure random scenes in which some of the mark can be seen."""
    rng = np.random.default_rng(seed)
    outcomes: list[Outcome] = []
    refusals: list[Refusal] = []
    while len(outcomes) + len(refusals) < count:
        scene = scenes.random_scene(rng, view, lens, edges)
        if not scene.mark_is_seen:
            continue
        found = measured(scene, rng)
        if isinstance(found, Refusal):
            refusals.append(found)
        else:
            outcomes.append(Outcome(scene.truth_mm, found))
    return outcomes, refusals


def measured(scene: scenes.Scene, rng: np.random.Generator) -> Measurement | Refusal:
    """The road from limbs and edges on; the catalog's diameters, not the scene's own, are used."""
    row: Fitting = scene.catalog
    limbs = scenes.limbs(scene, rng)
    solved = pose.solve_pose(limbs, scene.known, row, scenes.mouth_px(scene), scenes.axis_px(scene))
    trusted = pose.trusted(solved, row) if solved else solved
    if isinstance(trusted, Refusal):
        return trusted
    return uncertainty.measure(scenes.gap(scene, rng), limbs, trusted, scene.known, row)


def line(outcomes: list[Outcome]) -> str:
    """One row of the table; bias and scatter are of the scenes whose gap is clear of 0 and not left open."""
    covered = np.mean([o.covered for o in outcomes])
    everyone = np.abs([o.error_mm for o in outcomes])
    clear = [o for o in outcomes if o.closed and o.truth_mm > 1.0]
    error = np.array([o.error_mm for o in clear])
    stated = np.sqrt(np.mean([o.measured.gap.u_mm**2 for o in clear]))
    return (f"{len(outcomes):5d} {100 * covered:7.1f} {np.quantile(everyone, 0.95):7.3f} {len(clear):6d} "
            f"{error.mean():+7.3f} {np.sqrt((error**2).mean()):6.3f} {stated:6.3f} "
            f"{stated / error.std():6.2f}")


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("view    lens     edges      n  cover%  |e|95  clear    bias    rms stated  ratio  refused")
    strata = product(("square", "pipe", "collar"), ("chart", "exif", "assumed"), ("clean", "rough"))
    for seed, (view, lens, edges) in enumerate(strata):
        outcomes, refusals = run(count, view, lens, edges, seed)
        print(f"{view:7} {lens:8} {edges:6} {line(outcomes)}  {len(refusals):7d}", flush=True)


if __name__ == "__main__":
    main()
