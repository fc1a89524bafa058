"""Photos of marked pipes in a job folder: known by name or list, told beside their joint, joined with it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from cli.answer import answer_of, before_of, premark_answer_of
from cli.jobs.before import best, joined
from cli.jobs.lengths import depth_of, insertion_of, interval_of
from cli.jobs.listing import Joint, Listing, read_list
from cli.jobs.matching import Matcher, joint_name
from cli.jobs.settings import settings_of
from cli.jobs.verdicts import joint_word
from cli.jobs.worker import Task
from cli.ledger import Filing, Ledger
from tests import job_stub, pipes
from tests.answers import in_doubt, known_fitting, known_verdict
from tests.job_stub import photo
from tests.pipes import fitting
from tests.test_job import Desk, desk  # noqa: F401
from vision.pipeline import with_premark
from vision.records import Interval, Verdict

# --- which photos they are ---------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "joint"), [
    ("J-014_before.jpg", "J-014"), ("J-014-premark.heic", "J-014"), ("J-014 Before 2.jpg", "J-014"),
    ("deep/er/J-014_before_2.jpg", "J-014"), ("J-014.premark (1).jpg", "J-014"), ("J-014/before.jpg", "J-014"),
])
def test_names_that_say_before(name: str, joint: str) -> None:
    assert joint_name(name) == joint
    assert Matcher(None).marked(name) == (name != "J-014/before.jpg")


@pytest.mark.parametrize("name", ["J-014.jpg", "J-014_2.jpg", "beforehand-3.jpg", "J-014_beforehand.jpg", "before.jpg"])
def test_names_that_do_not(name: str) -> None:
    assert not Matcher(None).marked(name)


def test_the_list_may_name_them() -> None:
    listing = read_list(b"joint,fitting,photo,premark\nA,2,a_*.jpg,pipes/1?.jpg|raw*.jpg\nB,2,,\n")
    assert listing.joints[0] == Joint("A", "2", "a_*.jpg", premark="pipes/1?.jpg|raw*.jpg")
    matcher = Matcher(listing)
    assert [joint.name for joint in matcher.joints("pipes/12.jpg")] == ["A"]
    assert matcher.marked("pipes/12.jpg")
    assert matcher.marked("deep/raw-3.jpg")
    assert not matcher.marked("a_1.jpg")
    assert [joint.name for joint in matcher.joints("B_before.jpg")] == ["B"]
    assert matcher.marked("B_before.jpg")


def test_one_pattern_for_all_photos_of_a_joint_still_tells_them_apart() -> None:
    matcher = Matcher(Listing((Joint("J-3", "2", "J-3_*.jpg"),)))
    assert [matcher.marked(name) for name in ("J-3_1.jpg", "J-3_before.jpg")] == [False, True]


def test_the_same_bytes_as_pipe_and_as_joint_are_two_checks() -> None:
    old, pipe = (settings_of("row", None, 0.95, "1", None, *kind)[0] for kind in ((), ("premark",)))
    assert old == settings_of("row", None, 0.95, "1", None, "joint")[0] != pipe


# --- what they add to an answer ----------------------------------------------------------------------


def answers(gap: str, pipe: str, least: float | None) -> tuple[dict, dict]:
    task = Task(1, "", "a.jpg", fitting(1.5), None, 0.95, "in", frozenset(), "1", job_stub.stub_inspection)
    made = job_stub.answer(task, gap) | {"min_insertion": least, "budget": [
        {"name": "pipe diameter", "u": 0.001, "share": 0.06}]}
    return made, job_stub.marked_answer(task, pipe)


def test_the_insertion_is_the_measured_depth_less_the_gap() -> None:
    made, pipe = answers("full", "placed", None)
    told = joined(made, pipe)
    assert told["insertion"]["value"] == pytest.approx(1.130 - 0.010, abs=1e-5)
    own, common = 0.010**2 - 0.004**2 + 0.004**2 - 0.001**2, 0.004 - 0.001
    assert told["insertion"]["u"] == pytest.approx((own + common**2) ** 0.5, abs=2e-5)
    assert told["insertion_from"] == "premark"
    assert told["premark"]["depth"] == pipe["depth"]
    assert told["verdict"] == "full"


@pytest.mark.parametrize(("gap", "pipe", "least", "word"), [
    ("full", "placed", 1.0, "full"), ("full", "misplaced", 1.0, "short"), ("short", "placed", 0.8, "full"),
    ("full", "misplaced", None, "unproven"), ("short", "placed", None, "short"), ("unproven", "placed", 1.0, "full"),
    ("none", "placed", 1.0, "unproven"), ("full", "unproven", 1.0, "full"),
])
def test_which_word_comes_of_both(gap: str, pipe: str, least: float | None, word: str) -> None:
    told = joined(*answers(gap, pipe, least))
    codes = [reason["code"] for reason in told["reasons"]]
    assert told["verdict"] == word
    assert ("mark-misplaced" in codes) == (pipe == "misplaced" and least is None)
    assert ("premark-unread" in codes) == (pipe == "unproven")
    assert (told.get("p_inserted") is not None) == (least is not None and gap != "none" and pipe != "unproven")
    assert "demo-fitting" in codes


@pytest.mark.parametrize("gap_mm", [-0.6, 0.9, 6.0])
@pytest.mark.parametrize("least", [None, 26.0])
@pytest.mark.parametrize("joint", [known_verdict, in_doubt])
def test_a_job_says_what_check_says_of_the_same_photos(gap_mm: float, least: float | None,
                                                       joint: Callable[[float], Verdict]) -> None:
    row = known_fitting().model_copy(update={"min_insertion": least})
    said, before = joint(gap_mm), pipes.verdict(pipes.marked(28.6, fitting=row))
    facts = {"photo": "a.jpg", "sha256": "0", "unit": "mm", "seconds": 0.0}
    made, pipe = answer_of(said, row, **facts), premark_answer_of(before, row, **facts)
    check = answer_of(with_premark(said, before, row), row, **facts, before=before_of(pipe))
    check = json.loads(check.model_dump_json())
    told = joined(json.loads(made.model_dump_json()), json.loads(pipe.model_dump_json()))
    assert (check["gap_from"] == "width") == (gap_mm < 0)
    for key in ("gap", "insertion"):
        assert told[key] == pytest.approx(check[key], abs=2e-4)
    for key in ("p_full", "p_inserted"):
        assert told[key] == pytest.approx(check[key], abs=1e-3)
    for key in ("verdict", "reasons", "gap_from", "insertion_from", "premark", "line_width", "budget", "doubted"):
        assert told[key] == check[key]
    assert ("marked-before" in {reason["code"] for reason in told["reasons"]}) == (joint is in_doubt)


def test_a_job_says_what_check_says_where_nobody_knows_the_lens() -> None:
    row, said = known_fitting().model_copy(update={"min_insertion": 26.0}), known_verdict(0.9)
    before = pipes.verdict(pipes.marked(28.6, fitting=row))
    assert before.placement is not None
    wide = Interval(30.0, 27.0, 33.0, 1.8)
    before = replace(before, placement=replace(before.placement, depth=wide, lens_open=True))
    facts = {"photo": "a.jpg", "sha256": "0", "unit": "mm", "seconds": 0.0}
    made, pipe = answer_of(said, row, **facts), premark_answer_of(before, row, **facts)
    check = json.loads(answer_of(with_premark(said, before, row), row, **facts, before=before_of(pipe))
                       .model_dump_json())
    told = joined(json.loads(made.model_dump_json()), json.loads(pipe.model_dump_json()))
    assert told["insertion"]["value"] is check["insertion"]["value"] is None
    for key in ("low", "high", "u"):
        assert told["insertion"][key] == pytest.approx(check["insertion"][key], abs=2e-4)
    assert told["p_inserted"] == pytest.approx(check["p_inserted"], abs=1e-3)
    assert told["verdict"] == check["verdict"]
    assert insertion_of(told) == interval_of(told, "insertion")
    assert depth_of(json.loads(pipe.model_dump_json())) == "27.00 to 33.00 mm"


def test_of_a_line_that_is_not_as_wide_as_the_marked_one_a_job_says_what_check_says() -> None:
    row, said = known_fitting(), in_doubt(0.9)
    before = pipes.verdict(pipes.marked(28.6, fitting=row))
    assert before.placement is not None
    before = replace(before, placement=replace(before.placement, line_width_mm=6.0))
    facts = {"photo": "a.jpg", "sha256": "0", "unit": "mm", "seconds": 0.0}
    made, pipe = answer_of(said, row, **facts), premark_answer_of(before, row, **facts)
    check = answer_of(with_premark(said, before, row), row, **facts, before=before_of(pipe))
    told = joined(json.loads(made.model_dump_json()), json.loads(pipe.model_dump_json()))
    codes = [[reason["code"] for reason in each["reasons"]] for each in (told, json.loads(check.model_dump_json()))]
    assert codes[0] == codes[1] == ["mark-unclear", "mark-differs"]
    assert told["gap"] is None
    assert check.gap is None
    assert told["verdict"] == check.verdict == "unproven"


def test_an_answer_from_before_version_0_19_is_put_together_as_it_was() -> None:
    made, pipe = answers("full", "placed", None)
    assert "by_side" not in made
    assert joined(made, pipe)["insertion"] == joined(made | {"by_side": 0.0, "far_edge": None}, pipe)["insertion"]


def test_of_several_photos_of_a_pipe_the_one_that_knows_best_counts() -> None:
    _, good = answers("full", "placed", None)
    _, silent = answers("full", "unproven", None)
    vague = good | {"depth": good["depth"] | {"u": 0.5}}
    assert best([silent, vague, good]) is good
    assert best([silent]) is silent
    assert best([]) is None


def test_a_mark_that_was_drawn_anew_counts_as_it_was_photographed_last() -> None:
    _, wrong = answers("full", "misplaced", None)
    _, right = answers("full", "placed", None)
    wrong |= {"photo": "J-1_before_9.jpg", "depth": wrong["depth"] | {"u": 0.001}}
    right |= {"photo": "J-1_before_10.jpg"}
    assert best([right, wrong]) is right  # whichever came first, and though the other is surer
    assert best([wrong | {"photo": "J-1_before_11.jpg"}, right])["verdict"] == "misplaced"
    near = right | {"photo": "J-1_before_2.jpg", "depth": {"value": 1.14, "low": 1.13, "high": 1.15, "u": 0.005}}
    assert best([near, right]) is near  # the same mark, told better


def test_where_the_last_tells_a_range_alone_no_older_mark_counts() -> None:
    """Without a lens it contradicts next to nothing, not the mark from before it was drawn anew either."""
    _, old = answers("full", "placed", None)
    _, last = answers("full", "placed", None)
    old |= {"photo": "J-1_before.jpg"}
    last |= {"photo": "J-1_before_2.jpg", "verdict": "unproven",
             "depth": {"value": None, "low": 0.95, "high": 1.15, "u": 0.05}}
    assert best([old, last]) is last
    assert best([old | {"photo": "J-1_before_3.jpg"}, last])["verdict"] == "placed"  # a range that is not the last


# --- a job -------------------------------------------------------------------------------------------


def test_a_job_with_marked_pipes(desk: Desk) -> None:  # noqa: F811
    desk.fill({
        "J-1.jpg": photo(1), "J-1_before.jpg": photo(2, "placed"),
        "J-2.jpg": photo(3), "J-2_before.jpg": photo(4, "misplaced"),
        "J-3_before.jpg": photo(5, "placed"),
        "J-4.jpg": photo(6), "J-4_premark.jpg": photo(7, "unproven"),
    })  # fmt: skip
    code, out, err = desk.job("--fitting", "2")
    assert code == 11, err
    assert "Photos: 7 checked now" in err
    assert "0 short, 1 unproven, 1 not photographed, 2 full." in out
    words = {row["joint"]: row["joint_verdict"] for row in desk.rows()}
    assert words == {"J-1": "full", "J-2": "unproven", "J-3": "not photographed", "J-4": "full"}
    rows = {row["photo"]: row for row in desk.rows()}
    assert rows["J-1.jpg"]["insertion_from"] == "premark"
    assert float(rows["J-1.jpg"]["insertion"]) == pytest.approx(1.120, abs=1e-4)
    assert rows["J-1_before.jpg"]["kind"] == "premark"
    assert float(rows["J-1_before.jpg"]["depth"]) == 1.130
    assert "mark-misplaced" in rows["J-2.jpg"]["reasons"]
    assert "the mark lies at" in rows["J-2.jpg"]["findings"]
    assert rows["J-4.jpg"]["insertion_from"] == ""
    page = (desk.folder / "report.html").read_text("utf-8")
    assert page.count(">marked pipe</span>") == 2  # of the joints that need a person; J-1 and J-4 need nobody
    assert "but its marked pipe" in page
    assert page.count("; told from both photos</dd>") == 1  # J-2, with the interval of its insertion
    lines = [json.loads(line) for line in (desk.folder / "results.jsonl").read_text("utf-8").splitlines()]
    assert {line["photo"] for line in lines if line.get("kind") == "premark"} == {
        "J-1_before.jpg", "J-2_before.jpg", "J-3_before.jpg", "J-4_premark.jpg"}

    code, again, err = desk.job("--fitting", "2")
    assert (code, again) == (11, out)
    assert "0 checked now, 7 known" in err

    _, found, _ = desk.run("find", "--verdict", "unproven")
    assert "J-2" in found
    assert "J-1" not in found
    _, shown, _ = desk.run("show", "J-2")
    assert "misplaced: mark 15/16 in (0.950), 95 % sure: 0.930 to 0.970 in; catalog 1-1/8 in (1.125)" in shown


def test_a_joint_that_only_its_marked_pipe_proves_says_so(desk: Desk) -> None:  # noqa: F811
    desk.fill({"J-1.jpg": photo(1, "doubted"), "J-1_before.jpg": photo(2, "placed"), "J-2.jpg": photo(3, "doubted"),
               "J-3.jpg": photo(4), "J-3_before.jpg": photo(5, "placed")})  # fmt: skip
    code, _, err = desk.job("--fitting", "2")
    assert code == 11, err
    assert {row["joint"]: row["joint_verdict"] for row in desk.rows()} == {
        "J-1": "full", "J-2": "unproven", "J-3": "full"}
    rows = {row["photo"]: row for row in desk.rows()}
    assert rows["J-1.jpg"]["reasons"] == "marked-before"
    assert rows["J-2.jpg"]["reasons"] == "mark-unclear"
    assert rows["J-2.jpg"]["gap"] == ""
    page = (desk.folder / "report.html").read_text("utf-8")
    assert page.count("its line is believed by its marked pipe") == 1  # J-1; J-3 needs no such word


def test_what_its_marked_pipe_made_unproven_of_a_short_photo_still_speaks_against_it(desk: Desk) -> None:  # noqa: F811
    """The photo of a joint that is short, sent as another's: its mark lay elsewhere by the marked pipe's photo."""
    desk.fill({"J-1.jpg": photo(1), "J-1_before.jpg": photo(2, "misplaced"), "J-1_2.jpg": photo(3, "short")})
    assert desk.job("--fitting", "2")[0] == 11
    assert {row["verdict"] for row in desk.rows()} == {"unproven", "misplaced"}
    told, _ = answers("short", "misplaced", None)
    assert joint_word([answers("full", "placed", None)[0], joined(told, answers("full", "misplaced", None)[1])], 2
                      ) == "unproven"


def test_a_mark_drawn_anew_is_no_matter_for_a_person_any_more(desk: Desk) -> None:  # noqa: F811
    desk.fill({"J-1.jpg": photo(1), "J-1_before_1.jpg": photo(2, "misplaced"), "J-1_before_2.jpg": photo(3, "placed")})
    code, out, err = desk.job("--fitting", "2")
    assert code == 0, out + err
    assert "the mark lies at" not in (desk.folder / "report.html").read_text("utf-8")
    _, found, _ = desk.run("find", "--verdict", "full")
    assert "J-1" in found


def test_a_pipe_and_its_joint_in_one_picture_file_are_still_two(desk: Desk) -> None:  # noqa: F811
    """The same bytes named as both are checked as both; a copy within one joint is no copy between joints."""
    same = photo(9, "unproven")
    desk.fill({"J-1.jpg": same, "J-1_before.jpg": same})
    code, _, err = desk.job("--fitting", "2")
    assert code == 11
    assert "2 checked now" in err


def test_a_photo_of_another_joints_pipe_tells_no_insertion(desk: Desk) -> None:  # noqa: F811
    pipe = photo(9, "placed")
    desk.fill({"J-1.jpg": photo(1), "J-1_before.jpg": pipe, "J-2.jpg": photo(2), "J-2_before.jpg": pipe,
               "J-3.jpg": photo(3), "J-3_before.jpg": photo(10, "placed")})
    desk.job("--fitting", "2")
    told = {row["photo"]: (row["insertion_from"], row["findings"]) for row in desk.rows()}
    assert [told[f"J-{number}.jpg"][0] for number in (1, 2, 3)] == ["", "", "premark"]
    assert "J-1_before.jpg is the same file as J-2_before.jpg of joint J-2." in told["J-1.jpg"][1]


def test_nor_does_it_hide_that_the_joints_own_mark_was_misplaced(desk: Desk) -> None:  # noqa: F811
    desk.fill({"J-1.jpg": photo(1), "J-1_before_1.jpg": photo(8, "misplaced"), "J-1_before_2.jpg": photo(9, "placed"),
               "J-2.jpg": photo(2), "J-2_before.jpg": photo(9, "placed")})
    desk.job("--fitting", "2")
    told = {row["photo"]: row for row in desk.rows()}
    assert "J-1_before_1.jpg: the mark lies at 15/16 in (0.950)" in told["J-1.jpg"]["findings"]
    assert told["J-1.jpg"]["joint_verdict"] == "unproven"


def test_nor_does_one_of_another_sites(desk: Desk) -> None:  # noqa: F811
    desk.fill({"J-1.jpg": photo(1), "J-1_before.jpg": photo(9, "placed")})
    desk.job("--fitting", "2", "--site", "North yard")
    (desk.folder / "J-1.jpg").unlink()
    (desk.folder / "J-1_before.jpg").rename(desk.folder / "K-1_before.jpg")
    desk.fill({"K-1.jpg": photo(2)})
    desk.job("--fitting", "2", "--site", "South yard")
    told = {row["photo"]: (row["insertion_from"], row["findings"]) for row in desk.rows()}
    assert told["K-1.jpg"][0] != "premark"
    assert "at the site North yard, which had it first" in told["K-1.jpg"][1]


def test_the_ledger_is_as_sure_as_the_check_was_asked_to_be(desk: Desk) -> None:  # noqa: F811
    made, pipe = (each | {"by_side": 0.01} for each in answers("full", "placed", None))
    with Ledger(desk.ledger) as book:
        for number, told in enumerate((pipe, made)):
            book.record(told | {"sha256": f"{number:064x}"}, 1, settings_of("row", None, 0.999, "1", None),
                        Filing("yard", "J-1", f"{number}.jpg"))
    wide, usual = (interval_of(joined(made, pipe, confidence), "insertion") for confidence in (0.999, 0.95))
    shown = desk.run("show", "J-1")[1]
    assert f"insertion 1-1/8 in (1.120), 99.9 % sure: {wide}" in shown
    assert shown.count("99.9 % sure: ") == 4  # gap and insertion from both, each photo by itself
    assert "95 % sure" not in shown
    assert usual not in shown


@pytest.mark.parametrize(("first", "second", "counts"), [
    ({"photo": "old/pipe.jpg"}, {"photo": "new/pipe_2.jpg"}, 1),  # by the number, whatever the folders are called
    ({"photo": "A.jpg"}, {"photo": "b.jpg"}, 1),
    ({"photo": "z.jpg", "taken": "2026:05:04 10:00:00"}, {"photo": "a.jpg", "taken": "2026:05:04 11:00:00"}, 1),
    ({"photo": "z.jpg", "taken": "2026:05:04 10:00:00"}, {"photo": "a.jpg", "taken": ""}, 0),
    ({"photo": "J-1_before.jpg", "taken": "2026:05:04 10:00:00"},  # drawn anew, the phone's clock not set
     {"photo": "J-1_before_2.jpg", "taken": "0000:00:00 00:00:00"}, 1),
])
def test_which_photo_of_a_pipe_is_the_last(first: dict, second: dict, counts: int) -> None:
    _, wrong = answers("full", "misplaced", None)
    _, right = answers("full", "placed", None)
    both = [wrong | first, right | second]
    assert best(both) is both[counts]
    assert best([both[1], both[0]]) is both[counts]


def test_where_nothing_else_tells_the_last_is_the_one_named_last() -> None:
    _, wrong = answers("full", "misplaced", None)
    _, right = answers("full", "placed", None)
    both = [right | {"photo": "z.jpg"}, wrong | {"photo": "a.jpg"}]
    assert best(both, in_order=True) is both[1]
