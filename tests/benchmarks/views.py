"""How well several photos tell the gap all round: python -m tests.benchmarks.views [JOINTS | FOLDER]

JOINTS: joints of known truth at the level of edge points, no renderer, seen from three sides.
FOLDER: photos that `studio.stories round` or `marked` made, through the whole road, placed by word and by features;
of joints whose marked pipe was photographed too, also whether cocked pipe and askew mark are told apart (`slants`).
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from tests import scene as scenes
from tests.benchmarks import slants
from tests.benchmarks.compare import fitting_of, verdict_of
from vision import turn_between
from vision.records import Verdict
from vision.views import JointVerdict, join


@dataclass(frozen=True)
class Outcome:
    """A joint: its true worst gap (negative: under the collar), and what was said."""

    worst_mm: float
    limit_mm: float
    said: JointVerdict

    @property
    def error_mm(self) -> float:
        return self.said.worst.value_mm - max(0.0, self.worst_mm) if self.said.worst else math.nan

    @property
    def covered(self) -> bool:
        span = self.said.worst
        return span is not None and span.low_mm <= max(0.0, self.worst_mm) <= span.high_mm


def joint(rng: np.random.Generator, sides_deg: tuple[float, ...], told: bool = True,
          edges: str = "clean") -> Outcome | None:
    """A ring seen from these sides; its wave comes from seat and hand.  None where no view could be measured."""
    first = scenes.random_scene(rng, "any", "exif", edges)
    wave = rng.normal(0, math.hypot(1.2, 1.2) / 100 * first.fitting.pipe_od_mm / 2, 2)
    verdicts: list[Verdict] = []
    for side in np.radians(sides_deg):
        other = scenes.random_scene(rng, "any", "exif", edges)
        level = first.gap_mm + wave[0] * math.cos(side) + wave[1] * math.sin(side)
        slope = wave[1] * math.cos(side) - wave[0] * math.sin(side)
        # on this arc the wave is nearly level + slope sin - (level - mean) (1 - cos)
        scene = replace(other, fitting=first.fitting, listed=first.listed, lip_mm=first.lip_mm, arc_deg=(-60.0, 60.0),
                        line_width_mm=first.line_width_mm, seat_deg=math.degrees(math.atan(
                            -(level - first.gap_mm) / (first.fitting.pipe_od_mm / 2))), gap_mm=first.gap_mm,
                        askew_mm=2 * slope * math.sin(math.radians(60)))
        verdict = verdict_of(scene, rng) if scene.mark_is_seen else None
        if verdict is not None:
            verdicts.append(verdict)
        else:
            verdicts.append(Verdict("unproven", ()))
    if not any(verdict.measurement for verdict in verdicts):
        return None
    said = join(verdicts, first.catalog, at_deg=sides_deg if told else None)
    return Outcome(first.gap_mm + math.hypot(*wave), first.fitting.max_gap_mm, said)


def run(count: int, sides_deg: tuple[float, ...], seed: int = 0, edges: str = "clean") -> list[Outcome]:
    """So many joints of which something could be measured."""
    rng = np.random.default_rng(seed)
    found: list[Outcome] = []
    while len(found) < count:
        outcome = joint(rng, sides_deg, edges=edges)
        if outcome:
            found.append(outcome)
    return found


HEAD = "joints                    n told cover%  |e|50  |e|95  seen%"


def line(name: str, outcomes: list[Outcome]) -> str:
    """One row of the table."""
    told = [o for o in outcomes if o.said.worst]
    if not told:
        return f"{name:22} {len(outcomes):4d}    0"
    error = np.abs([o.error_mm for o in told])
    words = [(o.worst_mm <= o.limit_mm, o.said.word) for o in outcomes]
    count = {key: words.count(key) for key in ((m, w) for m in (True, False) for w in ("full", "short", "unproven"))}
    return (f"{name:22} {len(outcomes):4d} {len(told):4d} {100 * np.mean([o.covered for o in told]):6.1f} "
            f"{np.median(error):6.3f} {np.quantile(error, 0.95):6.3f} "
            f"{100 * np.mean([o.said.seen for o in told]):5.0f}    full: {count[True, 'full']:3d} full "
            f"{count[True, 'unproven']:3d} unproven {count[True, 'short']:2d} FALSE SHORT   short: "
            f"{count[False, 'short']:3d} short {count[False, 'unproven']:3d} unproven "
            f"{count[False, 'full']:2d} FALSE FULL")


def folder(path: Path) -> None:
    """The table for rendered triples, and what placing by features found."""
    from vision.pipeline import inspect

    groups: dict[str, list[Outcome]] = {"sides told": [], "placed by features": []}
    placing: list[tuple[float, float, bool]] = []
    slanting: dict[str, list[slants.Slant]] = {}
    for first in sorted(path.glob("*-a.json")):
        files = [first.with_name(first.name.replace("-a.", f"-{which}.")) for which in "abc"]
        truths = [json.loads(file.read_text()) for file in files]
        row = fitting_of(truths[0])
        verdicts = [inspect(file.with_suffix(".jpg").read_bytes(), row) for file in files]
        faces = [truth["faces_deg"] for truth in truths]
        worst = truths[0]["ring_mean_mm"] + math.hypot(truths[0]["ring_cos_mm"], truths[0]["ring_sin_mm"])
        measured = any(verdict.measurement for verdict in verdicts)
        told = [slants.told_deg(face, faces[0]) for face in faces]
        for name, at in (("sides told", told), ("placed by features", None)):
            if measured:
                groups[name].append(Outcome(worst, row.max_gap_mm, join(verdicts, row, at_deg=at)))
        for a, b in combinations(range(3), 2):
            found = turn_between.match(verdicts[a], verdicts[b])
            if found:
                off = (found.turn_deg - (faces[b] - faces[a]) + 180) % 360 - 180
                placing.append(((faces[b] - faces[a] + 180) % 360 - 180, off, found.sure))
                print(f"   {first.stem} {'abc'[a]}{'abc'[b]} turned {placing[-1][0]:+.0f}: off by {off:+.1f}, "
                      f"clear {found.clear:.1f} rival {found.rival:.2f} {'sure' if found.sure else ''}", flush=True)
        said = groups["sides told"][-1].said if measured else None
        if said and said.worst:
            print(f"{first.stem} worst {worst:.2f} {said.word:8} {said.worst.value_mm:.2f} "
                  f"({said.worst.low_mm:.2f} to {said.worst.high_mm:.2f}) seen {said.seen:.0%} "
                  f"{' '.join(r.reason for r in said.reasons)}", flush=True)
        found_slants = slants.slants(first, verdicts, row)
        for name, slant in found_slants.items():
            slanting.setdefault(name, []).append(slant)
        if found_slants:
            print(f"   {slants.each(found_slants)}", flush=True)
    print(HEAD)
    for name, outcomes in groups.items():
        print(line(name, outcomes))
    for name, some in slanting.items():
        print(slants.report(name, some))
    near = [(abs(off) < 8, sure) for turned, off, sure in placing if abs(turned) < 90]
    far = [(abs(off) < 8, sure) for turned, off, sure in placing if abs(turned) >= 90]
    for name, some in (("less than 90 degrees apart", near), ("more", far)):
        print(f"placing, {name}: {len(some)} pairs, {sum(s for _, s in some)} sure, "
              f"{sum(s and not right for right, s in some)} of them WRONG")


def main() -> None:
    """Print the table."""
    asked = sys.argv[1] if len(sys.argv) > 1 else "100"
    if not asked.isdigit():
        folder(Path(asked))
        return
    print(HEAD)
    for seed, (sides, edges) in enumerate([((0.0, 120.0, 240.0), "clean"), ((0.0, 120.0, 240.0), "rough"),
                                           ((0.0, 65.0, 130.0), "clean"), ((0.0,), "clean")]):
        name = f"{len(sides)} sides {edges} {sides[-1]:.0f}"
        print(line(name, run(int(asked), sides, seed, edges)), flush=True)


if __name__ == "__main__":
    main()
