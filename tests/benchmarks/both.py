"""Insertion from both photos: `python -m tests.benchmarks.both FOLDER [--each]`.

FOLDER holds what `studio.stories marked` made: a marked pipe from two sides, and its joint from three.  Each photo of
the joint is put together with each of its pipe, the sides told to 15 degrees and untold.  The truth is that of the
side which the joint's photo shows: the depth there less the gap there.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks.compare import fitting_of
from vision.depths import Depths
from vision.drawn import Before
from vision.pipeline import inspect, inspect_premark, with_premark
from vision.records import Interval, Verdict

ARC_RAD = np.radians(np.linspace(-50.0, 50.0, 41))  # about what a photo shows of a pipe
HIDDEN_MM = 0.5  # from so much on a lip hides enough to leave something open


@dataclass(frozen=True)
class Row:
    """One photo of a joint with one of its marked pipe; mm.  alone: the word for the joint's photo by itself.

    near: from the mouth to the near edge, where the line's width told it.
    """

    name: str
    limit_mm: float
    true_gap_mm: float
    true_insertion_mm: float
    hidden_mm: float
    alone: str
    gap: Interval | None
    word: str
    reasons: tuple[str, ...]
    gap_of_both: Interval | None
    insertion: Interval | None
    insertion_told: Interval | None
    near: Interval | None

    def is_false(self, word: str) -> bool:
        """Whether a word for the joint is not true of it."""
        return word != "unproven" and (word == "full") != (self.true_gap_mm <= self.limit_mm)


def rows_of(folder: Path, joint: str) -> Iterator[Row]:
    """Every photo of a joint that shows its mark, with every photo of its pipe that told a depth."""
    truths = {which: json.loads((folder / f"{joint}-{which}.json").read_text()) for which in "abcpq"}
    fitting = fitting_of(truths["a"])
    pipes = {which: inspect_premark((folder / f"{joint}-{which}.jpg").read_bytes(), fitting) for which in "pq"}
    for which in "abc":
        truth = truths[which]
        if truth["gap_near_mm"] is None:
            continue
        said = inspect((folder / f"{joint}-{which}.jpg").read_bytes(), fitting)
        for end, before in pipes.items():
            if before.placement:
                depths = Depths.of([Before(before, 0.0)], 0)
                alike = (with_premark(said, before, fitting),
                         with_premark(said, before, fitting, depths, _turn_deg(truths[end], truth)))
                yield _row(f"{joint}-{which}{end}", (truths[end], truth), said, alike, fitting.max_gap_mm)


def _turn_deg(pipe: dict, joint: dict) -> float:
    apart = (joint["faces_deg"] - pipe["faces_deg"] + 180) % 360 - 180
    return round(apart / 15) * 15.0


def _row(name: str, truths: tuple[dict, dict], said: Verdict, both: tuple[Verdict, Verdict], limit_mm: float) -> Row:
    pipe, joint = truths
    phi = np.radians(joint["faces_deg"]) + ARC_RAD
    depth = pipe["depth_mean_mm"] + pipe["depth_cos_mm"] * np.cos(phi) + pipe["depth_sin_mm"] * np.sin(phi)
    untold, told = both
    return Row(
        name, limit_mm, joint["gap_near_mm"], float(depth.mean()) - joint["gap_near_mm"], joint["hidden_mm"], said.word,
        said.measurement and said.measurement.gap, untold.word, tuple(doubt.reason for doubt in untold.reasons),
        untold.measurement and untold.measurement.gap, untold.insertion and untold.insertion.length,
        told.insertion and told.insertion.length, untold.insertion and untold.insertion.near)


def lengths(name: str, rows: Sequence[Row], found: Callable[[Row], Interval | None],
            truth: Callable[[Row], float]) -> str:
    """Errors of a length, and how often its interval holds the truth."""
    told = [(interval, truth(row)) for row in rows if (interval := found(row))]
    if not told:
        return f"{name:42} none"
    error = np.abs([interval.value_mm - true for interval, true in told])
    inside = sum(interval.low_mm <= true <= interval.high_mm for interval, true in told)
    half = np.median([(interval.high_mm - interval.low_mm) / 2 for interval, _ in told])
    return (f"{name:42} {len(told):4d}  |error| median {np.median(error):.2f}, 95 % {np.quantile(error, 0.95):.2f} mm; "
            f"inside {inside} of {len(told)} ({inside / len(told):.1%}), half an interval {half:.2f}")


def words(name: str, rows: Sequence[Row], word: Callable[[Row], str]) -> str:
    """How often each word was said of joints within and beyond the limit."""
    count = Counter((row.true_gap_mm <= row.limit_mm, word(row)) for row in rows)
    table = "; ".join(f"{'within' if within else 'beyond'}: " + ", ".join(
        f"{count[within, each]} {each}" for each in ("full", "unproven", "short")) for within in (True, False))
    return f"{name:42} {len(rows):4d}  {table}"


def report(rows: Sequence[Row]) -> None:
    """The tables."""
    measured, by_width = [row for row in rows if row.gap], [row for row in rows if row.near]
    hidden = [row for row in by_width if row.hidden_mm > HIDDEN_MM]
    print(lengths("insertion, sides untold", rows, lambda row: row.insertion, lambda row: row.true_insertion_mm))
    print(lengths("insertion, sides told", rows, lambda row: row.insertion_told, lambda row: row.true_insertion_mm))
    print(lengths("near edge by the line's width", by_width, lambda row: row.near, lambda row: row.true_gap_mm))
    for name, some in (("near edge not in sight", by_width), (f"... and the lip hides more than {HIDDEN_MM}", hidden)):
        for which, gap in (("alone", lambda row: row.gap), ("by both", lambda row: row.gap_of_both)):
            print(lengths(f"{name}: gap {which}", some, gap, lambda row: max(0.0, row.true_gap_mm)))
        print(words(f"{name}: alone", some, lambda row: row.alone))
        print(words(f"{name}: by both", some, lambda row: row.word))
    print(words("all measured: alone", measured, lambda row: row.alone))
    print(words("all measured: by both", measured, lambda row: row.word))
    for row in measured:
        if row.is_false(row.word):
            print(f"FALSE {row.word}: {row.name}, true gap {row.true_gap_mm:.2f}, alone {row.alone}")
        if "mark-differs" in row.reasons:
            print(f"mark-differs: {row.name}, true gap {row.true_gap_mm:.2f}, alone {row.alone}"
                  f"{', falsely' if row.is_false(row.alone) else ''}")


def main() -> None:
    """Print the tables, and with --each a line a pair."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", action="store_true")
    args = parser.parse_args()
    rows: list[Row] = []
    for first in sorted(args.folder.glob("*-p.json")):
        for row in rows_of(args.folder, first.stem.removesuffix("-p")):
            rows.append(row)
            if args.each:
                print(row, flush=True)
    if not rows:
        sys.exit(f"{args.folder} holds no photos of `studio.stories marked` that told anything.")
    report(rows)


if __name__ == "__main__":
    main()
