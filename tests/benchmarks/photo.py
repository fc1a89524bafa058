"""What one photo costs: `python -m tests.benchmarks.photo [PHOTO FITTING]`

1. Time of an inspection of a 12-megapixel photo as a ratio to OpenCV's own colour decode of the same bytes,
   both in this process, in turns, the median of several; the first, which loads the networks, is said apart, and how
   much of it at least one network was at work.
2. Peak memory of `collargap check` on it, a process of its own.
3. Time from the command to the first byte of its answer, on the same photo at 2 megapixels.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import cv2
import numpy as np
from onnxruntime import InferenceSession

from calibration.fittings import demo_catalog, find_fitting
from vision import networks
from vision.pipeline import inspect

ROOT = Path(__file__).parent.parent.parent
LARGE, SMALL = (4032, 3024), (1632, 1224)
ROUNDS = 7


def main(photo: str = str(ROOT / "sample_images" / "job" / "J-04.jpg"), fitting: str = "demo-3") -> None:
    """Measure all three and print them beside what they must be."""
    picture = cv2.imread(photo)
    if picture is None:
        sys.exit(f"{photo} is no photo")
    with tempfile.TemporaryDirectory() as folder:
        large, small = (_saved(picture, size, Path(folder)) for size in (LARGE, SMALL))
        _print_time(large.read_bytes(), fitting)
        _, whole, peak = _worst(large, fitting, 3)
        print(f"peak memory at 12 megapixels {peak:.0f} MB (must: 600); the whole command {whole:.2f} s")
        first, whole, _ = _worst(small, fitting, 5)
        print(f"first output at 2 megapixels {first:.2f} s (must: 1.5); the whole command {whole:.2f} s")


def _saved(picture: np.ndarray, size: tuple[int, int], folder: Path) -> Path:
    """The photo at a size, as a phone would store it; a portrait stays one."""
    size = size if picture.shape[1] >= picture.shape[0] else size[::-1]
    shrinks = picture.shape[1] > size[0]
    scaled = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC)
    path = folder / f"{size[0]}.jpg"
    cv2.imwrite(str(path), scaled, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def _print_time(data: bytes, fitting: str) -> None:
    row = find_fitting(demo_catalog(), fitting)
    coded = np.frombuffer(data, np.uint8)
    first = _seconds(lambda: inspect(data, row))

    def anew() -> None:
        networks.forget()  # else the readers' answers would be those of the round before
        inspect(data, row)

    pairs = [(_seconds(lambda: cv2.imdecode(coded, cv2.IMREAD_COLOR)), _seconds(anew)) for _ in range(ROUNDS)]
    decode, look = (median(part) for part in zip(*pairs, strict=True))
    word = inspect(data, row)
    at_work = median(_with_networks(anew) for _ in range(ROUNDS))
    print(f"answer: {word.word}, {', '.join(doubt.reason for doubt in word.reasons)}")
    print(f"decode {1000 * decode:.0f} ms, inspection {1000 * look:.0f} ms, the first {1000 * first:.0f} ms; "
          f"ratio {look / decode:.1f} (must: 6); networks at work {1000 * at_work:.0f} ms (must: 200)")


def _with_networks(work: Callable[[], object]) -> float:
    """Seconds during which at least one network was asked."""
    run, spans = InferenceSession.run, list[tuple[float, float]]()

    def timed(session: InferenceSession, *given: object) -> object:
        begin = time.perf_counter()
        try:
            return run(session, *given)
        finally:
            spans.append((begin, time.perf_counter()))

    InferenceSession.run = timed
    try:
        work()
    finally:
        InferenceSession.run = run
    total, until = 0.0, 0.0
    for begin, end in sorted(spans):
        total += max(0.0, end - max(begin, until))
        until = max(until, end)
    return total


def _seconds(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def _worst(photo: Path, fitting: str, rounds: int) -> tuple[float, ...]:
    """The largest of each figure of several commands."""
    return tuple(max(part) for part in zip(*(_command(photo, fitting) for _ in range(rounds)), strict=True))


def _command(photo: Path, fitting: str) -> tuple[float, float, float]:
    """Seconds until the first byte of the answer and until the end, and peak memory in MB, of a command."""
    code = "from cli.main import run; run()"
    begin = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-c", code, "check", str(photo), "--fitting", fitting],
                               cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdout is not None
    process.stdout.read(1)
    first = time.perf_counter() - begin
    process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    return first, time.perf_counter() - begin, used.ru_maxrss / 1024


if __name__ == "__main__":
    main(*sys.argv[1:])
