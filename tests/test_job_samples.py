"""`collargap job` on real sample photos: the real command, real processes, the real looking; nothing stubbed."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_images" / "job"
PHOTOS = {
    "J-01": ["J-01.jpg"], "J-03": ["J-03_1.jpg", "J-03_2.jpg"], "J-08": ["J-08.jpg"], "J-11": ["J-11.jpg"],
}  # fmt: skip
JOINTS = {"J-01": "full", "J-03": "short", "J-08": "unproven", "J-11": "unproven"}

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four joints of the sample job, with their rows of its list."""
    made = tmp_path / "works"
    made.mkdir()
    with open(SAMPLES / "joints.csv", newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    with open(made / "joints.csv", "w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([head, *(row for row in rows if row[0] in PHOTOS)])
    for names in PHOTOS.values():
        for name in names:
            shutil.copy(SAMPLES / name, made)
    return made


@pytest.fixture
def collargap(tmp_path: Path) -> Command:
    """The command as a process of its own: (exit status, standard output, standard error)."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("COLLARGAP_")}
    environment |= {"COLLARGAP_LEDGER": str(tmp_path / "ledger.sqlite"), "COLUMNS": "200"}

    def run(*arguments: str | Path) -> tuple[int, str, str]:
        done = subprocess.run(
            [sys.executable, "-c", "from cli.main import run; run()", *map(str, arguments)],
            capture_output=True, text=True, timeout=120, cwd=ROOT, env=environment,
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        return done.returncode, done.stdout, done.stderr

    return run


def told(answer: dict[str, Any]) -> dict[str, Any]:
    """What an answer says about the joint, without what differs from run to run."""
    keys = ("sha256", "verdict", "fitting", "unit", "limit", "gap", "insertion", "p_full", "reasons")
    return {key: answer[key] for key in keys}


def test_a_job_says_what_check_says_and_says_it_once(
    folder: Path, collargap: Command, tmp_path: Path
) -> None:
    code, out, err = collargap("job", folder)
    assert code == 10, err
    assert "Photos: 5 checked now, 0 known from earlier runs, 0 that could not be checked." in err
    assert "3 of the 4 joints need a person. 1 short, 2 unproven, 0 not photographed, 1 full." in out

    assert re.search(r"J-03 \(demonstration fitting\)  gap 1/8 in \(0\.1[123]\d\), limit 1/16 in", out)
    assert "no verdict on them speaks of a real joint" in out

    lines = [json.loads(line) for line in (folder / "results.jsonl").read_text("utf-8").splitlines()]
    assert {line["joint"]: line["joint_verdict"] for line in lines} == JOINTS
    assert [line["photo"] for line in lines if line["joint"] == "J-03"] == ["J-03_2.jpg", "J-03_1.jpg"]
    for row in {line["fitting"] for line in lines}:  # the same bytes under it get the same answer from `check`
        under = [line for line in lines if line["fitting"] == row]
        _, answers, _ = collargap("check", *(folder / line["photo"] for line in under), "--fitting", row, "--json")
        assert [told(line) for line in under] == [told(json.loads(answer)) for answer in answers.splitlines()]

    with open(folder / "results.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(row["joint"], row["photo"], row["verdict"], row["sha256"]) for row in rows] == [
        (line["joint"], line["photo"], line["verdict"], line["sha256"]) for line in lines
    ]
    page = (folder / "report.html").read_text("utf-8")
    assert page.count('<img src="data:image/jpeg;base64,') == 4  # each photo of the three joints in need
    assert page.index("J-03</h3>") < page.index("All the rest") < page.index("<span>J-01</span>")

    code, again, err = collargap("job", folder)
    assert code == 10
    assert "Photos: 0 checked now, 5 known from earlier runs, 0 that could not be checked." in err
    assert again == out

    code, found, err = collargap("find", "--site", "works")
    assert code == 0
    assert "4 joints found." in err
    assert "not tightness" in err
    assert found.count("(demonstration fitting)") == 4
    for joint, verdict in JOINTS.items():
        assert f"{verdict.upper():<8}  works / {joint}  " in found

    code, shown, err = collargap("show", "J-03", "--overlays", tmp_path / "pictures")
    assert code == 0, err
    assert "2 photos" in shown
    assert all(f": {name}\n" in shown for name in PHOTOS["J-03"])
    pictures = sorted((tmp_path / "pictures").iterdir())
    assert len(pictures) == 2
    assert all(picture.read_bytes().startswith(b"\xff\xd8") for picture in pictures)


def test_a_marked_pipe_in_a_job_says_what_check_says(collargap: Command, tmp_path: Path) -> None:
    """The job takes the insertion from two answers, `check` from two photos: both must be the same."""
    for name in ("J-06.jpg", "J-06_before.jpg"):
        shutil.copy(SAMPLES / name, tmp_path)
    code, _, err = collargap("job", tmp_path, "--fitting", "demo-2", "--unit", "mm")
    assert code == 10, err
    assert "Photos: 2 checked now" in err
    lines = [json.loads(line) for line in (tmp_path / "results.jsonl").read_text("utf-8").splitlines()]
    by_name = {line["photo"]: line for line in lines}
    joint, pipe = by_name["J-06.jpg"], by_name["J-06_before.jpg"]
    _, alone, _ = collargap("premark", tmp_path / "J-06_before.jpg", "--fitting", "demo-2", "--unit", "mm", "--json")
    assert pipe["depth"] == json.loads(alone)["depth"]
    _, both, _ = collargap("check", tmp_path / "J-06.jpg", "--premark", tmp_path / "J-06_before.jpg",
                           "--fitting", "demo-2", "--unit", "mm", "--json")  # fmt: skip
    checked = json.loads(both)
    assert (joint["verdict"], joint["insertion_from"]) == (checked["verdict"], "premark")
    assert [r["code"] for r in joint["reasons"]] == [r["code"] for r in checked["reasons"]]
    for end in ("value", "low", "high", "u"):
        assert joint["insertion"][end] == pytest.approx(checked["insertion"][end], abs=1e-3)
    page = (tmp_path / "report.html").read_text("utf-8")
    assert ">marked pipe</span>" in page
    assert page.count('<img src="data:image/jpeg;base64,') == 2
