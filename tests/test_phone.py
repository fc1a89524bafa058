"""The phone page by HTTP, without a port: photos in, verdicts out, nothing lost, nobody in who should not be."""

from __future__ import annotations

import asyncio
import contextlib
import csv
import html
import io
import json
import re
import sqlite3
import struct
import uuid
import zlib
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from PIL import Image
from starlette.requests import ClientDisconnect
from typer.testing import CliRunner

from cli.jobs.store import Store
from cli.lines import SUFFIX
from cli.phone import looking
from cli.phone.access import MOST_WRONG
from cli.phone.guard import HEADERS
from cli.phone.intake import HIDDEN
from tests import job_stub
from tests.job_stub import photo
from tests.phone_stub import CODE, LIST, SETTLED, app_of, phone, running
from tests.test_assist import VIEWS, hand_on, jpeg_of, lines_of

Work = Callable[[httpx.AsyncClient, FastAPI], Awaitable[None]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "Pump house"
    made.mkdir()
    return made


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


def on_phone(folder: Path, ledger: Path, work: Work, **more: Any) -> None:
    """Run the app, and the work on one phone."""
    async def whole() -> None:
        app = app_of(folder, ledger, **more)
        async with running(app) as client:
            await work(client, app)

    asyncio.run(whole())


async def begin(client: httpx.AsyncClient, name: str = "J-001", offered: bool = False, token: str = "") -> str:
    answer = await client.post("/api/joints", json={"token": token or str(uuid.uuid4()), "name": name,
                                                    "offered": offered, "fitting": "demo-2"})
    assert answer.status_code == 200, answer.text
    return str(answer.json()["joint"])


async def send(client: httpx.AsyncClient, joint: str, data: bytes, number: str = "", kind: str = "") -> httpx.Response:
    params = {"joint": joint} | ({"kind": kind} if kind else {})
    return await client.put(f"/api/photos/{number or uuid.uuid4()}", params=params, content=data)


async def seen(client: httpx.AsyncClient, joint: str, data: bytes, kind: str = "after") -> dict[str, Any]:
    """A photo that was sent and looked at."""
    return await looked_at(client, (await send(client, joint, data, kind=kind)).json()["id"])


async def looked_at(client: httpx.AsyncClient, number: str) -> dict[str, Any]:
    answer = await client.get(f"/api/photos/{number}", params={"wait": 20})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def job(folder: Path, ledger: Path) -> Any:
    return CliRunner().invoke(job_stub.commands(), ["job", str(folder), "--ledger", str(ledger), "--workers", "1"])


# --- photos ------------------------------------------------------------------------------------------------


def test_photo_to_verdict_and_the_job_knows_it(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        assert (await client.get("/api/start")).json()["next"] == "J-001"
        joint = await begin(client, "J-001", offered=True)
        for says in ("none", "full"):
            sent = (await send(client, joint, photo(1 + (says == "full"), says))).json()
            told = await looked_at(client, sent["id"])
            assert told["verdict"] == ("full" if says == "full" else "unproven")
            assert told["do"]
        assert told["answer"]["gap"]["value"] == pytest.approx(0.010)
        assert (await client.get(f"/api/photos/{sent['id']}/overlay.jpg")).content.startswith(b"\xff\xd8")
        [row] = (await client.get("/api/joints")).json()
        assert (row["joint"], row["verdict"], row["photos"]) == ("J-001", "full", 2)
        page = await client.get("/joint", params={"name": joint})
        assert "FULL" in page.text
        assert "UNPROVEN" in page.text

    on_phone(folder, ledger, work)
    assert {path.name for path in folder.iterdir() if path.suffix == ".jpg"} == {"J-001_1.jpg", "J-001_2.jpg"}
    done = job(folder, ledger)
    assert "0 checked now, 2 known from earlier runs" in done.output
    assert done.exit_code == 0
    [line] = [json.loads(each) for each in (folder / "results.jsonl").read_text().splitlines()][1:]
    assert (line["joint"], line["joint_verdict"], line["verdict"]) == ("J-001", "full", "full")


def test_a_photo_sent_again_is_there_once(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        number, data = str(uuid.uuid4()), photo(5)
        first = await send(client, joint, data, number)
        for again in [await send(client, joint, data, number), await send(client, joint, data)]:
            assert again.status_code == 200
            assert again.json()["id"] == first.json()["id"]
        assert (await send(client, joint, photo(6), number)).status_code == 409
        other = await begin(client, "J-002")
        assert (await send(client, other, data, number)).status_code == 409
        together = [send(client, joint, photo(7), "11111111-1111-4111-8111-111111111111") for _ in range(8)]
        assert {answer.status_code for answer in await asyncio.gather(*together)} == {200}

    on_phone(folder, ledger, work)
    assert sorted(path.name for path in folder.glob("*.jpg")) == ["J-001_1.jpg", "J-001_2.jpg"]
    assert not list((folder / HIDDEN).glob("*.part"))


def test_a_connection_that_breaks_in_the_middle_leaves_nothing_and_the_retry_does_it(folder: Path,
                                                                                    ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        joint = await begin(client)
        number = str(uuid.uuid4())
        parts = iter([{"type": "http.request", "body": photo(1)[:500], "more_body": True}, {"type": "http.disconnect"}])

        async def receive() -> Any:
            return next(parts)

        async def ignored(_: Any) -> None:
            pass

        scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "PUT", "scheme": "http",
                 "path": f"/api/photos/{number}", "raw_path": b"", "root_path": "", "client": ("10.0.0.7", 1),
                 "query_string": f"joint={joint}".encode(), "server": ("page.test", 80),
                 "headers": [(b"cookie", f"{app.state.access.cookie}={CODE}".encode()), (b"host", b"page.test")]}
        with contextlib.suppress(ClientDisconnect):
            await app(scope, receive, ignored)
        assert not list(folder.glob("*.jpg"))
        assert not list((folder / HIDDEN).glob("*.part"))
        assert (await send(client, joint, photo(1), number)).status_code == 200

    on_phone(folder, ledger, work)
    assert [path.name for path in folder.glob("*.jpg")] == ["J-001_1.jpg"]


def png_of_size(width: int, height: int) -> bytes:
    """A few bytes that claim to be a huge picture."""
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("data", "status", "words"), [
    (b"", 400, "without a single byte"),
    (b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", 415, "no photo that is known"),
    (b"MZ" + b"\0" * 500, 415, "no photo"),
    (b"\xff\xd8\xff" + b"\0" * 500, 415, "can't be opened"),
    (png_of_size(60_000, 60_000), 413, "50 megapixels"),
    (b"\xff\xd8\xff" + bytes(3 * 2**20), 413, "larger than 2 MiB"),
], ids=["empty", "svg", "program", "broken", "bomb", "long"])
def test_what_is_not_taken_is_said_and_leaves_nothing(folder: Path, ledger: Path, data: bytes, status: int,
                                                      words: str) -> None:
    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        app.state.service.largest_bytes = 2 * 2**20
        joint = await begin(client)
        answer = await send(client, joint, data)
        assert answer.status_code == status
        assert words in answer.json()["text"]

    on_phone(folder, ledger, work)
    assert [path.name for path in folder.iterdir()] in (["joints.csv", HIDDEN], [HIDDEN, "joints.csv"])
    assert [path.name for path in (folder / HIDDEN).iterdir() if "incoming" in path.name] == []


def test_a_photo_that_kills_or_hangs_costs_only_itself(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        told = {}
        for seed, says in enumerate(("kill", "hang", "fail", "full")):
            sent = (await send(client, joint, photo(seed, says))).json()
            told[says] = await looked_at(client, sent["id"])
        assert told["kill"]["state"] == "failed"
        assert "ended its process" in told["kill"]["error"]
        assert "longer than 4 seconds" in told["hang"]["error"]
        assert "fault of the program" in told["fail"]["error"]
        assert told["full"]["verdict"] == "full"
        page = (await client.get("/joint", params={"name": joint})).text
        assert "NOT CHECKED" in page
        again = (await client.post(f"/api/photos/{told['fail']['id']}/again")).json()
        assert again["state"] == "kept"

    on_phone(folder, ledger, work, limit_s=4.0)
    assert len(list(folder.glob("*.jpg"))) == 4


def test_a_photo_that_was_kept_is_looked_at_after_a_restart(folder: Path, ledger: Path) -> None:
    numbers = []

    async def kept(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        numbers.append((await send(client, joint, photo(1, "hang"))).json()["id"])
        numbers.append((await send(client, joint, photo(2))).json()["id"])

    async def later(client: httpx.AsyncClient, _: FastAPI) -> None:
        assert (await looked_at(client, numbers[1]))["verdict"] == "full"
        assert (await looked_at(client, numbers[0]))["state"] == "failed"

    on_phone(folder, ledger, kept, limit_s=60.0)
    (folder / HIDDEN / "incoming-old.part").write_bytes(b"left")
    on_phone(folder, ledger, later, limit_s=3.0)
    assert not list((folder / HIDDEN).glob("*.part"))


def renamed(folder: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "J-1a,demo-2,,,,,\n")


def removed(folder: Path) -> None:
    (folder / "J-1_1.jpg").unlink()


@pytest.mark.parametrize(("meanwhile", "words"), [(renamed, 'no joint "J-1" any more'),
                                                  (removed, "J-1_1.jpg is not in the job folder any more")])
def test_a_kept_photo_that_can_not_be_looked_at_any_more_says_so(folder: Path, ledger: Path,
                                                                 meanwhile: Callable[[Path], None], words: str) -> None:
    (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,,,,\n")
    numbers = []

    async def kept(client: httpx.AsyncClient, _: FastAPI) -> None:
        numbers.append((await send(client, "J-1", photo(1, "hang"))).json()["id"])

    async def later(client: httpx.AsyncClient, _: FastAPI) -> None:
        told = await looked_at(client, numbers[0])
        assert told["state"] == ("gone" if meanwhile is removed else "failed")
        assert words in told["error"]
        card = (await client.get("/part/photo", params={"photo": numbers[0]})).text
        assert ("PHOTO GONE" if meanwhile is removed else "NOT CHECKED") in card
        (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,,,,\n")
        (folder / "J-1_1.jpg").write_bytes(photo(1))
        await client.post(f"/api/photos/{numbers[0]}/again")
        assert (await looked_at(client, numbers[0]))["verdict"] == "full"

    on_phone(folder, ledger, kept, limit_s=60.0)
    meanwhile(folder)
    on_phone(folder, ledger, later)


def test_a_look_that_breaks_off_is_noted_and_leaves_nothing_open(folder: Path, ledger: Path,
                                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Store] = []

    def store() -> Store:
        opened.append(Store())
        return opened[-1]

    class Broken(looking.Keeper):
        def recall(self) -> None:
            raise KeyError("no such key")

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        joint = await begin(client)
        monkeypatch.setattr(looking, "Store", store)
        killed = await seen(client, joint, photo(1, "kill"))
        monkeypatch.setattr(looking, "Keeper", Broken)
        broken = await seen(client, joint, photo(2))
        assert (killed["state"], broken["state"]) == ("failed", "failed")
        assert "a fault of collargap" in broken["error"]
        for each in opened:
            with pytest.raises(sqlite3.ProgrammingError, match="closed"):
                await app.state.service.at_desk(each.count)

    on_phone(folder, ledger, work)
    assert len(opened) == 2


def test_photos_that_came_another_way_are_there_too(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "J-7,demo-2,,pit,,,\n")
    (folder / "J-7.jpg").write_bytes(photo(3, "short"))

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        page = (await client.get("/joint", params={"name": "J-7"})).text
        [number] = re.findall(r'data-photo="([^"]+)"', page)
        assert (await looked_at(client, number))["verdict"] == "short"
        assert "Stop" in (await client.get("/part/photo", params={"photo": number})).text

    on_phone(folder, ledger, work)
    assert "0 checked now, 1 known" in job(folder, ledger).output


async def cards(client: httpx.AsyncClient, joint: str) -> list[str]:
    """The words of a joint's cards once every photo is looked at, the joint's own above all of them."""
    page = (await client.get("/joint", params={"name": joint})).text
    for number in re.findall(r'data-photo="([^"]+)"', page):
        await looked_at(client, number)
    page = (await client.get("/joint", params={"name": joint})).text
    chip = re.search(r'class="chip is-([a-z]+)"', page)
    return [chip[1] if chip else "", *re.findall(r"<h2>([A-Z ]+)</h2>", page)]


def test_a_photo_that_is_replaced_is_looked_at_again_and_one_that_is_gone_has_no_verdict(folder: Path,
                                                                                         ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "J-7,demo-2,,,,,\n")
    path = folder / "J-7.jpg"
    path.write_bytes(photo(3, "full"))

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        def later() -> None:
            app.state.service.desk._survey.changed()  # as some seconds do

        assert await cards(client, "J-7") == ["full", "FULL"]
        [number] = re.findall(r'data-photo="([^"]+)"', (await client.get("/joint", params={"name": "J-7"})).text)
        path.write_bytes(photo(4, "short"))
        later()
        [row] = (await client.get("/api/joints")).json()
        assert row["verdict"] == "checking"
        assert (await looked_at(client, number))["verdict"] == "short"
        assert await cards(client, "J-7") == ["short", "SHORT"]
        path.rename(folder / "J-7_2.jpg")
        later()
        assert await cards(client, "J-7") == ["short", "SHORT"]
        assert (await looked_at(client, number))["file"] == "J-7_2.jpg"
        (folder / "J-7_2.jpg").unlink()
        later()
        assert await cards(client, "J-7") == ["missing", "PHOTO GONE"]
        told = await looked_at(client, number)
        assert (told["state"], told["verdict"], told["answer"]) == ("gone", None, None)
        assert (await client.get(f"/api/photos/{number}/overlay.jpg")).status_code == 404
        assert (await client.get(f"/api/photos/{number}/preview")).status_code == 404
        assert (await send(client, "J-7", photo(4, "short"))).json()["id"] == number
        later()
        assert await cards(client, "J-7") == ["short", "SHORT"]

    on_phone(folder, ledger, work)


def test_photos_that_nobody_has_looked_at_are_called_so_and_looked_at_meanwhile(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "".join(f"J-{n},demo-2,,,,,\n" for n in (1, 2, 3)))
    for n, says in ((1, "slow"), (2, "kill"), (3, "short")):
        (folder / f"J-{n}.jpg").write_bytes(photo(n, says))

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        await client.post("/size", data={"fitting": "demo-2"})
        page = (await client.get("/joints")).text
        assert page.count("not looked at yet") >= 2
        for _ in range(200):
            words = [row["verdict"] for row in (await client.get("/api/joints")).json()]
            if words == ["full", "unproven", "short"]:
                break
            await asyncio.sleep(0.1)
        assert words == ["full", "unproven", "short"]
        assert "not looked at yet" not in (await client.get("/")).text
        assert await cards(client, "J-2") == ["unproven", "NOT CHECKED"]

    on_phone(folder, ledger, work)
    assert "2 known from earlier runs" in job(folder, ledger).output


def test_a_mark_changes_with_what_is_told(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,,,,\nJ-2,demo-2,,,,,\n")

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        async def marks() -> tuple[str, str, str]:
            one, two, whole = [(await client.get("/api/mark", params=params)).json()["mark"]
                               for params in ({"joint": "J-1"}, {"joint": "J-2"}, {})]
            return one, two, whole

        async def after(change: Awaitable[Any]) -> tuple[bool, bool, bool]:
            before = await marks()
            await change
            one, two, whole = (old != new for old, new in zip(before, await marks(), strict=True))
            return one, two, whole

        assert await after(client.get("/joint", params={"name": "J-1"})) == (False, False, False)
        assert await after(seen(client, "J-1", photo(1))) == (True, False, True)
        assert f'data-mark="{(await marks())[0]}"' in (await client.get("/joint", params={"name": "J-1"})).text
        kept = client.put("/api/checklist", params={"joint": "J-2"}, json={"answers": {"gasket": "no"}})
        assert await after(kept) == (False, True, False)
        assert await after(asyncio.to_thread((folder / "J-1_1.jpg").unlink)) == (True, False, True)
        assert (await client.get("/api/mark", params={"joint": "J-9"})).status_code == 404

    on_phone(folder, ledger, work)


def test_a_size_put_right_in_the_list_has_its_photos_looked_at_again(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "J-7,demo-2,,,,,\n")

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        number = (await seen(client, "J-7", photo(3)))["id"]
        (folder / "joints.csv").write_text(LIST + "J-7,demo-3,,,,,\n")
        app.state.service.desk._survey.changed()  # as some seconds do
        told = await looked_at(client, number)
        assert told["answer"]["fitting"] == "demo-3"
        assert await cards(client, "J-7") == ["full", "FULL"]

    on_phone(folder, ledger, work)


def test_the_size_is_told_where_photos_are_taken_and_one_that_differs_from_the_lists(folder: Path,
                                                                                      ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,pit,,,\nJ-2,,,,,,\n")

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        page = (await client.get("/joint", params={"name": "J-1"})).text
        assert "<b>Size 2</b>" in page
        assert "You chose" not in page
        assert "names no fitting" in (await client.get("/joint", params={"name": "J-2"})).text
        for size, said in (("demo-3", True), ("demo-2", False)):
            await client.post("/size", data={"fitting": size})
            form = {"token": str(uuid.uuid4()), "name": "j-1", "offered": "J-3"}
            page = (await client.get((await client.post("/begin", data=form)).headers["location"])).text
            assert ("You chose size 3 (demo-3)" in page) == said
            assert "<b>Size 2</b>" in page

    on_phone(folder, ledger, work)


# --- joints ------------------------------------------------------------------------------------------------


def test_fifty_phones_are_given_fifty_numbers(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        given = await asyncio.gather(*(begin(client, "J-001", offered=True) for _ in range(50)))
        assert sorted(given) == [f"J-{n:03}" for n in range(1, 51)]
        token = str(uuid.uuid4())
        twice = await asyncio.gather(*(begin(client, "J-051", offered=True, token=token) for _ in range(5)))
        assert set(twice) == {"J-051"}
        assert await begin(client, "j-051") == "J-051"  # a name that a person writes is that joint

    on_phone(folder, ledger, work)
    assert len((folder / "joints.csv").read_text().splitlines()) == 52


@pytest.mark.parametrize("name", ["../../x", "a/b", "..", "/etc/x", "C:\\x", "a\0b", "J\u202e1", "con", "-rf", " ",
                                  "x" * 41, "=1+1", "<b>1"])
def test_names_are_never_paths(folder: Path, ledger: Path, name: str) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        asked = {"token": str(uuid.uuid4()), "name": name, "fitting": "demo-2"}
        answer = await client.post("/api/joints", json=asked)
        assert answer.status_code in (400, 422)
        assert answer.json()["text"]
        assert (await send(client, name, photo(1))).status_code in (404, 422)

    on_phone(folder, ledger, work)
    assert {path.name for path in folder.parent.iterdir()} <= {"Pump house", "ledger.sqlite", "ledger.sqlite-wal",
                                                               "ledger.sqlite-shm"}
    assert not (folder / "joints.csv").exists()


def test_a_name_that_would_take_anothers_photo_is_refused(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        for _ in ("once", "again"):
            await send(client, await begin(client, "J-1"), photo(1))
        answer = await client.post("/api/joints", json={"token": str(uuid.uuid4()), "name": "J-1_1",
                                                        "fitting": "demo-2"})
        assert answer.status_code == 409
        assert "J-1_1.jpg" in answer.json()["text"]

    on_phone(folder, ledger, work)


def test_a_photo_goes_where_only_its_joint_is_meant(folder: Path, ledger: Path) -> None:
    """J-1_1 is a joint of the list, so J-1's first photo can't be called J-1_1.jpg."""
    (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,,,,\nJ-1_1,demo-2,,,,,\n")

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        assert (await send(client, "J-1", photo(1))).json()["file"] == "J-1/photo-1.jpg"
        assert (await send(client, "J-1_1", photo(2))).status_code == 200

    on_phone(folder, ledger, work)
    done = job(folder, ledger)
    lines = [json.loads(each) for each in (folder / "results.jsonl").read_text().splitlines()]
    assert {(line["joint"], bool(line["photo"])) for line in lines} == {("J-1", True), ("J-1_1", True)}
    assert "stands for no joint" not in done.output


LONG = "Anschlussleitung der Pumpe im Keller des Nebengebäudes, " * 4 + "Nr. 12"


@pytest.mark.parametrize("name", ["Sträng-01", "Stra\u0308ng-02", "مفصل-3", "Riser 2/3", "जोड़ ४", 'A:"b"*?',
                                  ".hidden 1", "J-1/2", "J&K (2)", "two\u00a0parts", "\u202eturned", "🚰 1", "X before",
                                  "a\\b", LONG])
def test_any_joint_of_the_list_can_be_photographed(folder: Path, ledger: Path, name: str) -> None:
    with (folder / "joints.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([["joint", "fitting"], ["J-1", "demo-2"], [name, "demo-2"]])

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        page = await client.get("/joint", params={"name": name})
        assert page.status_code == 200
        for seed, kind in ((1, "after"), (2, "before")):
            answer = await send(client, name, photo(seed, "full" if kind == "after" else "placed"), kind=kind)
            assert answer.status_code == 200, answer.text
            assert len(answer.json()["file"].encode()) < 255
            assert (await looked_at(client, answer.json()["id"]))["state"] == "checked"

    on_phone(folder, ledger, work)
    assert "0 checked now, 2 known" in job(folder, ledger).output
    lines = [json.loads(each) for each in (folder / "results.jsonl").read_text("utf-8").splitlines()]
    assert [line["joint_verdict"] for line in lines if line["joint"] != "J-1"] == ["full", "full"]


def test_only_names_that_are_taken_are_offered(folder: Path, ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "Schacht Süd 7,demo-2,,,,,\nRiser 2/3,demo-2,,,,,\n", encoding="utf-8")
    (folder / "Schacht Süd 8.jpg").write_bytes(photo(1))  # it would change hands

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        offered = (await client.get("/api/start")).json()["next"]
        assert offered == "Schacht Süd 9"
        assert await begin(client, offered, offered=True) == offered

    on_phone(folder, ledger, work)


def test_the_next_joint_is_the_lists_next_without_a_photo_and_a_new_one_only_where_none_is_left(folder: Path,
                                                                                              ledger: Path) -> None:
    (folder / "joints.csv").write_text(LIST + "".join(f"J-00{n},demo-2,,,,,\n" for n in (1, 2, 3)))

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        async def following(path: str) -> str:
            page = (await client.get(path)).text
            for link in re.findall(r'class="side" href="([^"]+)"', page):
                return str((await client.get(link)).headers["location"]).removeprefix("/joint?name=")
            return str(re.findall(r'name="(?:name|offered)" value="([^"]*)"', page)[0])

        await client.post("/size", data={"fitting": "demo-2"})
        await send(client, "J-002", photo(2))
        home = (await client.get("/")).text
        assert 'name="name" value="J-001"' in home
        assert "The next of the list without a photo" in home
        form = {"token": str(uuid.uuid4()), "name": "J-001", "offered": ""}
        assert (await client.post("/begin", data=form)).headers["location"] == "/joint?name=J-001"
        assert await following("/joint?name=J-001") == "J-003"
        assert await following("/joint?name=J-003") == "J-001"
        await send(client, "J-001", photo(1))
        assert await following("/joint?name=J-002") == "J-003"
        stale = re.findall(r'class="side" href="([^"]+)"', (await client.get("/joint?name=J-002")).text)[0]
        await send(client, "J-003", photo(3))  # another phone, while that page is open
        assert (await client.get(stale)).headers["location"] == "/"
        page = (await client.get("/joint?name=J-001")).text
        assert "New joint" in page
        assert await following("/joint?name=J-001") == "J-004"
        form = {"token": str(uuid.uuid4()), "name": "J-004", "offered": "J-004"}
        new = await client.post("/begin", data=form)
        assert "New: it was added to the list." in (await client.get(new.headers["location"])).text
        assert await following("/") == "J-005"  # J-004 is another phone's

    on_phone(folder, ledger, work)


def test_a_name_that_is_refused_stays_where_it_was_written(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        await client.post("/size", data={"fitting": "demo-2"})
        form = {"token": str(uuid.uuid4()), "name": "J-014/2 <i>", "offered": "J-001"}
        answer = await client.post("/begin", data=form)
        assert answer.status_code == 400
        assert 'value="J-014/2 &lt;i&gt;"' in answer.text
        assert "begins with a letter" in answer.text
        assert 'data-mark=""' in answer.text  # else the page would load itself again, and so send the form again

    on_phone(folder, ledger, work)


@pytest.mark.parametrize(("before", "row"), [
    (b"Joint;Fitting;Location\r\nJ-1;demo-2;Gro\xdfe Grube\r\n", b"J-2;demo-2;\r\n"),
    ("location\tfitting\tjoint\nGrößer\tdemo-2\tJ-1".encode(), b"\n\tdemo-2\tJ-2\n"),
    (b'joint,fitting,"photo\npattern"\r\nJ-1,demo-2,\r\n', b"J-2,demo-2,\r\n"),
])
def test_a_list_keeps_its_own_form(folder: Path, ledger: Path, before: bytes, row: bytes) -> None:
    (folder / "joints.csv").write_bytes(before)

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        assert (await client.get("/api/start")).json()["next"] == "J-2"
        await begin(client, "J-2", offered=True)

    on_phone(folder, ledger, work)
    assert (folder / "joints.csv").read_bytes() == before + row


@pytest.mark.parametrize(("fault", "words"), [
    (lambda folder: (folder / "joints.csv").write_bytes(b""), "no column 'joint'"),
    (lambda folder: (folder / "joints.csv").write_text("joint,fiting\nJ-1,demo-2\n"), "a column 'fiting'"),
    (lambda folder: (folder / "joints.csv").write_text(LIST), "names no joint"),
    (lambda folder: (folder / "joints.csv").unlink(), "no joints.csv"),
    (lambda folder: folder.rename(folder.parent / "elsewhere"), "not there any more"),
], ids=["empty", "misspelt", "titles", "gone", "folder"])
def test_a_fault_of_the_list_is_told_and_is_no_empty_job(folder: Path, ledger: Path, fault: Callable[[Path], Any],
                                                         words: str) -> None:
    (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,,,,\n")
    (folder / "J-1.jpg").write_bytes(photo(1))

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        await client.post("/size", data={"fitting": "demo-2"})
        assert await cards(client, "J-1") == ["full", "FULL"]
        fault(folder)
        app.state.service.desk._survey.changed()  # as some seconds do
        for path in ("/", "/joints", "/api/joints"):
            answer = await client.get(path)
            assert answer.status_code == 503, path
            assert words in html.unescape(answer.text), path

    on_phone(folder, ledger, work)


def test_a_list_of_titles_alone_is_begun(folder: Path, ledger: Path) -> None:
    titles = b'fitting;joint;"photo\npattern"\n;;\n'
    (folder / "joints.csv").write_bytes(titles)

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        assert await begin(client) == "J-001"

    on_phone(folder, ledger, work)
    assert (folder / "joints.csv").read_bytes() == titles + b"demo-2;J-001;\n"


def test_what_a_list_can_not_hold_is_said(folder: Path, ledger: Path, tmp_path: Path) -> None:
    catalog, before = tmp_path / "c.toml", b"joint,fitting,location\r\nJ-1,2\" copper,K\xfcche\r\n"
    catalog.write_text('[[fitting]]\nid = "2″ copper"\nnominal_size = "2"\nunit = "mm"\ncollar_od = 73.0\n'
                       'pipe_od = 60.325\nmark_depth = 28.575\nmax_gap = 1.5875\nsource = "invented"\n',
                       encoding="utf-8")
    (folder / "joints.csv").write_bytes(before)

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        asked = {"token": str(uuid.uuid4()), "name": "J-2", "fitting": "2″ copper"}
        answer = await client.post("/api/joints", json=asked)
        assert answer.status_code == 409
        assert 'no sign "″". Save the list as CSV UTF-8' in answer.json()["text"]
        (folder / "joints.csv").write_bytes(b'joint,fitting\nJ-1,"2\n')
        answer = await client.post("/api/joints", json=asked)
        assert answer.status_code == 503
        assert "a quotation mark in row 2 is never closed" in answer.json()["text"]
        (folder / "joints.csv").write_bytes(before)

    on_phone(folder, ledger, work, catalog=catalog)
    assert (folder / "joints.csv").read_bytes() == before


def test_a_folder_of_photos_without_a_list_keeps_its_joints(folder: Path, ledger: Path) -> None:
    (folder / "J-3_1.jpg").write_bytes(photo(1))
    (folder / "J-3_2.jpg").write_bytes(photo(2))

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        [row] = (await client.get("/api/joints")).json()
        assert (row["joint"], row["photos"]) == ("J-3", 2)
        assert (await client.get("/api/start")).json()["next"] == "J-4"

    on_phone(folder, ledger, work, fitting="demo-2")


def test_a_checklist_is_kept_with_the_joint_and_told(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)
        await looked_at(client, (await send(client, joint, photo(1))).json()["id"])
        answers = {"cut-square": "yes", "gasket": "no", "protector": "na"}
        said = await client.put("/api/checklist", params={"joint": joint}, json={"answers": answers})
        assert said.json() == {"answers": answers}
        assert (await client.get("/api/checklist", params={"joint": joint})).json() == {"answers": answers}
        page = (await client.get("/joint", params={"name": joint})).text
        assert re.search(r'name="gasket" value="no" checked', page)
        form = {"joint": joint, "gasket": "yes", "nut-spins": "maybe"}
        back = await client.post("/checklist", data=form)
        assert back.status_code == 303
        changed = {"answers": answers | {"gasket": "yes"}}
        assert (await client.get("/api/checklist", params={"joint": joint})).json() == changed
        assert (await client.put("/api/checklist", params={"joint": joint}, json={"answers": {}})).json() == changed
        await client.put("/api/checklist", params={"joint": joint}, json={"answers": answers})
        wrong = await client.put("/api/checklist", params={"joint": joint}, json={"answers": {"gasket": "perhaps"}})
        assert wrong.status_code == 422

    on_phone(folder, ledger, work)
    assert job(folder, ledger).exit_code == 0
    assert "no to" in (folder / "report.html").read_text()
    assert "Gasket back in" in (folder / "report.html").read_text()
    shown = CliRunner().invoke(job_stub.commands(), ["show", "J-001", "--ledger", str(ledger)])
    assert "Gasket back in" in shown.output


def test_a_phone_that_opened_a_checklist_before_takes_no_answer_away(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        joint = await begin(client)

        async def told() -> dict[str, str]:
            return dict((await client.get("/api/checklist", params={"joint": joint})).json()["answers"])

        await client.post("/checklist", data={"joint": joint, "gasket": "yes"})
        page = (await client.get("/joint", params={"name": joint})).text  # as another phone has it open from here on
        seen = dict(re.findall(r'name="(was-[a-z-]+)" value="([a-z]+)"', page))
        assert seen == {"was-gasket": "yes"}
        await client.post("/checklist", data={"joint": joint, "gasket": "no", "nut-spins": "no"} | seen)
        assert await told() == {"gasket": "no", "nut-spins": "no"}
        await client.post("/checklist", data={"joint": joint, "gasket": "yes", "protector": "yes"} | seen)
        assert await told() == {"gasket": "no", "nut-spins": "no", "protector": "yes"}

    on_phone(folder, ledger, work)


# --- lines by hand -----------------------------------------------------------------------------------------


def test_lines_by_hand_make_an_assisted_answer_that_the_job_finds_again(folder: Path, ledger: Path,
                                                                      tmp_path: Path) -> None:
    from cli.jobs.inspection import inspect_photo

    scene = VIEWS[0]
    catalog = tmp_path / "c.toml"
    catalog.write_text('[[fitting]]\nid = "yard-2"\nnominal_size = "2"\nunit = "mm"\ncollar_od = 73.0\n'
                       'pipe_od = 60.325\nmark_depth = 28.575\nmax_gap = 1.5875\nsource = "invented"\n')
    (folder / "joints.csv").write_text(LIST + "J-1,yard-2,,,,,\n")
    lines = lines_of(hand_on(scene), scene.size_px)
    placed = {key: value for key, value in lines.items() if key != "format"} | SETTLED

    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        number = (await send(client, "J-1", jpeg_of(scene))).json()["id"]
        assert not (await looked_at(client, number))["assisted"]
        start = (await client.get(f"/api/photos/{number}/preview")).json()
        assert start["size_px"] == list(scene.size_px)
        shown = Image.open(io.BytesIO((await client.get(f"/api/photos/{number}/preview.jpg")).content))
        assert shown.size == scene.size_px
        answer = await client.put(f"/api/photos/{number}/lines", json=placed)
        assert answer.status_code == 200
        told = await looked_at(client, number)
        assert told["assisted"]
        assert told["verdict"] == "short"
        assert told["answer"]["assisted"]["placed_by"] == "Crew A"
        page = (await client.get("/joint", params={"name": "J-1"})).text
        assert "lines placed by Crew A" in page
        assert "assisted" in (await client.get("/joints")).text
        wrong = await client.put(f"/api/photos/{number}/lines", json=placed | {"size_px": [640, 480]})
        assert wrong.status_code == 400
        assert "640 x 480" in wrong.json()["text"]
        assert (await looked_at(client, number))["assisted"]  # by those that were placed before

    on_phone(folder, ledger, work, catalog=catalog, inspector=inspect_photo, limit_s=60.0)
    beside = json.loads((folder / f"J-1_1.jpg{SUFFIX}").read_text())
    assert beside["placed_by"] == "Crew A"
    assert len(beside["sha256"]) == 64
    done = CliRunner().invoke(job_stub.commands(), ["job", str(folder), "--ledger", str(ledger), "--workers", "1",
                                                    "--catalog", str(catalog)])
    assert "0 checked now, 1 known" in done.output
    assert "(assisted)" in done.output
    assert '<span class="tag">assisted</span>' in (folder / "report.html").read_text()


def test_lines_that_nobody_moved_or_confirmed_are_refused(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        number = (await send(client, await begin(client), photo(1))).json()["id"]
        placed = {"placed_by": "A", "size_px": [96, 96], "collar": [[[1, 1], [2, 2]], [[3, 3], [4, 4]]],
                  "mouth": [[1, 1], [2, 2]], "mark": [[1, 1], [2, 2]]}
        some = {"settled": {"collar": ["moved", "confirmed"], "mouth": "confirmed", "mark": "untouched"}}
        for sent, left in ((placed, "the collar's one side, the collar's other side, the mouth, the mark's near edge"),
                           (placed | some, "confirmed the mark's near edge.")):
            answer = await client.put(f"/api/photos/{number}/lines", json=sent)
            assert answer.status_code == 400
            assert left in answer.json()["text"]
            assert "say that it lies right" in answer.json()["text"]
        assert not (await looked_at(client, number))["assisted"]

    on_phone(folder, ledger, work)
    assert not list(folder.glob(f"*{SUFFIX}"))


def test_lines_can_be_taken_away_again(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        number = (await send(client, await begin(client), photo(1))).json()["id"]
        await looked_at(client, number)
        placed = {"placed_by": "A", "size_px": [96, 96], "collar": [[[1, 1], [2, 2]], [[3, 3], [4, 4]]],
                  "mouth": [[1, 1], [2, 2]], "mark": [[1, 1], [2, 2]], **SETTLED}
        await client.put(f"/api/photos/{number}/lines", json=placed)
        await looked_at(client, number)
        assert (folder / f"J-001_1.jpg{SUFFIX}").exists()
        assert (await client.delete(f"/api/photos/{number}/lines")).status_code == 200
        assert not (folder / f"J-001_1.jpg{SUFFIX}").exists()
        assert (await client.put(f"/api/photos/{number}/lines", json=placed | {"mouth": [[1, 1]]})).status_code == 422

    on_phone(folder, ledger, work)


# --- who comes in ------------------------------------------------------------------------------------------


def test_the_code_opens_the_page_and_leaves_the_address(folder: Path, ledger: Path) -> None:
    async def work(_: httpx.AsyncClient, app: FastAPI) -> None:
        async with phone(app, code="") as stranger:
            came = await stranger.get("/", params={"code": CODE})
            assert came.status_code == 303
            assert came.headers["location"] == "/"
            cookie = came.headers["set-cookie"].lower()
            assert "httponly" in cookie
            assert "samesite=lax" in cookie
            assert (await stranger.get("/joints")).status_code == 200

    on_phone(folder, ledger, work)


def test_without_the_code_nothing_is_told(folder: Path, ledger: Path) -> None:
    async def work(_: httpx.AsyncClient, app: FastAPI) -> None:
        asked = [(path, method) for path, methods in app.openapi()["paths"].items() for method in methods]
        asked += [(path, "get") for path in ("/", "/joint?name=J", "/joints", "/size", "/lines", "/api/openapi.json",
                                             "/part/photo", "/docs", "/nothing")]
        for count, (path, method) in enumerate(asked):
            async with phone(app, code="", address=f"10.1.0.{count}") as stranger:
                answer = await stranger.request(method, path.replace("{photo_id}", str(uuid.uuid4())))
                assert answer.status_code == 401, path
                assert "scan the" in answer.text.lower()

    on_phone(folder, ledger, work)


def test_who_offers_wrong_codes_waits_but_the_right_one_enters(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        async with phone(app, code="", address="10.9.9.9") as thief:
            async def wrong() -> list[httpx.Response]:
                return [await thief.get("/", params={"code": "no"}), await thief.post("/enter", data={"code": "no"})]

            for _ in range(MOST_WRONG // 2):
                assert [answer.status_code for answer in await wrong()] == [401, 401]
            for stopped in await wrong():
                assert stopped.status_code == 429
                assert 0 < int(stopped.headers["retry-after"]) <= 60
            assert (await thief.get("/", params={"code": CODE})).status_code == 303
            assert (await thief.get("/joints")).status_code == 200
        assert (await client.get("/joints")).status_code == 200  # everybody else

    on_phone(folder, ledger, work)


def test_an_old_cookie_and_another_sites_pictures_lock_nobody_out(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        async with phone(app, code="of-an-earlier-run") as old:
            for _ in range(2 * MOST_WRONG):
                assert (await old.get("/joints")).status_code == 401
                picture = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}
                assert (await old.get("/", params={"code": "w"}, headers=picture)).status_code == 401
                form = await old.post("/enter", data={"code": "w"}, headers={"origin": "http://elsewhere.test"})
                assert form.status_code == 403
            assert (await old.get("/", params={"code": "mistyped"})).status_code == 401
        for _ in range(2 * MOST_WRONG):  # without those headers, as browsers send them only to some addresses
            await client.get("/", params={"code": "w"})
        assert (await client.get("/joints")).status_code == 200

    on_phone(folder, ledger, work)


def test_two_jobs_of_one_computer_keep_their_phones_and_sizes_apart(folder: Path, ledger: Path, tmp_path: Path) -> None:
    other = tmp_path / "Other yard"
    other.mkdir()

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        second = app_of(other, ledger)
        assert second.state.access.cookie != app.state.access.cookie
        async with second.router.lifespan_context(second), phone(second, code="") as there:
            there.cookies = client.cookies  # browsers keep one jar for all ports of a machine
            assert (await there.get("/", params={"code": CODE})).status_code == 303
            await there.post("/size", data={"fitting": "demo-3"})
        client.cookies = there.cookies
        assert (await client.get("/joints")).status_code == 200
        assert (await client.get("/")).headers["location"] == "/size"

    on_phone(folder, ledger, work)


def test_a_typed_code_is_a_way_in(folder: Path, ledger: Path) -> None:
    async def work(_: httpx.AsyncClient, app: FastAPI) -> None:
        async with phone(app, code="", address="10.0.0.8") as stranger:
            assert (await stranger.get("/enter")).status_code == 200
            assert (await stranger.post("/enter", data={"code": "nonsense"})).status_code == 401
            assert (await stranger.post("/enter", data={"code": f" {CODE.upper()} "})).status_code == 303
            assert (await stranger.get("/joints")).status_code == 200

    on_phone(folder, ledger, work)


def test_another_sites_page_can_change_nothing(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        for headers in ({"origin": "http://elsewhere.test"}, {"sec-fetch-site": "cross-site"}, {"origin": "null"}):
            answer = await client.post("/size", data={"fitting": "demo-2"}, headers=headers)
            assert answer.status_code == 403
        fine = await client.post("/size", data={"fitting": "demo-2"}, headers={"origin": "http://page.test",
                                                                               "sec-fetch-site": "same-origin"})
        assert fine.status_code == 303

    on_phone(folder, ledger, work)


def test_every_answer_carries_the_headers_and_no_folder_is_listed(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        for path in ("/size", "/static/app.css", "/static/app.js", "/nothing", "/api/joints", "/static/", "/static"):
            answer = await client.get(path)
            assert HEADERS.items() <= dict(answer.headers).items(), path
        for path in ("/static/", "/static/../pages/base.html.j2", "/static/%2e%2e/app.py",
                     "/static/..%2fapp.py", "/pages/base.html.j2", "/joints.csv", "/.collargap/phone.sqlite"):
            assert (await client.get(path)).status_code == 404, path
        policy = HEADERS["content-security-policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy

    on_phone(folder, ledger, work)


def test_too_much_is_not_read(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        long = {"token": str(uuid.uuid4()), "name": "J" * 200_000, "fitting": "demo-2"}
        assert (await client.post("/api/joints", json=long)).status_code == 413

        async def endless() -> AsyncIterator[bytes]:
            for _ in range(100):
                yield b"x" * 10_000

        assert (await client.post("/checklist", content=endless())).status_code == 413

    on_phone(folder, ledger, work)


# --- pages -------------------------------------------------------------------------------------------------


def pages_of(folder: Path, ledger: Path) -> dict[str, str]:
    found: dict[str, str] = {}

    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        assert (await client.get("/")).headers["location"] == "/size"
        found["size"] = (await client.get("/size")).text
        await client.post("/size", data={"fitting": "demo-2"})
        joint = await begin(client)
        numbers = []
        for seed, says in enumerate(("full", "short", "none")):
            numbers.append((await send(client, joint, photo(seed, says))).json()["id"])
            await looked_at(client, numbers[-1])
        found["home"] = (await client.get("/")).text
        found["joint"] = (await client.get("/joint", params={"name": joint})).text
        found["joints"] = (await client.get("/joints")).text
        found["lines"] = (await client.get("/lines", params={"photo": numbers[0]})).text
        async with phone(app, code="", address="10.0.0.9") as stranger:
            found["code"] = (await stranger.get("/")).text

    on_phone(folder, ledger, work)
    return found


def test_pages_bring_all_they_need_and_say_the_cautions(folder: Path, ledger: Path) -> None:
    for name, page in pages_of(folder, ledger).items():
        assert not re.search(r"<script(?![^>]*\ssrc=)|\son\w+=|\sstyle=|<style|javascript:", page), name
        sources = re.findall(r'(?:src|href|action)="([^"]*)"', page)
        assert all(source.startswith(("/", "#")) and not source.startswith("//") for source in sources), name
        if name in ("home", "joint", "joints", "lines"):
            assert "not how tight the joint is" in page, name
            assert "pressure" in page, name
    joint = pages_of(folder, ledger)["joint"]
    for word in ("FULL", "SHORT", "UNPROVEN"):
        assert word in joint
    assert joint.count("a photo replaces no pressure test") == joint.count("<article")  # beside each verdict


def test_forms_lead_on_and_never_to_another_site(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, _: FastAPI) -> None:
        for back in ("https://elsewhere.test/", "//elsewhere.test", "/\\elsewhere.test", "javascript:1"):
            answer = await client.post("/size", data={"fitting": "demo-2", "back": back})
            assert answer.headers["location"] == "/"
        assert (await client.post("/size", data={"fitting": "demo-9"})).status_code == 400
        form = {"token": str(uuid.uuid4()), "name": "J-001", "offered": "J-001"}
        went = [(await client.post("/begin", data=form)).headers["location"] for _ in range(2)]
        assert went == ["/joint?name=J-001&new=1", "/joint?name=J-001"]
        assert (await client.get("/joint", params={"name": "J-404"})).status_code == 404

    on_phone(folder, ledger, work)


def test_a_ledger_that_can_not_be_used_is_said(folder: Path, ledger: Path) -> None:
    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        joint = await begin(client)
        desk = app.state.service.desk
        await app.state.service.at_desk(desk._ledger.close)
        answer = await client.get("/api/checklist", params={"joint": joint})
        assert answer.status_code == 503
        assert "ledger" in answer.json()["text"]
        sent = (await send(client, joint, photo(1))).json()
        told = await looked_at(client, sent["id"])
        assert told["state"] == "failed"
        assert "ledger" in told["error"]

    on_phone(folder, ledger, work)
    assert len(list(folder.glob("*.jpg"))) == 1



def test_lines_that_come_while_a_photo_is_looked_at_do_not_take_its_answer(folder: Path, ledger: Path) -> None:
    """The look that began without lines is not an answer with them: the job checks again for nothing it knows."""
    async def work(client: httpx.AsyncClient, app: FastAPI) -> None:
        number = (await send(client, await begin(client), photo(1, "slow"))).json()["id"]
        placed = {"placed_by": "A", "size_px": [96, 96], "collar": [[[1, 1], [2, 2]], [[3, 3], [4, 4]]],
                  "mouth": [[1, 1], [2, 2]], "mark": [[1, 1], [2, 2]], **SETTLED}
        await client.put(f"/api/photos/{number}/lines", json=placed)
        await looked_at(client, number)

        def settings() -> list[Any]:
            return app.state.service.desk._ledger._db.execute('SELECT settings_json FROM "check"').fetchall()

        checks = await app.state.service.at_desk(settings)
        assert ["lines" in json.loads(told) for (told,) in checks] == [False, True]

    on_phone(folder, ledger, work)
