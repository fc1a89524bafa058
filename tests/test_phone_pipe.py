"""The marked pipe on the phone page: photographed before it is pushed in, told beside its joint, found by the job."""

from __future__ import annotations

import asyncio
import json
import re
import uuid
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from typer.testing import CliRunner

import cli.phone.desk
from cli.jobs.before import joined
from cli.lines import SUFFIX
from cli.phone.intake import HIDDEN
from cli.phone.notes import Sent
from cli.phone.told import Told
from cli.phone.words import card
from tests import job_stub
from tests.job_stub import photo
from tests.phone_stub import LIST, SETTLED
from tests.test_assist import VIEWS, hand_on, lines_of
from tests.test_job_premark import answers
from tests.test_phone import begin, job, looked_at, on_phone, seen, send
from vision.reasons import REASONS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "Pump house"
    made.mkdir()
    return made


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


# --- from the photo of the pipe to the joint ---------------------------------------------------------------


def test_the_marked_pipe_before_and_the_joint_after(folder: Path, ledger: Path) -> None:
    told: dict[str, Any] = {}

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        before = await seen(client, joint, photo(1, "placed"), "before")
        assert (before["kind"], before["verdict"], before["file"]) == ("before", "placed", "J-001_before_1.jpg")
        assert (before["gap"], before["depth"]) == ("", "1-1/8 in (1.130)")
        assert before["do"].startswith("The mark is where")
        [row] = (await client.get("/api/joints")).json()
        assert (row["verdict"], row["photos"], row["marked"]) == ("missing", 0, "placed")
        page = (await client.get("/joint", params={"name": joint})).text
        assert page.index("Before pushing in") < page.index("After pressing")  # as it goes at the trench
        assert "mark 1-1/8 in (1.130) from the cut" in page
        assert "<dd>1.110 to 1.150 in</dd>" in page
        assert "<dd>1-1/8 in (1.125), plus or minus 0.06 in</dd>" in page
        assert "out of square by 1.2° (0.0 to 2.4°)" in page
        assert "not how tight the joint is" in page
        assert "Place lines by hand" not in page
        assert "mark placed" in (await client.get("/joints")).text
        after = await seen(client, joint, photo(2, "full"))
        assert (after["file"], after["verdict"], after["depth"]) == ("J-001_1.jpg", "full", "")
        assert after["insertion"] == "1-1/8 in (1.120)"
        told.update(after["answer"])
        page = (await client.get("/joint", params={"name": joint})).text
        assert page.index("FULL") < page.index("Before pushing in") < page.index("PLACED")
        assert "<b>1-1/8 in (1.120)</b>, told from both photos" in page
        assert f"<dd>{after['answer']['insertion']['low']:.3f} to" in page
        assert "Push the pipe in" not in page  # it is in

    on_phone(folder, ledger, work)
    done = job(folder, ledger)
    assert "0 checked now, 2 known from earlier runs" in done.output
    lines = {each["photo"]: each for each in map(json.loads, (folder / "results.jsonl").read_text().splitlines())}
    assert lines["J-001_before_1.jpg"]["kind"] == "premark"
    assert {key: lines["J-001_1.jpg"][key] for key in told} == told


def test_a_line_in_doubt_is_believed_once_the_pipe_was_seen_marked(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        alone = await seen(client, joint, photo(1, "doubted"))
        assert (alone["verdict"], alone["gap"]) == ("unproven", "")
        await seen(client, joint, photo(2, "placed"), "before")
        assert (await looked_at(client, alone["id"]))["verdict"] == "full"
        page = (await client.get("/joint", params={"name": joint})).text
        assert REASONS["marked-before"].advice in page

    on_phone(folder, ledger, work)


def test_a_misplaced_mark_stops_and_one_drawn_anew_goes_on(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        wrong = await seen(client, joint, photo(1, "misplaced"), "before")
        assert wrong["verdict"] == "misplaced"
        assert wrong["do"].startswith("Stop: wipe the mark off, draw it 1-1/8 in (1.125) from the cut")
        sent = await seen(client, joint, photo(2, "full"))
        assert (sent["verdict"], sent["insertion"]) == ("unproven", "15/16 in (0.940)")
        assert (await client.get("/api/joints")).json()[0]["verdict"] == "unproven"
        assert (await seen(client, joint, photo(3, "placed"), "before"))["file"] == "J-001_before_2.jpg"
        assert (await looked_at(client, sent["id"]))["verdict"] == "full"
        assert (await looked_at(client, wrong["id"]))["do"].startswith("There is a later photo of this pipe.")
        [row] = (await client.get("/api/joints")).json()
        assert (row["verdict"], row["marked"]) == ("full", "placed")

    on_phone(folder, ledger, work)
    assert job(folder, ledger).exit_code == 0


def test_a_marked_pipe_that_can_not_be_read_says_what_to_do(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        told = await seen(client, joint, photo(1, "unproven"), "before")
        assert (told["verdict"], told["depth"]) == ("unproven", "")
        assert told["do"] == "Take the photo again with the pipe's cut end and the mark in the middle of the frame."
        assert (await seen(client, joint, photo(2, "full")))["verdict"] == "full"  # it proves and denies nothing

    on_phone(folder, ledger, work)


def test_a_photo_of_the_pipe_takes_no_lines_and_is_none_of_the_joint(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint, data = await begin(client), photo(1, "placed")
        sent = await seen(client, joint, data, "before")
        again = await send(client, joint, data)
        assert again.status_code == 409
        assert "as one of the marked pipe. Take one of the made joint." in again.json()["text"]
        assert (await send(client, joint, data, kind="before")).json()["id"] == sent["id"]
        assert (await send(client, joint, photo(2), kind="during")).status_code == 422
        old = await send(client, joint, photo(3))  # a phone that knows of no kinds means the joint
        assert (old.json()["kind"], old.json()["file"]) == ("after", "J-001_1.jpg")
        again = await send(client, joint, photo(3), kind="before")
        assert again.status_code == 409
        assert "as one of the made joint. Take one of the marked pipe." in again.json()["text"]
        lines = lines_of(hand_on(VIEWS[0]), VIEWS[0].size_px) | SETTLED
        for key in ("format", "sha256", "placed_at"):
            lines.pop(key, None)
        for asked in (client.put(f"/api/photos/{sent['id']}/lines", json=lines),
                      client.get(f"/api/photos/{sent['id']}/preview"), client.get(f"/lines?photo={sent['id']}")):
            answer = await asked
            assert answer.status_code == 400
            assert "Lines are placed on photos of the made joint" in answer.text
        (folder / f"{sent['file']}{SUFFIX}").write_text("nonsense")  # beside a pipe it is nobody's
        assert (await client.post(f"/api/photos/{sent['id']}/again")).status_code == 200
        assert (await looked_at(client, sent["id"]))["verdict"] == "placed"
        await looked_at(client, old.json()["id"])

    on_phone(folder, ledger, work)
    assert "0 checked now, 2 known" in job(folder, ledger).output


def test_further_photos_are_further_views(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text("joint,fitting,photo,premark,sides\nJ-1,demo-2,,raw*.jpg,\nJ-2,demo-2,,,0 90\n")
    (folder / "raw7.jpg").write_bytes(photo(7, "placed"))

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        for number, says in ((1, "full"), (2, "full"), (3, "unproven")):
            await seen(client, "J-1", photo(number, says))
        page = await client.get("/joint", params={"name": "J-1"})  # finds the pipe's photo that came another way
        assert re.findall(r"<b>(view . of .)</b>", page.text) == ["view 3 of 3", "view 2 of 3", "view 1 of 3"]
        shown = re.search(r'class="photo pipe[^>]* data-photo="([^"]+)"', page.text)
        assert shown
        assert (await looked_at(client, shown[1]))["verdict"] == "placed"
        for number in (4, 5):
            await seen(client, "J-2", photo(number, "full"))
        first, second = (await client.get("/api/joints")).json()
        assert (first["verdict"], first["photos"], first["marked"]) == ("full", 3, "placed")
        page = (await client.get("/joint", params={"name": "J-2"})).text
        assert "One photo is FULL, but the joint is UNPROVEN." in page
        assert "could not be put together" in page
        assert page.count("leave it open until the job&#39;s report, which puts them together, calls it FULL.") == 2
        assert "Go on with the checklist" not in page
        assert "One photo is FULL" not in (await client.get("/joint", params={"name": "J-1"})).text
        assert second["verdict"] == "unproven"  # its list names sides: only all of them together prove it
        assert "all its sides together" in second["about"]

    on_phone(folder, ledger, work)


# --- nothing lost, nothing twice ---------------------------------------------------------------------------


def test_a_photo_of_the_pipe_sent_again_is_there_once(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint, number = await begin(client), str(uuid.uuid4())
        together = [send(client, joint, photo(1, "placed"), number, "before") for _ in range(8)]
        told = [answer.json() for answer in await asyncio.gather(*together)]
        assert {(each["id"], each["kind"], each["file"]) for each in told} == {(number, "before", "J-001_before_1.jpg")}
        assert (await looked_at(client, number))["verdict"] == "placed"
        late = (await send(client, joint, photo(1, "placed"), number, "before")).json()
        assert (late["state"], late["verdict"]) == ("checked", "placed")
        assert (await send(client, joint, photo(2, "placed"), number, "before")).status_code == 409

    on_phone(folder, ledger, work)
    assert [path.name for path in folder.glob("*.jpg")] == ["J-001_before_1.jpg"]
    assert not list((folder / HIDDEN).glob("*.part"))


def test_a_disk_that_fails_between_note_and_file_costs_nothing(folder: Path, ledger: Path,
                                                               monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any) -> bool:
        raise OSError(28, "No space left on device")

    number = str(uuid.uuid4())

    async def broken(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        with monkeypatch.context() as patch:
            patch.setattr(cli.phone.desk, "lies_there", full)
            answer = await send(client, joint, photo(1, "placed"), number, "before")
            assert answer.status_code == 503
            assert "Make room" in answer.json()["text"]
        assert not list(folder.glob("*.jpg"))

    async def again(client: httpx.AsyncClient, _: FastAPI) -> None:
        sent = (await send(client, "J-001", photo(1, "placed"), number, "before")).json()
        assert (sent["kind"], sent["file"]) == ("before", "J-001_before_1.jpg")
        assert (await looked_at(client, number))["verdict"] == "placed"

    on_phone(folder, ledger, broken)
    on_phone(folder, ledger, again)
    assert [path.name for path in folder.glob("*.jpg")] == ["J-001_before_1.jpg"]


def test_a_pipe_that_nobody_has_looked_at_is_looked_at_as_a_pipe_after_a_restart(folder: Path, ledger: Path) -> None:
    async def kept(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        await send(client, joint, photo(1, "hang"))
        await send(client, joint, photo(2, "misplaced"), "11111111-1111-4111-8111-111111111111", "before")

    async def later(client: httpx.AsyncClient, _: FastAPI) -> None:
        told = await looked_at(client, "11111111-1111-4111-8111-111111111111")
        assert (told["kind"], told["verdict"]) == ("before", "misplaced")

    on_phone(folder, ledger, kept, limit_s=60.0)
    on_phone(folder, ledger, later, limit_s=3.0)


# --- photos that came another way --------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["J-7_before.jpg", "J-7 premark 2.jpg", "pipes/J-7_before_1.jpg"])
@pytest.mark.parametrize("listed", [True, False])
def test_a_pipe_that_the_job_has_found_is_on_the_page_with_its_answer(folder: Path, ledger: Path, name: str,
                                                                      listed: bool) -> None:
    (folder / "pipes").mkdir()
    (folder / "J-7.jpg").write_bytes(photo(1, "full"))
    (folder / name).write_bytes(photo(2, "placed"))
    (folder / "joints.csv").write_text(LIST + "J-7,demo-2,,pit,,,\n")
    assert "2 checked now" in job(folder, ledger).output
    if not listed:
        (folder / "joints.csv").unlink()

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        page = (await client.get("/joint", params={"name": "J-7"})).text
        for number in re.findall(r'data-photo="([^"]+)"', page):
            told = await looked_at(client, number)
            assert (told["kind"], told["verdict"]) == (("before", "placed") if told["depth"] else ("after", "full"))
        page = (await client.get("/joint", params={"name": "J-7"})).text
        assert "<b>1-1/8 in (1.120)</b>, told from both photos" in page

    on_phone(folder, ledger, work, fitting="demo-2")
    assert "0 checked now, 2 known" in job(folder, ledger).output


def test_a_photo_that_the_list_calls_a_marked_pipe_later_is_looked_at_as_one(folder: Path, ledger: Path) -> None:
    row = "joint,fitting,photo,premark\nJ-7,demo-2,j7*.jpg,{}\n"
    (folder / "joints.csv").write_text(row.format(""))
    (folder / "j7a.jpg").write_bytes(photo(1, "unproven"))

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        page = (await client.get("/joint", params={"name": "J-7"})).text
        [number] = re.findall(r'data-photo="([^"]+)"', page)
        assert (await looked_at(client, number))["kind"] == "after"
        (folder / "joints.csv").write_text(row.format("j7a.jpg"))
        app.state.service.desk._survey.changed()  # or some seconds later
        await client.get("/joint", params={"name": "J-7"})
        told = await looked_at(client, number)
        assert (told["kind"], told["answer"]["kind"], told["file"]) == ("before", "premark", "j7a.jpg")
        [line] = (await client.get("/api/joints")).json()
        assert (line["photos"], line["marked"]) == (0, "unproven")

    on_phone(folder, ledger, work)
    assert "0 checked now, 1 known" in job(folder, ledger).output


def test_a_pipe_that_was_sent_as_the_joint_is_made_good_in_the_list(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text("joint,fitting,premark\nJ-7,demo-2,\n")

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        wrong = await seen(client, "J-7", photo(1, "unproven"))
        assert (wrong["kind"], wrong["file"]) == ("after", "J-7_1.jpg")
        (folder / "joints.csv").write_text("joint,fitting,premark\nJ-7,demo-2,J-7_1.jpg\n")
        app.state.service.desk._survey.changed()  # or some seconds later
        await client.get("/joint", params={"name": "J-7"})
        assert (await looked_at(client, wrong["id"]))["answer"]["kind"] == "premark"
        assert (await seen(client, "J-7", photo(2, "full")))["file"] == "J-7/photo-1.jpg"  # J-7_1 is taken
        [line] = (await client.get("/api/joints")).json()
        assert (line["verdict"], line["photos"], line["marked"]) == ("full", 1, "unproven")

    on_phone(folder, ledger, work)
    assert "0 checked now, 2 known" in job(folder, ledger).output


# --- words -------------------------------------------------------------------------------------------------


def shown(answer: dict[str, Any], kind: Any = "before", **more: Any) -> Told:
    sent = Sent("1", "J-1", "J-1_before_1.jpg", "", kind, "", "checked", check_id=1)
    return Told(sent, answer, False, **more)


def doubted(answer: dict[str, Any], *codes: str) -> dict[str, Any]:
    every = [REASONS[code] for code in codes]
    return answer | {"reasons": [{"code": each.code, "text": each.text, "advice": each.advice} for each in every]}


def test_a_placed_mark_on_a_pipe_that_was_cut_askew_is_not_to_be_pushed_in() -> None:
    pipe = doubted(answers("full", "placed", None)[1], "cut-askew", "mark-askew-cut", "cut-ragged")
    said = card(shown(pipe))
    assert (said.word, said.why) == ("placed", REASONS["cut-askew"].text)
    assert said.do.startswith("Cut it again")
    assert [each.split(".")[0] for each in said.heed] == ["The mark is not parallel to the cut"]
    assert said.doubts == (f"{REASONS['cut-ragged'].text} {REASONS['cut-ragged'].advice}",)
    wrong = card(shown(doubted(answers("full", "misplaced", None)[1], "cut-askew")))
    assert wrong.do.startswith("Stop: wipe the mark off")
    assert wrong.heed == (f"{REASONS['cut-askew'].text} {REASONS['cut-askew'].advice}",)


@pytest.mark.parametrize("word", ["placed", "misplaced", "unproven"])
def test_nobody_is_told_to_draw_a_mark_that_is_in_the_collar(word: str) -> None:
    said = card(shown(doubted(answers("full", word, None)[1], "mark-askew-cut"), made=True))
    assert said.do == "The joint has been pressed since: see its own photo."
    assert not said.heed
    assert said.doubts


def test_where_there_are_several_the_one_that_counts_says_so(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        for number, says in ((1, "misplaced"), (2, "placed"), (3, "unproven")):
            await seen(client, joint, photo(number, says), "before")
        page = (await client.get("/joint", params={"name": joint})).text
        assert re.findall(r"<b>this one counts</b> · (\S+)<", page) == ["J-001_before_2.jpg"]

    on_phone(folder, ledger, work)


async def one_pipe_for_two(client: httpx.AsyncClient, pipe: bytes, *joints: str) -> list[dict[str, Any]]:
    """What the page says of joints of which each was sent the same photo of a pipe, once it has them all."""
    sent = []
    for number, name in enumerate(joints, 1):
        joint = await begin(client, name)
        await seen(client, joint, pipe, "before")
        sent.append((await seen(client, joint, photo(number)))["id"])
    return [await looked_at(client, number) for number in sent]


def jobs_answers(folder: Path, ledger: Path) -> list[Any]:
    """The insertions that the job tells of the joints' own photos."""
    job(folder, ledger)
    lines = map(json.loads, (folder / "results.jsonl").read_text().splitlines())
    return [line["insertion"] for line in lines if line.get("kind") != "premark"]


def test_a_photo_of_another_joints_pipe_tells_no_insertion_as_in_the_job(folder: Path, ledger: Path) -> None:
    told: list[dict[str, Any]] = []

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        told.extend(await one_pipe_for_two(client, photo(9, "placed"), "J-1", "J-2"))
        assert [row["marked"] for row in (await client.get("/api/joints")).json()] == [None, None]
        assert "this one counts" not in (await client.get("/joint", params={"name": "J-1"})).text

    on_phone(folder, ledger, work)
    assert [each["insertion"] for each in told] == ["", ""]
    assert [each["answer"]["insertion"] for each in told] == jobs_answers(folder, ledger)


def test_nor_does_one_of_another_sites_pipe(folder: Path, ledger: Path, tmp_path: Path) -> None:
    other = tmp_path / "North yard"
    other.mkdir()
    (other / "N-1_before.jpg").write_bytes(photo(9, "placed"))
    (other / "joints.csv").write_text("joint,fitting\nN-1,demo-2\n")
    job(other, ledger)
    told: list[dict[str, Any]] = []

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        told.extend(await one_pipe_for_two(client, photo(9, "placed"), "J-1"))

    on_phone(folder, ledger, work)
    assert told[0]["insertion"] == ""
    assert [told[0]["answer"]["insertion"]] == jobs_answers(folder, ledger)


def asked(command: str, ledger: Path, *more: str) -> str:
    """What `find` or `show` prints."""
    return CliRunner().invoke(job_stub.commands(), [command, *more, "--ledger", str(ledger)]).stdout


@pytest.mark.parametrize("site", ["Pump house", "North yard"])
def test_nor_does_the_ledger_count_it(folder: Path, ledger: Path, tmp_path: Path, site: str) -> None:
    """The wrong photo would make J-2 unproven; it shows a joint of this site, or of another that had it first."""
    first = tmp_path / site
    first.mkdir(exist_ok=True)
    (first / "joints.csv").write_text("joint,fitting\nJ-1,demo-2\n")
    (first / "J-1_before.jpg").write_bytes(photo(9, "misplaced"))
    job(first, ledger)

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        await one_pipe_for_two(client, photo(9, "misplaced"), "J-2")

    on_phone(folder, ledger, work)
    assert "Pump house / J-2" in asked("find", ledger, "--verdict", "full")
    assert "with its marked pipe" not in asked("show", ledger, "J-2")
    job(folder, ledger)
    assert "Pump house / J-2" in asked("find", ledger, "--verdict", "full")


def test_the_word_of_both_photos_is_told_apart_from_that_of_the_picture() -> None:
    made, pipe = answers("full", "misplaced", None)
    said = card(shown(joined(made, pipe), "after", alone="full"))
    assert (said.word, said.alone) == ("unproven", "full")
    assert said.do.startswith("Stop: the mark was not at its depth.")
    made, pipe = answers("full", "placed", 1.0)
    said = card(shown(joined(made, pipe), "after", alone="full"))
    assert (said.word, said.alone, said.insertion, said.least) == ("full", "", "1-1/8 in (1.120)", "1 in (1)")
    assert said.inserted
