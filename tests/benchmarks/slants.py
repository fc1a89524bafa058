"""Cocked pipe or askew mark: what is said with photos of the marked pipe, against the truth (part of `views`).

A joint's views and its pipe's are placed by the user's word, to 15 degrees, counted by the pipe itself from the line
of it that faces the joint's first photo.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.fittings import Fitting
from tests.benchmarks.premark import BIG_PIPE_MM, TOLD_MM
from vision.drawn import Before, mark_wave
from vision.pipeline import inspect_premark
from vision.records import Verdict
from vision.ring import Wave, chi_square
from vision.views import JointVerdict, join

TRULY = {(True, False): "pipe cocked", (False, True): "mark askew", (True, True): "both", (False, False): "neither"}
SAID = ("pipe-cocked", "drawn-askew", "cocked-or-askew", "level", "no answer")


@dataclass(frozen=True)
class Slant:
    """One joint told with so many photos of its pipe: what is true, what was said; waves (cos, sin) in mm.

    pipe: for each of these photos what kept its mark from being read, or "read".
    """

    cocked: bool
    askew: bool
    said: JointVerdict
    true_mm: dict[str, tuple[float, float]]
    pipe: tuple[str, ...]

    @property
    def word(self) -> str:
        """What was said of its slant."""
        if self.said.ring is None:
            return SAID[-1]
        found = [doubt.reason for doubt in self.said.reasons if doubt.reason in SAID]
        return found[0] if found else "level"

    def wave(self, name: str) -> Wave | None:
        """The gap's wave, the mark's or the seat's, as it was found."""
        return {"ring": self.said.ring, "askew": self.said.mark, "seat": self.said.seat}[name]


def told_deg(face_deg: float, first_deg: float) -> float:
    """A side as a user names it."""
    return round((face_deg - first_deg) / 15) * 15.0


def slants(first: Path, verdicts: Sequence[Verdict], row: Fitting) -> dict[str, Slant]:
    """The joint of this truth file told without its pipe, with one photo of it and with two.

    Empty for a story that has no marked pipe.
    """
    files = [first.with_name(first.name.replace("-a.", f"-{which}.")) for which in "abcpq"]
    if not files[-1].exists():
        return {}
    truths = [json.loads(file.read_text()) for file in files]
    at = [told_deg(truth["faces_deg"], truths[0]["faces_deg"]) for truth in truths]
    pipe = row.model_copy(update={"mark_depth": TOLD_MM[int(row.pipe_od_mm > BIG_PIPE_MM)]})
    befores = [Before(inspect_premark(file.with_suffix(".jpg").read_bytes(), pipe), side)
               for file, side in zip(files[3:], at[3:], strict=True)]
    true = {name: _turned(truths[0], name) for name in ("ring", "askew", "seat")}
    found = {}
    for count, name in enumerate(("no photo of the pipe", "one photo of the pipe", "two photos of the pipe")):
        said = join(verdicts, row, at_deg=at[:3], mark_askew=mark_wave(befores[:count]))
        found[name] = Slant(truths[0]["cocked"], truths[0]["askew"], said, true, tuple(map(_read, befores[:count])))
    return found


def _read(before: Before) -> str:
    said = before.verdict
    return "read" if said.depth is not None and said.pose is not None else said.reasons[0].reason


def _turned(truth: dict, name: str) -> tuple[float, float]:
    """A true wave with its angles counted from the line that faces the first photo."""
    turn = math.radians(truth["faces_deg"])
    cos, sin = truth[f"{name}_cos_mm"], truth[f"{name}_sin_mm"]
    return cos * math.cos(turn) + sin * math.sin(turn), sin * math.cos(turn) - cos * math.sin(turn)


def each(found: dict[str, Slant]) -> str:
    """One joint in a line, with all photos of its pipe."""
    slant = found["two photos of the pipe"]
    parts = []
    for name in ("ring", "askew", "seat"):
        wave, true = slant.wave(name), slant.true_mm[name]
        told = f"{wave.cos_mm:+.2f} {wave.sin_mm:+.2f}" if wave else "-"
        parts.append(f"{name} true {true[0]:+.2f} {true[1]:+.2f} told {told}")
    parts.append(f"pipe {' '.join(slant.pipe)}")
    return f"truly {TRULY[slant.cocked, slant.askew]}, said {slant.word}: " + "; ".join(parts)


def report(name: str, some: Sequence[Slant]) -> str:
    """How often each slant was said of each kind of joint, and how well the waves were told."""
    lines = [f"{name}: {len(some)} joints", f"   {'truly':12}   n  " + "  ".join(SAID)]
    for (cocked, askew), truly in TRULY.items():
        words = [slant.word for slant in some if (slant.cocked, slant.askew) == (cocked, askew)]
        counts = "  ".join(f"{words.count(word):{len(word)}d}" for word in SAID)
        lines.append(f"   {truly:12} {len(words):3d}  {counts}")
    lines.append(_claim(some, "pipe-cocked", [slant.cocked for slant in some]))
    lines.append(_claim(some, "drawn-askew", [slant.askew for slant in some]))
    pipe = Counter(word for slant in some for word in slant.pipe)
    if pipe:
        lines.append("   photos of the pipe: " + ", ".join(f"{word} {count}" for word, count in pipe.most_common()))
    lines += [_waves(some, *names) for names in (("ring", "gap"), ("askew", "mark"), ("seat", "seat"))]
    return "\n".join(lines)


def _claim(some: Sequence[Slant], word: str, true: Sequence[bool]) -> str:
    """Of a claim: right, false, and unsaid where it would have been right.

    `pipe-cocked` goes before `drawn-askew`, so that of a joint with both only the first is ever said.
    """
    said = [slant.word == word for slant in some]
    answered = [slant.said.ring is not None for slant in some]
    right = sum(s and t for s, t in zip(said, true, strict=True))
    unsaid = [a for s, t, a in zip(said, true, answered, strict=True) if t and not s]
    besides = sum(slant.word == word and slant.cocked for slant in some) if word == "drawn-askew" else 0
    return (f"   {word}: said {sum(said)} times, {right} rightly, {sum(said) - right} FALSELY; not said of "
            f"{len(unsaid)} for which it is true, {len(unsaid) - sum(unsaid)} of them without an answer"
            + (f"; {besides} of those told it have a cocked pipe besides" if besides else ""))


def _waves(some: Sequence[Slant], key: str, name: str) -> str:
    """How far off a wave's two parts are, together, and whether their 95 % region holds the truth."""
    off, held = [], []
    for slant in some:
        wave = slant.wave(key)
        if wave is None:
            continue
        miss = np.array([wave.cos_mm, wave.sin_mm]) - slant.true_mm[key]
        off.append(float(np.hypot(*miss)))
        held.append(float(miss @ np.linalg.solve(wave.covariance[1:, 1:], miss)) <= chi_square(0.95, 2))
    if not off:
        return f"   wave of the {name}: never told"
    return (f"   wave of the {name}: told {len(off)} times, off by {np.median(off):.2f} mm in the median, "
            f"{np.quantile(off, 0.95):.2f} at 95 %; held {100 * np.mean(held):.0f} %")
