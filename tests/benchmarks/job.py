"""The figures of a job: `python -m tests.benchmarks.job PHOTOS_FOLDER FITTING`.

1. Two workers against one, on the photos of a folder repeated to 200, with the real inspection.
2. Peak memory of the parent at 10,000 photos, with a stubbed inspection.
3. A second run of 1,000 photos of which none changed.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.job_stub import photo

ROOT = Path(__file__).parent.parent.parent
_REAL = "import typer, cli.job; typer.run(cli.job.job)"


def main(photos: str, fitting: str, catalog: str = "", count: str = "200") -> None:
    """Run all three and print them."""
    with tempfile.TemporaryDirectory() as base:
        stubbed(Path(base))
        speed_up(Path(base), Path(photos), fitting, catalog, int(count))


def speed_up(base: Path, photos: Path, fitting: str, catalog: str, count: int) -> None:
    """Wall time with one and with two workers, twice each, the order turned in between; the best of each."""
    sources = sorted(path for path in photos.iterdir() if path.suffix.lower() in (".jpg", ".jpeg", ".png"))
    folder = base / "repeated"
    folder.mkdir()
    for number in range(count):
        source = sources[number % len(sources)]
        # A few bytes behind the picture's end make each file one of its own.
        (folder / f"J-{number:03}{source.suffix}").write_bytes(source.read_bytes() + f"#{number}".encode())
    walls: dict[int, list[float]] = {1: [], 2: []}
    for turn, workers in enumerate((1, 2, 2, 1)):
        asked = ["-c", _REAL, str(folder), "--fitting", fitting, "--out", str(base / "out")]
        asked += ["--workers", str(workers), *(["--catalog", catalog] if catalog else [])]
        wall, _, told = _run(*asked, ledger=base / f"{turn}.sqlite")
        walls[workers].append(wall)
        print(f"{workers} worker(s): {wall:.1f} s; {told.splitlines()[-1]}", flush=True)
    one, two = min(walls[1]), min(walls[2])
    print(f"{count} photos: one worker {one:.1f} s, two {two:.1f} s, ratio {one / two:.2f} (must: 1.7)")


def stubbed(base: Path) -> None:
    """Memory at 10,000 photos and the second runs of 1,000 and 10,000."""
    os.environ["STUB"] = "quick"
    for count in (1_000, 10_000):
        folder = base / str(count)
        folder.mkdir()
        for number in range(count):
            (folder / f"J-{number:05}.jpg").write_bytes(photo(number, side=48))
        asked = ["-m", "tests.job_stub", "job", str(folder), "--fitting", "2"]
        wall, peak, told = _run(*asked, ledger=base / f"{count}.sqlite")
        print(f"{count} photos, stubbed: {wall:.1f} s, parent's peak {peak:.0f} MB (must at 10,000: 250)")
        for _ in range(3):
            wall, peak, told = _run(*asked, ledger=base / f"{count}.sqlite")
            known = re.search(r"(\d+) checked now, (\d+) known", told)
            said = known[0] if known else told
            print(f"  again: {said}: {wall:.2f} s, {peak:.0f} MB (must at 1,000: 3 s)", flush=True)
    del os.environ["STUB"]


def _run(*arguments: str, ledger: Path) -> tuple[float, float, str]:
    """Wall time (s), peak resident memory of that one process (MB), and what it said on standard error."""
    environment = {**os.environ, "COLLARGAP_LEDGER": str(ledger), "PYTHONPATH": str(ROOT)}
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], cwd=ROOT, env=environment, text=True,
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)  # fmt: skip
    assert process.stderr is not None
    told = process.stderr.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 10, 11):
        raise SystemExit(f"the job ended with {process.returncode}: {told}")
    return time.perf_counter() - began, usage.ru_maxrss / 1024, told


if __name__ == "__main__":
    main(*sys.argv[1:])
