"""`collargap job` as its user sees it: real files, real processes, the looking itself stubbed."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageOps
from typer.testing import CliRunner

from calibration.fittings import demo_catalog
from cli.files import MADE_HERE
from cli.jobs.drawing import chart as drawn
from cli.jobs.folder import Found
from cli.jobs.judge import clues
from cli.jobs.listing import Joint
from cli.jobs.store import Store
from cli.jobs.worker import Task
from cli.ledger import Ledger
from tests.job_stub import answer, commands, fill, photo, stub_inspection

LIST = "joint,fitting,photo pattern,location,installer,machine,date\n"
ROOT = Path(__file__).parent.parent


class Threads:
    """An engine within this process, for tests that aren't about processes."""

    def start(self) -> Executor:
        return ThreadPoolExecutor(2)

    def stop(self, executor: Executor) -> None:
        executor.shutdown(cancel_futures=True)

    def in_flight(self) -> int:
        return 4


class Desk:
    """A folder to work in, with a ledger of its own."""

    def __init__(self, base: Path) -> None:
        self.folder = base / "job"
        self.folder.mkdir()
        self.ledger = base / "ledger.sqlite"

    def fill(self, names: dict[str, bytes], listed: str | None = None) -> None:
        fill(self.folder, names)
        if listed is not None:
            (self.folder / "joints.csv").write_text(LIST + listed)

    def run(self, *arguments: str) -> tuple[int, str, str]:
        """A command in this process; (exit status, standard output, standard error)."""
        done = CliRunner().invoke(commands(), arguments)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done.exit_code, done.stdout, done.stderr

    def job(self, *more: str) -> tuple[int, str, str]:
        return self.run("job", str(self.folder), *more)

    def start(self, *more: str, **how: Any) -> subprocess.Popen[str]:
        """A job as a process of its own, with processes of its own."""
        command = [sys.executable, "-m", "tests.job_stub", "job", str(self.folder), "--fitting", "2", *more]
        return subprocess.Popen(
            command, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT, **how
        )

    def real(self, *more: str, **how: Any) -> tuple[int, str, str]:
        process = self.start(*more, **how)
        out, err = process.communicate(timeout=120)
        assert "Traceback" not in err, err
        return process.returncode, out, err

    def rows(self, folder: Path | None = None) -> list[dict[str, str]]:
        with open((folder or self.folder) / "results.csv", newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    def checks(self) -> int:
        with Ledger(self.ledger) as ledger:
            return len({entry.check_id for entry in ledger.entries()})


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    made = Desk(tmp_path)
    monkeypatch.setenv("COLLARGAP_LEDGER", str(made.ledger))
    monkeypatch.setattr("cli.job._engine", lambda _workers, _cluster: Threads)
    return made


@pytest.mark.parametrize("option", ["--catalog", "--ledger", "--camera"])
def test_no_result_takes_the_place_of_what_the_job_uses(desk: Desk, option: str) -> None:
    desk.fill({"J-1.jpg": photo(1)})
    (desk.folder / "results.csv").write_text("precious")
    code, out, err = desk.job("--fitting", "2", option, str(desk.folder / "results.csv"))
    assert (code, out) == (2, "")
    assert "would be overwritten. Name another with --out." in err
    assert (desk.folder / "results.csv").read_text() == "precious"


# --- the ordinary day --------------------------------------------------------------------------------


def test_a_job_with_a_list(desk: Desk) -> None:
    desk.fill(
        {"J-1_1.jpg": photo(1), "J-1_2.jpg": photo(2, "none"), "deep/er/J-2.jpg": photo(3, "short"),
         "J-3.jpg": photo(4, "unproven"), "J-5_1.jpg": photo(5), "J-5_2.jpg": photo(6, "short"),
         "odd/side.jpg": photo(7), "stranger.jpg": photo(8)},
        "J-1,demo-2\nJ-2,demo-2\nJ-3,demo-2\nJ-4,demo-2\nJ-5,demo-2\nJ-6,demo-2,odd/*\n",
    )  # fmt: skip
    code, out, err = desk.job()
    assert code == 10, err
    assert "  SHORT             J-2 (demonstration fitting)  gap 1/4 in (0.250), limit 1/16 in (0.0625)\n" in out
    assert "4 of the 6 joints need a person. 1 short, 2 unproven, 1 not photographed, 2 full." in out
    assert "1 file stands for no joint: see the report.\n" in out
    assert "not tightness" in out
    assert [(row["joint"], row["joint_verdict"], row["photo"]) for row in desk.rows()] == [
        ("J-1", "full", "J-1_2.jpg"), ("J-1", "full", "J-1_1.jpg"), ("J-2", "short", "deep/er/J-2.jpg"),
        ("J-3", "unproven", "J-3.jpg"), ("J-4", "not photographed", ""), ("J-5", "unproven", "J-5_2.jpg"),
        ("J-5", "unproven", "J-5_1.jpg"), ("J-6", "full", "odd/side.jpg"),
    ]  # fmt: skip
    page = (desk.folder / "report.html").read_text("utf-8")
    assert "Photos disagree: J-5_1.jpg reads full, J-5_2.jpg reads short." in page
    assert "<b>stranger.jpg</b>: It belongs to no joint of joints.csv." in page
    assert page.index("J-2</h3>") < page.index("J-5</h3>") < page.index("J-3</h3>") < page.index("J-4</h3>")
    lines = [json.loads(line) for line in (desk.folder / "results.jsonl").read_text("utf-8").splitlines()]
    assert len(lines) == 8
    assert lines[2]["gap"]["value"] == 0.25
    assert [line["joint"] for line in lines[:3]] == ["J-1", "J-1", "J-2"]
    assert lines[4] == {**lines[4], "photo": None, "verdict": None, "joint_verdict": "not photographed"}


@pytest.mark.parametrize(("says", "code"), [("full", 0), ("short", 10), ("unproven", 11), ("none", 11)])
def test_exit_status_without_a_list(desk: Desk, says: str, code: int) -> None:
    desk.fill({"J-014_1.jpg": photo(1), "J-015/IMG_2.jpg": photo(2, says)})
    assert desk.job("--fitting", "2")[0] == code
    assert {row["joint"] for row in desk.rows()} == {"J-014", "J-015"}


def test_a_second_run_does_only_what_is_new_or_changed(desk: Desk) -> None:
    desk.fill(
        {f"J-{number}.jpg": photo(number) for number in range(6)}, "".join(f"J-{n},2\n" for n in range(6))
    )
    assert "6 checked now, 0 known" in desk.job()[2]
    assert "0 checked now, 6 known" in desk.job()[2]
    (desk.folder / "J-0.jpg").write_bytes(photo(99, "short"))
    os.rename(desk.folder / "J-1.jpg", desk.folder / "J-1_renamed.jpg")
    os.utime(desk.folder / "J-2.jpg", (10**9, 10**9))
    desk.fill({"J-3_2.jpg": photo(77)})
    assert "2 checked now, 5 known" in desk.job()[2]
    assert "0 checked now, 7 known" in desk.job()[2]
    assert "7 checked now" in desk.job("--confidence", "0.99")[2]
    catalog = (ROOT / "calibration" / "fittings.toml").read_text().replace("2.720", "2.721")
    (desk.folder / "own.toml").write_text(catalog)
    assert "7 checked now" in desk.job("--catalog", str(desk.folder / "own.toml"))[2]
    assert desk.checks() == 22


def test_a_worker_of_a_file_with_the_same_size_as_a_known_one_still_checks_it(desk: Desk) -> None:
    one = photo(1)
    desk.fill({"J-1.jpg": one})
    desk.job("--fitting", "2")
    desk.fill({"J-2.jpg": one[:-20] + bytes(20 - len(b"#short#1")) + b"#short#1"})
    assert desk.job("--fitting", "2")[0] == 10


def test_the_same_picture_for_two_joints_proves_neither(desk: Desk) -> None:
    desk.fill({"J-1.jpg": photo(1), "J-2.jpg": photo(1), "J-3.jpg": photo(1, side=90), "J-4.jpg": photo(4)})
    assert desk.job("--fitting", "2")[0] == 11
    assert [row["joint_verdict"] for row in desk.rows()] == ["unproven", "unproven", "unproven", "full"]
    assert (
        "J-1.jpg is the same file as J-2.jpg of joint J-2 (joints J-1, J-2 and J-3)."
        in desk.rows()[0]["findings"]
    )
    assert "is the same picture as" in desk.rows()[2]["findings"]


def test_nor_does_one_that_was_turned_mirrored_or_trimmed(desk: Desk) -> None:
    whole = photo(1, side=240)
    for name, change in {
        "K-1": lambda picture: picture, "K-2": lambda picture: picture.rotate(180), "K-3": ImageOps.mirror,
        "K-4": lambda picture: picture.crop((7, 7, 233, 233)),
    }.items():  # fmt: skip
        made = io.BytesIO()
        change(Image.open(io.BytesIO(whole))).save(made, "JPEG", quality=90)
        desk.fill({f"{name}.jpg": made.getvalue() + b"#full#1"})
    assert desk.job("--fitting", "2")[0] == 11
    assert {row["joint_verdict"] for row in desk.rows()} == {"unproven"}
    assert "4 of the 4 joints need a person" in desk.job("--fitting", "2")[1]


def test_a_picture_that_stood_for_a_joint_of_another_site_first_proves_nothing_here(desk: Desk) -> None:
    desk.fill({f"J-{number}.jpg": photo(number) for number in range(1, 4)})
    assert desk.job("--fitting", "2", "--site", "North yard")[0] == 0
    (desk.folder / "J-2.jpg").rename(desk.folder / "K-9.jpg")
    desk.fill({f"J-{number}.jpg": photo(10 + number) for number in range(1, 4)})
    assert desk.job("--fitting", "2", "--site", "South yard")[0] == 11
    words = {row["joint"]: (row["joint_verdict"], row["findings"]) for row in desk.rows()}
    assert words["J-1"] == ("full", "")
    assert words["K-9"][0] == "unproven"
    assert ("K-9.jpg is the same file as J-2.jpg of joint J-2 at the site North yard, which had it first."
            in words["K-9"][1])
    # and the site that had it first keeps its word
    desk.fill({f"J-{number}.jpg": photo(number) for number in range(1, 4)})
    (desk.folder / "K-9.jpg").unlink()
    assert desk.job("--fitting", "2", "--site", "North yard")[0] == 0


def test_a_photo_that_measured_more_than_the_limit_keeps_its_joint_from_being_full(desk: Desk) -> None:
    desk.fill({"J-1_1.jpg": photo(1), "J-1_2.jpg": photo(2, "beyond"), "J-2.jpg": photo(3, "unproven"),
               "J-2_2.jpg": photo(4)})
    code, out, err = desk.job("--fitting", "2")
    assert code == 11, err
    assert "J-1 (demonstration fitting)  gap 1/16 in (0.066), limit 1/16 in (0.0625)  J-1_2.jpg proves nothing" in out
    assert {row["joint"]: row["joint_verdict"] for row in desk.rows()} == {"J-1": "unproven", "J-2": "full"}
    assert ("J-1_2.jpg proves nothing by itself, but speaks against J-1_1.jpg, which reads full: its gap of 1/16 in "
            "(0.066) lies above the limit of 1/16 in (0.0625)." in desk.rows()[0]["findings"])
    assert "J-2" in desk.run("find", "--verdict", "full")[1]
    assert "J-1 " not in desk.run("find", "--verdict", "full")[1]


def test_no_joint_is_full_by_a_photo_whose_name_may_mean_another(desk: Desk) -> None:
    desk.fill({"Floor 1 joint 5.jpg": photo(1), "Floor 1 joint 6.jpg": photo(2, "none"), "A/J-1.jpg": photo(3),
               "B/J-1.jpg": photo(4, "none"), "Monday 12/IMG_1.jpg": photo(5), "Monday 12/IMG_2.jpg": photo(6, "none"),
               "B2_01.jpg": photo(7), "B2_02.jpg": photo(8), "J-03_1.jpg": photo(9), "J-03_2.jpg": photo(10)})
    code, _, err = desk.job("--fitting", "2")
    assert code == 11
    assert {row["joint"] for row in desk.rows() if row["joint_verdict"] == "full"} == {
        "Floor 1 joint 5", "A/J-1", "Monday 12/IMG_1", "B2", "J-03"}
    assert "taken for one joint by their names alone: B2 (B2_01.jpg and B2_02.jpg). If" in err
    assert "taken for different joints though they are named alike: J-1 (A and B). If" in err


def test_a_list_that_names_no_photos_says_which_it_took_together_from_different_folders(desk: Desk) -> None:
    desk.fill({"A/J-1.jpg": photo(1), "B/J-1.jpg": photo(2), "A/J-2.jpg": photo(3), "B/J-2.jpg": photo(4)},
              "J-1,2\nJ-2,2,*J-2*\n")
    code, _, err = desk.job()
    assert code == 0
    assert "by their names alone: J-1 (A/J-1.jpg and B/J-1.jpg). If" in err


def test_a_job_by_another_site_name_is_no_copy_of_itself(desk: Desk) -> None:
    desk.fill({f"J-{number}.jpg": photo(number) for number in range(1, 4)})
    assert desk.job("--fitting", "2", "--site", "North yard")[0] == 0
    code, _, err = desk.job("--fitting", "2", "--site", "Yard, north")
    assert code == 0
    assert "3 of the 3 photos were filed before for the same joints of the site North yard" in err
    assert not any(row["findings"] for row in desk.rows())
    (desk.folder / "J-2.jpg").unlink()
    (desk.folder / "J-3.jpg").unlink()  # a photo alone is too little to tell a job by
    assert desk.job("--fitting", "2", "--site", "South yard")[0] == 11



def test_times_and_drift_are_told(desk: Desk) -> None:
    names, rows = {}, []
    for number in range(20):
        taken = f"2026:05:04 10:{number:02}:00"
        if number == 7:
            taken = "2026:05:04 08:00:00"
        if number == 9:
            taken = "2019:05:04 10:09:00"
        names[f"J-{number:02}.jpg"] = photo(number, "short" if number == 12 else "full", taken)
        rows.append(f"J-{number:02},2,,,R. Ames,P-1,2026-05-04\n")
    desk.fill(names, "".join(rows))
    desk.job()
    told = {row["joint"]: row["findings"] for row in desk.rows()}
    assert "out of the list's order" in told["J-07"]
    assert "7 years before the date in the list" in told["J-09"]
    assert "Its gap of 0.250 in lies outside what the installer R. Ames usually leaves (0.000 to " in told["J-12"]
    assert "lies outside what the machine P-1 usually leaves" in told["J-12"]
    assert [joint for joint, text in told.items() if text] == ["J-07", "J-09", "J-12"]


@pytest.mark.parametrize(("unit", "gap"), [("in", "0.250 in"), ("mm", "6.3 mm")])
def test_drift_is_told_in_the_unit_of_the_answers(unit: str, gap: str) -> None:
    store, task = Store(), Task(1, "", "", demo_catalog()[1], None, 0.95, None, frozenset(), "1", stub_inspection)
    for number in range(12):
        place = store.add_joint(Joint(f"J-{number:02}", "2", installer="R. Ames"))
        store.add_photo(place, Found(f"/{number}.jpg", f"{number}.jpg", 1, 1, 1))
        told = answer(task, "short" if number == 8 else "full")
        if unit == "mm":
            told |= {"unit": "mm", "gap": {key: 25.4 * value for key, value in told["gap"].items()}}
        store.answer(number + 1, told | {"sha256": hashlib.sha256(bytes(number)).hexdigest()}, b"", "")
    seen = clues(store, listed_order=True)
    store.close()
    [found] = seen.by_joint["J-08"]
    assert found.text.startswith(f"Its gap of {gap} lies outside what the installer R. Ames usually leaves (")
    assert all(label.endswith(f" {unit}") for _, label in drawn(seen.charts[0]).labels)


def test_a_clock_that_was_never_set_hides_no_time_and_tells_none(desk: Desk) -> None:
    names = {f"J-{number}.jpg": photo(number, "full", f"2026:05:04 10:0{number}:00") for number in range(9)}
    names["J-4.jpg"] = photo(4, "full", "2026:05:04 08:00:00")
    names["J-4_2.jpg"] = photo(44, "short", "0000:00:00 00:00:00")
    desk.fill(names, "".join(f"J-{number},2,,,,,\n" for number in range(9)))
    desk.job()
    told = {row["joint"]: row["findings"] for row in desk.rows()}
    assert "Its first photo was taken on 2026-05-04 at 08:00, out of the list's order." in told["J-4"]
    assert "0000-00-00" not in (desk.folder / "report.html").read_text("utf-8")


# --- find and show -----------------------------------------------------------------------------------


def test_a_photo_that_was_found_to_be_another_joints_leaves_its_first_joint_without(desk: Desk) -> None:
    desk.fill({"J-21.jpg": photo(1)}, "J-21,2\nJ-22,2\n")
    desk.job()
    (desk.folder / "J-21.jpg").rename(desk.folder / "J-22.jpg")
    desk.job()
    words = [line.split()[1] for line in desk.run("find")[1].splitlines()]
    assert words == ["NOT", "FULL"]
    assert desk.run("find", "--verdict", "full")[2].startswith("1 joint found")
    (desk.folder / "J-22.jpg").rename(desk.folder / "J-21.jpg")
    desk.job()
    assert "FULL      job / J-21" in desk.run("find", "--verdict", "full")[1]


def test_a_short_joint_stays_short_where_its_photo_is_gone_and_not_where_it_is_anothers(desk: Desk) -> None:
    desk.fill({"J-1.jpg": photo(1, "short"), "J-2.jpg": photo(2, "short")}, "J-1,2\nJ-2,2\nJ-3,2\n")
    desk.job()
    (desk.folder / "J-1.jpg").unlink()
    (desk.folder / "J-2.jpg").rename(desk.folder / "J-3.jpg")
    desk.job()
    assert [line.split()[4] for line in desk.run("find", "--verdict", "short")[1].splitlines()] == ["J-1", "J-3"]


def test_a_joint_that_is_gone_is_not_full_by_a_photo_that_is_another_ones_now(desk: Desk) -> None:
    desk.fill({"J-21.jpg": photo(1), "J-30.jpg": photo(2, "short"), "J-31.jpg": photo(3)})
    desk.job("--fitting", "2")
    (desk.folder / "J-21.jpg").rename(desk.folder / "J-22.jpg")
    (desk.folder / "J-30.jpg").rename(desk.folder / "J-32.jpg")
    (desk.folder / "J-31.jpg").unlink()
    desk.job("--fitting", "2")
    words = {line.split()[4]: line.split()[1] for line in desk.run("find")[1].splitlines()}
    assert words == {"J-21": "UNPROVEN", "J-22": "FULL", "J-30": "SHORT", "J-31": "FULL", "J-32": "SHORT"}


def _job_in(desk: Desk, folder: str, data: bytes) -> tuple[int, str]:
    fill(desk.folder.parent / folder, {"J-1.jpg": data})
    status, _, err = desk.run("job", str(desk.folder.parent / folder), "--fitting", "2")
    return status, err


def test_two_folders_of_one_name_are_two_sites(desk: Desk, tmp_path: Path) -> None:
    assert _job_in(desk, "a/photos", photo(1, "short"))[0] == 10
    for _ in range(2):  # it keeps its name in a later run
        status, err = _job_in(desk, "b/photos", photo(2))
        assert status == 0
        assert f"is that of the folder {tmp_path / 'a' / 'photos'}; this job is filed as b/photos" in err
    assert "site name" not in _job_in(desk, "a/photos", photo(1, "short"))[1]
    assert " SHORT     photos / J-1 " in desk.run("find", "--verdict", "short")[1]
    assert " FULL      b/photos / J-1 " in desk.run("find", "--verdict", "full")[1]


def test_a_folder_that_was_moved_keeps_its_sites_name(desk: Desk, tmp_path: Path) -> None:
    _job_in(desk, "a/photos", photo(1))
    (tmp_path / "archive").mkdir()
    (tmp_path / "a" / "photos").rename(tmp_path / "archive" / "photos")
    assert "site name" not in _job_in(desk, "archive/photos", photo(1))[1]
    assert desk.run("find")[1].count("photos / J-1") == 1


def test_jobs_that_were_filed_under_one_name_are_said_to_be(desk: Desk, tmp_path: Path) -> None:
    for folder in ("a/photos", "b/photos"):
        fill(tmp_path / folder, {f"{folder[0]}.jpg": photo(ord(folder[0]))})
        desk.run("job", str(tmp_path / folder), "--fitting", "2", "--site", "photos")
    assert f"Photos of the folder {tmp_path / 'a' / 'photos'} are filed under the site name photos too" in desk.run(
        "job", str(tmp_path / "b" / "photos"), "--fitting", "2")[2]


def test_find_and_show_over_several_jobs(desk: Desk, tmp_path: Path) -> None:
    desk.fill({"J-1.jpg": photo(1, "short"), "J-2.jpg": photo(2)}, "J-1,2,,Sump 4,,,2019-03-01\nJ-2,2\n")
    desk.job("--site", "North yard")
    desk.job("--site", "South")
    (desk.folder / "J-1.jpg").write_bytes(photo(3))
    desk.job("--site", "South")
    code, out, _ = desk.run("find", "--site", "north", "--verdict", "short")
    assert code == 0
    assert out == "2019-03-01  SHORT     North yard / J-1  (1 photo; Sump 4)  (demonstration fitting)\n"
    assert "South / J-1" in desk.run("find", "--date", "2019-03-01", "--verdict", "full")[1]
    assert desk.run("find", "--since", "2030-01-01")[1] == ""
    code, out, _ = desk.run("show", "J-1", "--site", "South", "--overlays", str(tmp_path / "pictures"))
    assert code == 0
    assert out.count("  check ") == 2
    assert "short: gap 1/4 in (0.250)" in out
    assert len(list((tmp_path / "pictures").glob("J-1-check-*.jpg"))) == 2
    assert desk.run("show", "J-9")[0] == 2
    assert desk.run("find", "--since", "someday")[0] == 2


def test_a_day_that_may_be_meant_otherwise_is_said(desk: Desk) -> None:
    desk.fill({"J-1.jpg": photo(1)}, "J-1,2,,,,,2025-12-05\n")
    desk.job()
    _, out, err = desk.run("find", "--date", "12/5/2025")
    assert "J-1" in out
    assert err.count("12/5/2025 is read with the month first, as 2025-12-05; write 2025-12-05 or 2025-05-12") == 1
    assert "is read" not in desk.run("find", "--date", "2025-12-05")[2]
    assert "is read" not in desk.run("find", "--since", "25/5/2025")[2]  # there is no month 25
    for more in ("--since", "--until"):
        code, out, err = desk.run("find", "--date", "2025-12-05", more, "2025-12-06")
        assert (code, out) == (2, "")
        assert "--date is one day" in err


# --- deaths ------------------------------------------------------------------------------------------


def _until(true: Callable[[], Any], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.02)


def _slow_desk(desk: Desk, photos: int = 40) -> None:
    desk.fill({f"J-{number:02}.jpg": photo(number, "slow") for number in range(photos)})


def _some_checks(desk: Desk) -> bool:
    return desk.ledger.exists() and desk.checks() >= 3


def test_ctrl_c_leaves_what_is_done(desk: Desk) -> None:
    _slow_desk(desk)
    process = desk.start("--workers", "2", start_new_session=True)
    _until(lambda: _some_checks(desk) or process.poll() is not None)
    assert process.poll() is None, process.communicate()
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: parent and workers
    out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "Traceback" not in err
    assert "have not been looked at yet" in err
    done = desk.checks()
    rows = desk.rows()
    told = sum(row["verdict"] == "full" for row in rows)
    assert told in (done, done - 1)  # it may strike between the ledger and the run's own notes
    assert {row["joint_verdict"] for row in rows if not row["verdict"]} == {"unproven"}
    assert f"{told} full" in out
    _, _, err = desk.job("--fitting", "2")
    assert f"{40 - done} checked now, {done} known" in err


def test_a_killed_run_loses_nothing_and_leaves_no_process(desk: Desk) -> None:
    _slow_desk(desk)
    process = desk.start("--workers", "2", start_new_session=True)
    _until(lambda: _some_checks(desk) or process.poll() is not None)
    assert process.poll() is None, process.communicate()
    os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=30)
    done = desk.checks()
    assert done >= 3
    _until(lambda: not _group_lives(process.pid))
    assert f"{40 - done} checked now, {done} known" in desk.job("--fitting", "2")[2]


def _group_lives(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_photo_that_kills_its_worker_costs_only_itself(desk: Desk) -> None:
    desk.fill(
        {f"J-{number}.jpg": photo(number, "kill" if number in (3, 4) else "full") for number in range(9)}
    )
    desk.fill({"J-8.jpg": photo(8, "fail")})
    code, _, err = desk.real("--workers", "2")
    assert code == 1
    assert "6 checked now, 0 known from earlier runs, 3 that could not be checked" in err
    assert "failed on 3 photos" in err
    errors = {row["joint"]: row["error"] for row in desk.rows() if row["error"]}
    assert set(errors) == {"J-3", "J-4", "J-8"}
    assert "process" in errors["J-3"]
    assert "a fault of the program" in errors["J-8"]


def test_two_jobs_at_once_share_a_ledger(desk: Desk) -> None:
    desk.fill({f"J-{number}.jpg": photo(number) for number in range(30)})
    out = [desk.folder.parent / name for name in ("one", "two")]
    both = [desk.start("--out", str(each)) for each in out]
    told = [process.communicate(timeout=60)[1] for process in both]
    assert [process.returncode for process in both] == [0, 0], told
    assert [len(desk.rows(each)) for each in out] == [30, 30]


# --- hostile input -----------------------------------------------------------------------------------

HOSTILE = (
    b"J-1_<script>alert(1)<%script>.jpg",
    b"J-2_\" onerror='x'.jpg",
    b"J-3_line\nbreak\r.jpg",
    b"=cmd|' %C calc'!A0.jpg",
    b"+J-4.jpg",
    b"-J-5.jpg",
    b"@SUM(A1).jpg",
    "J-6_\u202egpj.jpg".encode(),
    b"J-7_\x1b[2J.jpg",
    b"J-8_caf\xe9.jpg",
    b"J-9_{{ 7*7 }}{% raw %}.jpg",
    b"J-10_]]>&amp;<!--.jpg",
)


def test_hostile_names(desk: Desk) -> None:
    for number, name in enumerate(HOSTILE):
        with open(os.fsencode(desk.folder) + b"/" + name, "wb") as file:
            file.write(photo(number, "short"))
    code, out, err = desk.job("--fitting", "2", "--site", "=1+1<b>\x07")
    assert code == 10
    assert f"{len(HOSTILE)} checked now" in err
    for text in (out, err):
        assert "\x1b" not in text
        assert "\u202e" not in text
    page = (desk.folder / "report.html").read_text("utf-8")
    assert "<script" not in page
    assert "onerror='" not in page
    assert "\u202e" not in page
    assert "\\u202egpj" in page
    assert "{{ 7*7 }}" in page
    assert "caf\\xe9" in page
    raw = (desk.folder / "results.csv").read_bytes().decode()
    assert "\u202e" not in raw
    for row in desk.rows():
        for value in row.values():
            assert not value.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert len(desk.rows()) == len(HOSTILE)
    for line in (desk.folder / "results.jsonl").read_text("ascii").splitlines():
        assert json.loads(line)["verdict"] == "short"
    assert desk.run("show", "=cmd|' %C calc'!A0", "--overlays", str(desk.folder / "o"))[0] == 0
    assert "0 checked now" in desk.job("--fitting", "2", "--site", "=1+1<b>\x07")[2]


def test_hostile_list(desk: Desk) -> None:
    desk.fill(
        {"A.jpg": photo(1)}, 'A,2,,"=HYPERLINK(""http://x"")",<img src=x>,+1,2026-05-04\n"../../etc",2\n'
    )
    desk.job()
    assert desk.rows()[0]["location"].startswith("'=")
    assert "<img src=x" not in (desk.folder / "report.html").read_text("utf-8")


def test_a_link_out_of_the_folder_is_not_read(desk: Desk, tmp_path: Path) -> None:
    desk.fill({"J-1.jpg": photo(1)})
    (tmp_path / "secret.jpg").write_bytes(photo(2, "short"))
    (desk.folder / "J-2.jpg").symlink_to(tmp_path / "secret.jpg")
    assert desk.job("--fitting", "2")[0] == 0
    assert "outside the job folder" in (desk.folder / "report.html").read_text("utf-8")
    (desk.folder / "joints.csv").symlink_to(tmp_path / "secret.jpg")
    assert desk.job("--fitting", "2")[0] == 2


def test_pictures_that_were_drawn_here_are_no_photos(desk: Desk) -> None:
    """By their names they aren't even looked at; under another name the worker knows them."""
    drawn = photo(2, "short")[:2] + b"\xff\xfe\x00\x33" + MADE_HERE + photo(2, "short")[2:]
    desk.fill({"J-1.jpg": photo(1), "J-1-collargap.jpg": drawn, "J-1-check-12.jpg": drawn, "J-1_2.jpg": drawn,
               "J-2-collargap.jpg": photo(3)}, "J-1,2\nJ-2,2\n")
    code, out, _ = desk.job()
    assert code == 0, out
    assert "2 files stand for no joint" in out
    told = {row["photo"]: (row["verdict"], row["error"]) for row in desk.rows()}
    assert told["J-1_2.jpg"][0] == ""
    assert "a picture that collargap drew of a photo" in told["J-1_2.jpg"][1]
    assert told["J-2-collargap.jpg"] == ("full", "")


def test_photos_that_can_not_be_read(desk: Desk) -> None:
    desk.fill({"J-1.jpg": photo(1), "J-2.jpg": photo(2)})
    with open(desk.folder / "J-3.jpg", "wb") as file:
        file.truncate(2**40)
    code, _, err = desk.job("--fitting", "2")
    assert code == 11
    assert "2 checked now" in err
    assert "larger than 256 MiB" in desk.rows()[2]["error"]


def test_nothing_to_do(desk: Desk) -> None:
    assert "no photos" in desk.job("--fitting", "2")[2]
    assert "no joints.csv" in desk.job()[2]
    assert desk.job()[0] == 2
    assert "no folder" in desk.run("job", str(desk.folder / "gone"), "--fitting", "2")[2]
    assert "No fitting is called" in desk.job("--fitting", "demo-77")[2]
    desk.fill({}, "J-1,2\nJ-2,2\n")
    code, out, _ = desk.job()
    assert code == 11
    assert "2 not photographed" in out
    (desk.folder / "joints.csv").write_bytes(b"\xff\xd8\xff\xe0 a photo")
    assert desk.job()[0] == 2


def test_an_unknown_fitting_costs_only_its_joints(desk: Desk) -> None:
    desk.fill({"J-1.jpg": photo(1), "J-2.jpg": photo(2), "J-3.jpg": photo(3)}, "J-1,demo-77\nJ-2,2\nJ-3,\n")
    assert desk.job()[0] == 11
    assert [row["joint_verdict"] for row in desk.rows()] == ["unproven", "full", "unproven"]
    assert "No fitting is called 'demo-77'" in desk.rows()[0]["findings"]
    assert "names no fitting" in desk.rows()[2]["findings"]


def test_a_folder_that_can_not_be_written(desk: Desk, tmp_path: Path) -> None:
    """The parent of --out is a file, which no user, not even root, can write into."""
    desk.fill({"J-1.jpg": photo(1, "short")})
    code, out, err = desk.job("--fitting", "2", "--out", str(desk.folder / "J-1.jpg" / "x"))
    assert code == 1
    assert "results.csv, results.jsonl and report.html could not be written" in err
    assert "--out" in err
    assert "1 short" in out
    assert desk.checks() == 1
    assert "1 known" in desk.job("--fitting", "2", "--out", str(tmp_path / "elsewhere"))[2]


def test_a_full_disk(desk: Desk) -> None:
    """Files may grow to 48 kB only: the ledger and the page run into it, the table is still written."""
    desk.fill({f"J-{number:02}.jpg": photo(number, "short") for number in range(30)})

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (48_000, 48_000))

    code, out, err = desk.real(preexec_fn=limit)
    assert code == 1
    assert "30 short" in out
    assert "can't be used" in err
    assert "goes on without it" in err
    assert "report.html could not be written" in err
    assert len(desk.rows()) == 30
    assert not list(desk.folder.glob(".*.part"))
    Ledger(desk.ledger).close()
    assert desk.job("--fitting", "2")[0] == 10


def test_a_ledger_that_is_none(desk: Desk) -> None:
    desk.fill({"J-1.jpg": photo(1)})
    desk.ledger.write_bytes(b"not a ledger at all, but a letter" * 50)
    code, out, err = desk.job("--fitting", "2")
    assert code == 1
    assert "can't be used" in err
    assert "1 full" in out
    assert desk.ledger.read_bytes().startswith(b"not a ledger")
    assert "data:image/jpeg" not in (desk.folder / "report.html").read_text("utf-8")


@pytest.mark.parametrize(("out", "remedy"), [("file", "There is a file of this name: move it away"),
                                             ("file/below", "There is a file of this name"),
                                             ("/proc/none", "See whether the folder may be written to")])
def test_what_to_do_where_results_can_not_be_written(desk: Desk, out: str, remedy: str) -> None:
    desk.fill({"J-1.jpg": photo(1)})
    (desk.folder / "file").write_text("")
    code, _, err = desk.job("--fitting", "2", "--out", str(desk.folder / out))
    assert code == 1
    assert remedy in err
    assert "Make room" not in err


def test_copies_within_one_run_are_not_known_from_an_earlier_one(desk: Desk) -> None:
    desk.fill({f"J-{number}.jpg": photo(1) for number in range(9)})
    assert "9 checked now, 0 known" in desk.job("--fitting", "2")[2]
    assert "0 checked now, 9 known" in desk.job("--fitting", "2")[2]


def test_a_ledger_damaged_in_the_middle(desk: Desk) -> None:
    desk.fill({f"J-{number:02}.jpg": photo(number) for number in range(20)})
    desk.job("--fitting", "2")
    data = bytearray(desk.ledger.read_bytes())
    data[8192 : len(data) - 4096] = b"\xa5" * (len(data) - 12288)
    desk.ledger.write_bytes(data)
    code, out, err = desk.job("--fitting", "2")
    assert code == 1
    assert "can't be used" in err
    assert "20 full" in out
    assert desk.run("find")[0] == 2


# --- the real inspection -----------------------------------------------------------------------------


def test_the_real_door(desk: Desk) -> None:
    """Files that are no photos of a joint go through real processes and the real pipeline."""
    blank = io.BytesIO()
    Image.new("RGB", (200, 100), "white").save(blank, "PNG")
    desk.fill({"J-1.jpg": b"a letter, renamed", "J-2.png": blank.getvalue(), "J-3.jpg": b""})
    command = [
        sys.executable,
        "-c",
        "from cli.main import run; run()",
        "job",
        str(desk.folder),
        "--fitting",
        "2",
    ]
    done = subprocess.run(command, cwd=ROOT, text=True, capture_output=True, timeout=120)
    assert done.returncode == 11, done.stderr
    told = [row["reasons"].split()[0] for row in desk.rows()]
    assert told == ["not-a-photo", "too-small", "not-a-photo"]
    assert desk.checks() == 3


@pytest.mark.parametrize("name", ["Joints.csv", "JOINTS.CSV"])
def test_the_list_is_read_whatever_the_case_of_its_name(desk: Desk, name: str) -> None:
    desk.fill({"A.jpg": photo(1), name: b"joint,fitting\nA,2\nB,2\n"})
    assert desk.job()[0] == 11
    assert [row["joint"] for row in desk.rows()] == ["A", "B"]


def test_two_lists_of_one_name_but_for_its_case(desk: Desk) -> None:
    desk.fill({"A.jpg": photo(1), "Joints.csv": b"joint,fitting\nB,2\n", "JOINTS.csv": b"joint,fitting\nA,2\n"})
    status, _, err = desk.job()
    assert status == 2
    assert "The folder has JOINTS.csv and Joints.csv." in err
    desk.fill({}, "A,2\n")
    assert desk.job()[0] == 2  # which of them holds, nobody knows
    for name in ("JOINTS.csv", "Joints.csv"):
        (desk.folder / name).unlink()
    assert desk.job()[0] == 0


def test_the_ledger_says_of_a_joint_what_its_job_said(desk: Desk) -> None:
    """A picture that stands for two joints proves neither; years later the ledger must not say otherwise."""
    once = photo(1, "full")
    desk.fill({"A.jpg": once, "B.jpg": once, "C.jpg": photo(2, "full")}, "A,2,,,,,\nB,2,,,,,\nC,2,,,,,\n")
    assert desk.job()[0] == 11
    _, out, _ = desk.run("find", "--ledger", str(desk.ledger))
    assert [line.split()[1] for line in out.splitlines()] == ["UNPROVEN", "UNPROVEN", "FULL"]
    _, out, _ = desk.run("find", "--ledger", str(desk.ledger), "--verdict", "full")
    assert len(out.splitlines()) == 1
    assert "UNPROVEN" in desk.run("show", "A", "--ledger", str(desk.ledger))[1].splitlines()[0]
    (desk.folder / "B.jpg").write_bytes(photo(3, "full"))
    assert desk.job()[0] == 0
    assert desk.run("find", "--ledger", str(desk.ledger))[1].count("FULL") == 3


def test_a_column_that_is_nearly_one_is_not_passed_over(desk: Desk) -> None:
    desk.fill({"A.jpg": photo(1, "full")})
    (desk.folder / "joints.csv").write_text("joint,fitting,side,crew,weld no\nA,2,90,B,7\n")
    status, _, err = desk.job()
    assert status == 2
    assert "has a column 'side', which is not known; 'sides' is." in err
    (desk.folder / "joints.csv").write_text("joint,fitting,crew,weld no\nA,2,B,7\n")
    status, _, err = desk.job()
    assert status == 0
    assert "joints.csv has columns that are not read: crew, weld no." in err


def test_a_joint_that_the_list_names_twice_is_not_full(desk: Desk) -> None:
    """The row that is left out may name the photo that speaks against it."""
    desk.fill({"one.jpg": photo(1, "full"), "two.jpg": photo(2, "short")}, "A,2,one.jpg,,,,\nA,2,two.jpg,,,,\n")
    assert desk.job()[0] == 11
    assert "more than once" in desk.rows()[0]["findings"]


def test_pictures_with_other_endings_are_opened_or_named(desk: Desk) -> None:
    desk.fill({"A_1.jpg": photo(1, "full"), "A_2.jfif": photo(2, "short"), "A_3.gif": b"GIF89a",
               "A_4": photo(3, "short"), "notes": b"no picture"}, "A,2,A_*,,,,\n")
    status, out, _ = desk.job()
    assert status == 11  # one photo says full and one short
    assert "2 files stand for no joint" in out
    page = (desk.folder / "report.html").read_text()
    assert "A_3.gif" in page
    assert "A_4" in page
    assert "notes" not in page
