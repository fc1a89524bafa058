"""A job whose list says from which sides the photos of a joint were taken."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

import cli.job
from cli.answer import answer_of
from cli.jobs.together import Views, findings_of
from cli.ledger import Ledger
from tests.answers import known_fitting, known_verdict
from tests.job_stub import photo
from tests.test_job import Desk, Threads

LIST = "joint,fitting,photo,sides\n"


def stub_combine(views: Views) -> dict[str, Any]:
    """As many sides, so much is seen; the first photo's word says what becomes of them."""
    says, *pipes = (Path(path).read_bytes().rsplit(b"#", 2)[1].decode() for path in (views.paths[0], *views.pipe_paths))
    if says == "slow":
        raise ValueError("a fault of the program")
    says = "unproven" if "misplaced" in pipes else says
    reasons = [] if says == "full" else [{"code": "too-little-seen", "text": "Too little was seen.", "advice": "More."}]
    seen = min(1.0, len(views.sides_deg) / 3)
    return {"premark": list(zip(views.pipe_names, views.pipe_sides_deg, strict=False)),
            "verdict": says, "unit": "in", "limit": 0.0625, "seen": seen, "worst_at_deg": views.sides_deg[-1],
            "worst": {"value": 0.02, "low": 0.0, "high": 0.05, "u": 0.01}, "reasons": reasons,
            "views": [{"photo": name} for name in views.names]}


@pytest.fixture
def in_processes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setattr(cli.job, "combine", stub_combine)
    made = Desk(tmp_path)
    monkeypatch.setenv("COLLARGAP_LEDGER", str(made.ledger))
    return made


@pytest.fixture
def desk(in_processes: Desk, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setattr(cli.job, "_engine", lambda _workers, _cluster: Threads)
    return in_processes


def fill(desk: Desk, listed: str, **photos: str) -> None:
    desk.fill({f"{name}.jpg": photo(seed, says) for seed, (name, says) in enumerate(photos.items())})
    (desk.folder / "joints.csv").write_text(LIST + listed)


def joints(desk: Desk) -> dict[str, str]:
    return {row["joint"]: row["joint_verdict"] for row in desk.rows()}


def test_sides_of_the_list_make_one_verdict(in_processes) -> None:
    desk = in_processes  # views and what they say travel between processes
    fill(desk, "J-1,2,J-1_*,0 120 240\nJ-2,2,J-2_*,\n",
         **{"J-1_1": "full", "J-1_2": "none", "J-1_3": "full", "J-2_1": "full"})
    status, out, err = desk.job()
    assert status == 0, out + err
    assert joints(desk) == {"J-1": "full", "J-2": "full"}
    page = (desk.folder / "report.html").read_text()
    assert "Seen from 3 sides, 100% of the circumference" in page
    assert '<td data-name="Gap"><span>1/32 in (0.020)</span></td>' in page  # the worst all round
    assert "worst gap all round 0.020 in (0.000 to 0.050 in) at 240 degrees" in desk.rows()[0]["findings"]
    lines = [json.loads(line) for line in (desk.folder / "results.jsonl").read_text().splitlines()]
    assert [bool(line["all_round"]) for line in lines] == [True, True, True, False]


def test_sides_of_the_marked_pipe_travel_along(desk) -> None:
    """The marked pipe's photos are told from the joint's by their names, and their sides by a column of their own."""
    photos = {"J-1_1": "full", "J-1_2": "full", "J-1_before": "full"}
    desk.fill({f"{name}.jpg": photo(seed, says) for seed, (name, says) in enumerate(photos.items())})
    head = "joint,fitting,photo,sides,premark sides\n"
    (desk.folder / "joints.csv").write_text(f"{head}J-1,2,J-1_*,0 120,4h\n")
    desk.job()
    lines = [json.loads(line) for line in (desk.folder / "results.jsonl").read_text().splitlines()]
    assert next(line["all_round"]["premark"] for line in lines if line["all_round"]) == [["J-1_before.jpg", 120.0]]
    (desk.folder / "joints.csv").write_text(f"{head}J-1,2,J-1_*,0 120,4h 8h\n")
    _, _, err = desk.job()
    assert "its column 'premark sides' names 2 sides, but there is 1 photo" in err


def test_photos_are_told_as_they_were_put_together(desk, monkeypatch) -> None:
    """Where the sides are known the marked pipe tells more of each photo than it tells of photos from anywhere."""
    def combined(views: Views) -> dict[str, Any]:
        both = {"value": 1.1, "low": 1.05, "high": 1.15, "u": 0.02}
        told = {name: plain | {"photo": name, "insertion": both, "insertion_from": "premark"} for name in views.names}
        return stub_combine(views) | {"answers": told}

    monkeypatch.setattr(cli.job, "combine", combined)
    fill(desk, "J-1,2,J-1_*,0 120\n", **{"J-1_1": "full", "J-1_2": "full"})
    plain = json.loads(answer_of(known_verdict(0.9), known_fitting(), photo="", sha256="0", unit="in", seconds=0.0)
                         .model_dump_json())
    desk.job()
    assert [row["insertion"] for row in desk.rows()] == ["1.1", "1.1"]
    lines = [json.loads(line) for line in (desk.folder / "results.jsonl").read_text().splitlines()]
    assert all("answers" not in line["all_round"] for line in lines)


def test_full_photos_are_not_enough_where_the_sides_are_known(desk) -> None:
    """The word of the joint is that of all views, not that of the best photo; the report says why."""
    fill(desk, "J-1,2,J-1_*,12h 4h\n", **{"J-1_1": "unproven", "J-1_2": "full"})
    assert desk.job()[0] == 11
    assert joints(desk) == {"J-1": "unproven"}
    page = (desk.folder / "report.html").read_text()
    assert "Too little was seen." in page
    assert "67% of the circumference" in page


@pytest.mark.parametrize(("sides", "sentence"), [("0", "names 1 side"), ("north south", "can't be read"),
                                                 ("0 120 240", "names 3 sides")])
def test_sides_that_can_not_be_used_are_said_and_no_photo_alone_makes_the_joint_full(desk, sides, sentence) -> None:
    fill(desk, f"J-1,2,J-1_*,{sides}\n", **{"J-1_1": "full", "J-1_2": "full"})
    status, _, err = desk.job()
    assert status == 11
    assert sentence in err
    assert "'sides'" in err
    assert "could not be put together" in desk.rows()[0]["findings"]


def test_the_ledger_calls_none_full_by_single_photos_whose_sides_are_named(desk, monkeypatch) -> None:
    """A run that is killed before it judges leaves checks, and no word for the joint."""
    fill(desk, "J-1,2,J-1_*,0 120\nJ-2,2,J-2*,\n", **{"J-1_1": "full", "J-1_2": "full", "J-2": "full"})
    with monkeypatch.context() as killed:
        killed.setattr(cli.job, "_keep_words", lambda *_: None)
        desk.job()
    words = {line.split()[4]: line.split()[1] for line in desk.run("find")[1].splitlines()}
    assert words == {"J-1": "UNPROVEN", "J-2": "FULL"}
    desk.job()
    assert desk.run("find", "--verdict", "full")[2].startswith("2 joints found")


def test_a_short_photo_counts_though_the_sides_can_not_be_used(desk) -> None:
    fill(desk, "J-1,2,J-1_*,north\n", **{"J-1_1": "short"})
    assert desk.job()[0] == 10


def test_a_picture_of_another_joint_leaves_none_full_whose_sides_are_named(desk) -> None:
    """Two of three views are another joint's: what is left shows a third of the circumference."""
    twice, once = photo(1, "full"), photo(2, "full")
    desk.fill({"J-1_1.jpg": twice, "J-2_1.jpg": twice, "J-2_2.jpg": once})
    (desk.folder / "joints.csv").write_text(f"{LIST}J-1,2,J-1_*,\nJ-2,2,J-2_*,0 120\n")
    assert desk.job()[0] == 11
    assert joints(desk)["J-2"] == "unproven"


def test_a_fault_while_combining_leaves_no_joint_full(desk) -> None:
    fill(desk, "J-1,2,J-1_*,0 120\n", **{"J-1_1": "slow", "J-1_2": "full"})
    status, _, err = desk.job()
    assert status == 11
    assert "could not be put together" in err


def test_a_joint_with_a_photo_that_failed_is_not_combined(desk) -> None:
    fill(desk, "J-1,2,J-1_*,0 120\n", **{"J-1_1": "full", "J-1_2": "fail"})
    _, _, err = desk.job()
    assert "not all of its photos could be checked" in err


def test_known_photos_are_combined_again(desk) -> None:
    fill(desk, "J-1,2,J-1_*,12h 4h\n", **{"J-1_1": "unproven", "J-1_2": "full"})
    assert [desk.job()[0] for _ in range(2)] == [11, 11]


def test_the_ledger_shows_what_all_photos_said_together(desk) -> None:
    """That decided; a photo that was checked since was not part of it."""
    fill(desk, "J-1,2,J-1_*,0 120 240\n", **{"J-1_1": "full", "J-1_2": "none", "J-1_3": "full"})
    desk.job("--confidence", "0.99")
    told = "worst gap 1/32 in (0.020), 99 % sure: 0.000 to 0.050 in; limit 1/16 in (0.0625)"
    assert f"all round, by all its photos together: {told}" in desk.run("show", "J-1")[1]
    with Ledger(desk.ledger) as book, patch("cli.ledger._now", lambda: "2999-01-01T00:00:00+00:00"):
        last = list(book.entries())[-1]
        book.record(last.answer | {"sha256": "9" * 64}, 1, ("key", "{}"), replace(last.filing, photo="J-1_4.jpg"))
    assert "all round" not in desk.run("show", "J-1")[1]


def test_intervals_all_round_are_rounded_outwards() -> None:
    length = {"value": 0.0112, "low": 0.0004, "high": 0.0361, "u": 0.01}
    told = {"worst": length, "insertion": length, "min_insertion": 0.015625, "unit": "in", "seen": 1.0, "reasons": [],
            "views": [{}, {}], "verdict": "unproven", "worst_at_deg": 199.0}
    text = findings_of(told)[0].text
    assert "worst gap all round 0.011 in (0.000 to 0.037 in) at 199 degrees." in text
    assert "in by 0.000 to 0.037 in; 0.015625 in is the least allowed." in text
    beside = findings_of(told | {"premark": [{"at_deg": 0, "photo": "pipe.jpg"}]})[0].text
    assert "worst gap all round, by the joint's photos alone, 0.011 in" in beside


def test_nothing_measured_is_nothing_told() -> None:
    nothing = {"worst": None, "unit": "in", "seen": None, "reasons": [], "views": [], "verdict": "unproven"}
    assert findings_of(nothing) == []


def test_a_misplaced_mark_is_not_made_good_by_seeing_it_all_round(desk) -> None:
    """What its marked pipe tells counts where its photos are put together, too; nobody need have said its side."""
    fill(desk, "J-1,2,,0 120\n", **{"J-1_1": "full", "J-1_2": "full", "J-1_before": "misplaced"})
    assert desk.job()[0] == 11
    assert joints(desk) == {"J-1": "unproven"}
    assert "Seen from 2 sides" in desk.rows()[0]["findings"]
