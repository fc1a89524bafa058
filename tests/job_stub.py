"""Photos and inspections of our own making: real bytes through real processes, without the vision.

A stub photo is a real small JPEG with a word behind its end that says what the inspection will answer.
"""

from __future__ import annotations

import hashlib
import io
import os
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from cli.jobs.duplicates import picture_hashes
from cli.jobs.worker import Looked, Task
from vision.reasons import REASONS

if TYPE_CHECKING:
    import typer

LIMIT = 0.0625
_GAPS = {"full": 0.010, "short": 0.250, "unproven": 0.060, "beyond": 0.066, "none": None}


def photo(seed: int = 0, says: str = "full", taken: str = "", side: int = 96) -> bytes:
    """A JPEG of blotches that no other seed has.

    says: full, short, unproven, beyond (the limit, yet unproven), none, doubted, slow, kill, fail, or hang, which never
    comes back; of a marked pipe placed, misplaced or unproven.
    """
    picture = _blotches(seed, side)
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=88, exif=exif)
    return made.getvalue() + f"#{says}#{seed}".encode()


def _blotches(seed: int, side: int) -> Image.Image:
    noise = np.random.default_rng(seed).integers(0, 256, (9, 9, 3), dtype=np.uint8)
    return Image.fromarray(noise).resize((side, side), Image.Resampling.BICUBIC)


def stub_inspection(task: Task, data: bytes) -> Looked:
    """Answers what the photo says."""
    says = data.rsplit(b"#", 2)[1].decode()
    if says == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if says == "fail":
        raise ValueError("a fault of the program")
    if says in ("slow", "hang"):
        time.sleep(600 if says == "hang" else 0.1)
    picture = Image.open(io.BytesIO(data))
    taken = picture.getexif().get_ifd(0x8769).get(0x9003, "")
    pixels = np.asarray(picture.convert("RGB"))
    told = marked_answer(task, says) if task.kind == "premark" else answer(task, "full" if says == "slow" else says)
    return Looked(told, _jpeg(picture), b"".join(picture_hashes(pixels)), str(taken))


def quick_inspection(task: Task, data: bytes) -> Looked:
    """Answers by turns, without opening the picture; for figures that are about everything but vision."""
    says = ("full", "short", "unproven", "full")[task.key % 4]
    return Looked(answer(task, says), data[:800] * 25, hashlib.sha256(data).digest(), "2026:05:04 10:20:30")


def answer(task: Task, says: str) -> dict[str, Any]:
    """The JSON contract with plausible numbers; doubted: those of a line that may be no mark."""
    if says == "doubted":
        line, unclear = answer(task, "full"), REASONS["mark-unclear"]
        keys = ("gap", "insertion", "line_width", "budget")
        return answer(task, "none") | {
            "reasons": [{"code": unclear.code, "text": unclear.text, "advice": unclear.advice}],
            "doubted": {key: line[key] for key in keys} | {"p_full": 0.99, "reasons": [], "far_edge": None,
                                                           "by_side": 0.0},
        }  # fmt: skip
    gap = _GAPS[says]
    verdict = "unproven" if says in ("none", "beyond") else says
    near = ["interval-spans-limit"]
    codes = {"none": ["mark-not-found"], "unproven": near, "beyond": near}.get(says, [])
    reasons = [REASONS[code] for code in (*codes, "demo-fitting")]
    return {
        "photo": task.name, "sha256": "", "fitting": task.fitting.id, "verdict": verdict,
        "unit": "in", "limit": LIMIT,
        "gap": None if gap is None else {"value": gap, "low": max(0, gap - 0.008), "high": gap + 0.008,
        "u": 0.004},
        "insertion": None if gap is None else {"value": 1.125 - gap, "low": 1.117 - gap, "high": 1.133 - gap,
        "u": 0.004},
        "line_width": None if gap is None else 0.06, "view": None, "budget": [],
        "reasons": [{"code": each.code, "text": each.text, "advice": each.advice} for each in reasons],
        "seconds": 0.01, "version": task.version,
    }  # fmt: skip


_DEPTHS = {"placed": 1.130, "misplaced": 0.950, "unproven": None}


def marked_answer(task: Task, says: str) -> dict[str, Any]:
    """The JSON contract for a marked pipe.  says: placed, misplaced, or unproven (nothing measured)."""
    depth = _DEPTHS[says]
    found = depth and {"value": depth, "low": round(depth - 0.02, 3), "high": round(depth + 0.02, 3), "u": 0.01}
    reasons = [REASONS[code] for code in (*(["no-pipe"] if depth is None else []), "demo-fitting")]
    angle = {"value": 1.2, "low": 0.0, "high": 2.4, "u": 0.6}
    return {
        "kind": "premark", "photo": task.name, "sha256": "", "fitting": task.fitting.id, "verdict": says,
        "unit": "in", "mark_depth": 1.125, "mark_tolerance": 0.06,
        "depth": found,
        "cut": None if depth is None else {"angle_deg": angle, "across": angle},
        "line_width": None if depth is None else 0.06, "p_placed": None, "view": None,
        "budget": [] if depth is None else [{"name": "pipe diameter", "u": 0.004, "share": 0.16}],
        "reasons": [{"code": each.code, "text": each.text, "advice": each.advice} for each in reasons],
        "seconds": 0.01, "version": task.version,
    }  # fmt: skip


def _jpeg(picture: Image.Image) -> bytes:
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=70)
    return made.getvalue()


def fill(folder: Path, names: dict[str, bytes]) -> Path:
    """A folder with these files."""
    for name, data in names.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder


def commands() -> typer.Typer:
    """The commands of a job with the stub instead of the vision; imported here, as no worker needs them."""
    import typer

    from cli import job
    from cli.jobs import history

    job.inspect_photo = quick_inspection if os.environ.get("STUB") == "quick" else stub_inspection
    app = typer.Typer(pretty_exceptions_enable=False)
    app.command()(job.job)
    app.command()(history.find)
    app.command()(history.show)
    return app


if __name__ == "__main__":
    commands()(sys.argv[1:])
