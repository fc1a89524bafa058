"""A joint by all its photos and its marked pipe: `python -m tests.benchmarks.whole FOLDER [--each]`.

FOLDER holds what `studio.stories marked` made.  The three photos of a joint are put together with those of its pipe as
`collargap joint --premark` does, the sides told to 15 degrees, once with a fitting that asks for a gap alone and once
with one that asks for a least insertion, at random from 4 below to 3 above what the pipe truly is in where it is in
least.  Full is then a joint whose pipe is in by that much all round.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.fittings import Fitting
from cli.several import Look, Piped
from tests.benchmarks.compare import fitting_of
from tests.benchmarks.slants import told_deg
from vision.drawn import Before, mark_wave
from vision.records import Interval, Verdict
from vision.views import JointVerdict, join

LEAST_FROM_MM, LEAST_TO_MM = -4.0, 3.0
ROUND_RAD = np.radians(np.arange(0.0, 360.0, 2.0))


@dataclass(frozen=True)
class Joint:
    """One joint put together; mm.  insertion_mm: the least and the most that its pipe truly is in, round the pipe."""

    name: str
    limit_mm: float
    least_mm: float
    worst_mm: float
    insertion_mm: tuple[float, float]
    by_gap: JointVerdict
    by_insertion: JointVerdict

    def truly_full(self, said: JointVerdict) -> bool:
        """Whether the joint is full by what this verdict asks for."""
        if said is self.by_insertion and said.insertion is not None:
            return self.insertion_mm[0] >= self.least_mm
        return self.worst_mm <= self.limit_mm

    def is_false(self, said: JointVerdict) -> bool:
        """Whether a word for the joint is not true of it."""
        return said.word != "unproven" and (said.word == "full") != self.truly_full(said)


def joint_of(folder: Path, name: str) -> Joint:
    """One story, as the command puts it together."""
    truths = {which: json.loads((folder / f"{name}-{which}.json").read_text()) for which in "abcpq"}
    at = {which: told_deg(truth["faces_deg"], truths["a"]["faces_deg"]) for which, truth in truths.items()}
    insertion, worst = _round(truths["p"], truths["a"])
    chance = np.random.default_rng([int(name), 7]).uniform(LEAST_FROM_MM, LEAST_TO_MM)
    plain = fitting_of(truths["a"])
    asking = plain.model_copy(update={"min_insertion": float(insertion.min() + chance)})
    look = Look(plain, "mm", None, 0.95)
    before = look.at_pipes([folder / f"{name}-{which}.jpg" for which in "pq"])
    piped = Piped.of(before, [at["p"], at["q"]])
    views = look.at_all([folder / f"{name}-{which}.jpg" for which in "abc"], piped, [at[which] for which in "abc"])
    askew = mark_wave([Before(verdict, at[which]) for (verdict, _), which in zip(before, "pq", strict=True)])

    def together(fitting: Fitting) -> JointVerdict:
        verdicts: list[Verdict] = [view.verdict for view in views]
        sides = [at[which] for which in "abc"]
        return join(verdicts, fitting, at_deg=sides, mark_askew=askew, pipe=piped.told(verdicts, fitting, sides))

    return Joint(name, plain.max_gap_mm, asking.min_insertion_mm or math.nan, worst,
                 (float(insertion.min()), float(insertion.max())), together(plain), together(asking))


def _round(pipe: dict, joint: dict) -> tuple[np.ndarray, float]:
    """How far the pipe truly is in, all round, and the worst gap."""
    cos, sin = np.cos(ROUND_RAD), np.sin(ROUND_RAD)
    gap = joint["ring_mean_mm"] + joint["ring_cos_mm"] * cos + joint["ring_sin_mm"] * sin
    depth = pipe["depth_mean_mm"] + pipe["depth_cos_mm"] * cos + pipe["depth_sin_mm"] * sin
    return depth - gap, joint["ring_mean_mm"] + math.hypot(joint["ring_cos_mm"], joint["ring_sin_mm"])


def report(joints: Sequence[Joint]) -> None:
    """The tables."""
    with_insertion = [joint for joint in joints if joint.by_insertion.insertion]
    print(_words("by the gap and the marked pipe", joints, [joint.by_gap for joint in joints]))
    print(_words("by a least insertion", with_insertion, [joint.by_insertion for joint in with_insertion]))
    print(_lengths("worst gap", [(joint.by_gap.worst, max(0.0, joint.worst_mm)) for joint in joints
                                 if joint.by_gap.worst]))
    print(_lengths("insertion where it is least", [(joint.by_insertion.insertion.length, joint.insertion_mm[0])
                                                   for joint in joints if joint.by_insertion.insertion]))
    for joint in joints:
        for name, said in (("gap", joint.by_gap), ("insertion", joint.by_insertion)):
            if joint.is_false(said):
                print(f"FALSE by the {name}: {each(joint)}")


def _words(name: str, joints: Sequence[Joint], said: Sequence[JointVerdict]) -> str:
    count = Counter((joint.truly_full(each), each.word) for joint, each in zip(joints, said, strict=True))
    table = "; ".join(f"{'truly full' if truly else 'truly short'}: " + ", ".join(
        f"{count[truly, word]} {word}" for word in ("full", "unproven", "short")) for truly in (True, False))
    return f"{name:32} {len(joints):4d}  {table}"


def _lengths(name: str, told: Sequence[tuple[Interval, float]]) -> str:
    if not told:
        return f"{name}: none told"
    error = np.abs([span.value_mm - true for span, true in told])
    inside = sum(span.low_mm <= true <= span.high_mm for span, true in told)
    return (f"{name}: {len(told)} told, {inside} inside, off by {np.median(error):.2f} in the median, "
            f"{np.quantile(error, 0.95):.2f} at 95 %")


def each(joint: Joint) -> str:
    """One joint in a line."""
    said = joint.by_insertion
    length = said.insertion.length if said.insertion else None
    told = f"{length.value_mm:.2f} ({length.low_mm:.2f} to {length.high_mm:.2f})" if length else "none"
    return (f"{joint.name}: worst gap {joint.worst_mm:.2f} {joint.by_gap.word}; in by {joint.insertion_mm[0]:.2f} to "
            f"{joint.insertion_mm[1]:.2f}, told {told}, asked {joint.least_mm:.2f}, {said.word} "
            f"{' '.join(doubt.reason for doubt in said.reasons)}")


def main() -> None:
    """Print the tables, and with --each a line a joint."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", action="store_true")
    args = parser.parse_args()
    joints = []
    for first in sorted(args.folder.glob("*-c.json")):
        joints.append(joint_of(args.folder, first.stem.removesuffix("-c")))
        if args.each:
            print(each(joints[-1]), flush=True)
    if not joints:
        sys.exit(f"{args.folder} holds no photos of `studio.stories marked`.")
    report(joints)


if __name__ == "__main__":
    main()
