"""`collargap job --cluster`: a real scheduler, two real worker processes on loopback, one of them killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cli.ledger import Ledger
from tests.job_stub import fill, photo

ROOT = Path(__file__).parent.parent
_QUIET = {
    "DASK_DISTRIBUTED__LOGGING__DISTRIBUTED": "error",
    "DASK_DISTRIBUTED__ADMIN__LOW_LEVEL_LOG_LENGTH": "0",
}


class Yard:
    """A scheduler and two workers, each a process."""

    def __init__(self, base: Path) -> None:
        note = base / "scheduler.json"
        here = ("--scheduler-file", str(note), "--host", "127.0.0.1", "--no-dashboard")
        self.scheduler = self._start("scheduler", *here, "--port", "0")
        self.workers = [
            self._start(
                "worker", *here, "--nthreads", "1", "--no-nanny", "--local-directory", f"{base}/{number}"
            )
            for number in range(2)
        ]
        _until(note.exists)
        self.address = _address(note)

    def _start(self, what: str, *arguments: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.dask_{what}", *arguments]
        nowhere = subprocess.DEVNULL
        return subprocess.Popen(command, cwd=ROOT, env=_environment(), stdout=nowhere, stderr=nowhere)

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


def _environment(**more: str) -> dict[str, str]:
    return {**os.environ, **_QUIET, "PYTHONPATH": str(ROOT), **more}


def _address(note: Path) -> str:
    return str(json.loads(note.read_text())["address"])


def _until(true: Any, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.05)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    made = Yard(tmp_path_factory.mktemp("yard"))
    yield made
    made.close()


def _job(folder: Path, ledger: Path, address: str) -> subprocess.Popen[str]:
    command = [
        sys.executable,
        "-m",
        "tests.job_stub",
        "job",
        str(folder),
        "--fitting",
        "2",
        "--cluster",
        address,
    ]
    return subprocess.Popen(command, cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            env=_environment(COLLARGAP_LEDGER=str(ledger)))  # fmt: skip


def _checks(ledger: Path) -> int:
    if not ledger.exists():
        return 0
    with Ledger(ledger) as book:
        return len(list(book.entries()))


def test_a_worker_killed_half_way_costs_nothing(yard: Yard, tmp_path: Path) -> None:
    says = {f"J-{number:02}.jpg": photo(number, "slow") for number in range(60)}
    folder, ledger = fill(tmp_path / "job", says), tmp_path / "ledger.sqlite"
    job = _job(folder, ledger, yard.address)
    _until(lambda: _checks(ledger) >= 10)
    os.kill(yard.workers[0].pid, signal.SIGKILL)
    assert _checks(ledger) < 50, "the worker must die in the middle"
    out, err = job.communicate(timeout=120)
    assert job.returncode == 0, err
    assert "60 checked now, 0 known from earlier runs, 0 that could not be checked" in err
    assert "60 full" in out
    assert _checks(ledger) == 60


def test_a_cluster_that_is_lost_leaves_what_is_done(yard: Yard, tmp_path: Path) -> None:
    says = {f"J-{number:02}.jpg": photo(number, "slow") for number in range(60)}
    folder, ledger = fill(tmp_path / "job", says), tmp_path / "ledger.sqlite"
    job = _job(folder, ledger, yard.address)
    _until(lambda: _checks(ledger) >= 3)
    yard.close()
    out, err = job.communicate(timeout=120)
    assert job.returncode == 1, err
    assert "The cluster is gone" in err
    assert "have not been looked at yet" in err
    assert f"{_checks(ledger)} full" in out
    assert (folder / "report.html").exists()


def test_no_cluster_there(tmp_path: Path) -> None:
    job = _job(fill(tmp_path / "job", {"J-1.jpg": photo(1)}), tmp_path / "l.sqlite", "tcp://127.0.0.1:9")
    _, err = job.communicate(timeout=120)
    assert job.returncode == 1
    assert "No Dask scheduler answers at tcp://127.0.0.1:9" in err
    assert "Traceback" not in err
