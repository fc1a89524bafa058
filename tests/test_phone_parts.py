"""Parts of the phone page one by one: the command, the codes, the crew, the colours, the description of the API."""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.requests import ClientDisconnect
from typer.testing import CliRunner

from cli.main import app as program
from cli.phone import door
from cli.phone.access import MOST_WRONG, WINDOW_S, Access, new_code
from cli.phone.crew import Crew, Lost
from cli.phone.intake import HIDDEN, received
from cli.phone.names import joint_name, next_names, photo_names
from cli.phone.troubles import BadRequest
from cli.serve import own_address, server_of, welcome
from tests.job_stub import photo
from tests.phone_stub import CODE, LIST, app_of, running

CSS = Path(__file__).parent.parent / "cli" / "phone" / "static" / "app.css"


# --- the command -------------------------------------------------------------------------------------------


def serve(*arguments: str) -> Any:
    return CliRunner().invoke(program, ["serve", *arguments])


@pytest.mark.parametrize("missing", ["fastapi", "segno", "uvicorn", "python_multipart"])
def test_a_missing_extra_is_a_sentence_with_the_remedy(missing: str, tmp_path: Path,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, missing, None)
    done = serve(str(tmp_path))
    assert done.exit_code == 2
    assert "pip install 'collargap[phone]'" in done.output
    assert "Traceback" not in done.output


def test_what_can_not_be_served_is_misuse(tmp_path: Path) -> None:
    ledger = ("--ledger", str(tmp_path / "l.sqlite"))
    none = serve(str(tmp_path / "nowhere"), *ledger)
    assert (none.exit_code, "no folder" in none.output) == (2, True)
    assert serve(str(tmp_path), "--fitting", "demo-9", *ledger).exit_code == 2
    (tmp_path / "J-1.jpg").write_bytes(photo(1))
    unlisted = serve(str(tmp_path), *ledger)
    assert (unlisted.exit_code, "--fitting" in unlisted.output) == (2, True)
    (tmp_path / "joints.csv").write_text("a,b\n1,2\n")
    assert "no column 'joint'" in serve(str(tmp_path), *ledger).output


def test_a_port_in_use_is_said(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as line:
        done = serve(str(tmp_path), "--port", str(line.getsockname()[1]), "--ledger", str(tmp_path / "l.sqlite"))
    assert done.exit_code == 1
    assert "--port" in done.output


def test_the_address_its_code_and_who_can_reach_it_are_printed() -> None:
    with socket.create_server(("127.0.0.1", 0)) as line:
        port = line.getsockname()[1]
        said = "\n".join(welcome(line, "127.0.0.1", CODE))
        assert f"http://127.0.0.1:{port}/?code={CODE}" in said
        assert "Only this machine" in said
        assert "█" in said
        coloured = "\n".join(welcome(line, "127.0.0.1", CODE, coloured=True))
        assert "\x1b[48;5;231m" in coloured
        assert "\x1b[7m" not in coloured
        wide = "\n".join(welcome(line, "0.0.0.0", CODE))
        assert f"http://{own_address()}:{port}/?code={CODE}" in wide
        assert "not encrypted" in wide
        assert all(f"the same --host and --port {port}" in text for text in (said, wide))


def test_idle_connections_are_closed_and_one_address_has_not_all(monkeypatch: pytest.MonkeyPatch) -> None:
    for limit, value in (("PATIENCE_S", 1.0), ("STALLED_S", 0.5), ("MOST_OF_ONE", 5)):
        monkeypatch.setattr(door, limit, value)

    async def answers(_: Any, receive: Any, send: Any) -> None:
        while (await receive()).get("more_body"):
            pass
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
        await send({"type": "http.response.body", "body": b"ok"})

    async def work() -> None:
        line = socket.create_server(("127.0.0.1", 0))
        server = server_of(answers)
        server.config.lifespan = "off"
        serving = asyncio.create_task(server.serve(sockets=[line]))
        port = line.getsockname()[1]

        async def sent(data: bytes) -> asyncio.StreamReader:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(data)
            kept.append(writer)
            return reader

        kept: list[asyncio.StreamWriter] = []
        get = b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"
        left = [await sent(data) for data in (b"", get[:9], b"PUT / HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n1",
                                              get + get[:9], b"")]
        beyond = await sent(get)
        with contextlib.suppress(ConnectionResetError):
            assert await beyond.read() == b""
        reader, other = await asyncio.open_connection("127.0.0.1", port, local_addr=("127.0.0.2", 0))
        kept.append(other)
        other.write(get)
        assert (await asyncio.wait_for(reader.read(15), 2)).startswith(b"HTTP/1.1 200")
        for each in left:
            await asyncio.wait_for(each.read(), 5)  # to its end
        assert (await asyncio.wait_for((await sent(get)).read(15), 2)).startswith(b"HTTP/1.1 200")
        server.should_exit = True
        for writer in kept:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        await serving

    asyncio.run(work())


# --- codes and names ---------------------------------------------------------------------------------------


def test_codes_are_long_readable_and_never_the_same() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(re.fullmatch(r"[a-z2-9]{4}-[a-z2-9]{4}-[a-z2-9]{4}", code) for code in codes)


def test_wrong_codes_are_forgotten_after_a_while() -> None:
    now = [0.0]
    access = Access("right", clock=lambda: now[0])
    for _ in range(MOST_WRONG):
        assert access.must_wait_s("a") == 0
        assert not access.right("wrong")
        access.tried("a")
    assert access.must_wait_s("a") == pytest.approx(WINDOW_S)
    assert access.must_wait_s("b") == 0
    now[0] = WINDOW_S + 1
    assert access.must_wait_s("a") == 0
    assert access.right("right")
    assert not access.right("")


@given(st.text(max_size=60))
def test_a_name_that_is_taken_makes_harmless_files(text: str) -> None:
    try:
        name = joint_name(text)
    except BadRequest:
        return
    for path in photo_names(name, 3, ".jpg"):
        assert not path.startswith(("/", ".", "-"))
        assert ".." not in path.split("/")
        assert path.isprintable()
        assert not set(path) & set('\\:*?"<>|')
        assert all(len(part.encode()) < 255 for part in path.split("/"))


@pytest.mark.parametrize(("names", "following"), [
    ([], "J-001"), (["J-014"], "J-015"), (["J-9", "J-10"], "J-11"), (["A1", "B-099"], "B-100"), (["sump"], "J-001"),
    (["Schacht Süd 7", "Riser 2/3"], "Schacht Süd 8"), (["a" * 39 + "9"], "J-001"),
])
def test_the_next_number(names: list[str], following: str) -> None:
    assert next(next_names(names)) == following


# --- the crew ----------------------------------------------------------------------------------------------


def test_a_crew_survives_what_its_work_does() -> None:
    async def work() -> None:
        crew = Crew(2, 3.0)
        await crew.start()
        try:
            assert await crew.do(abs, -3) == 3
            with pytest.raises(RuntimeError, match="ValueError"):
                await crew.do(int, "x")
            import os

            for _ in range(3):
                with pytest.raises(Lost, match="ended its process"):
                    await crew.do(os._exit, 1)
            with pytest.raises(Lost, match="longer than"):
                await crew.do(time.sleep, 60)
            assert await asyncio.gather(*(crew.do(abs, -n) for n in range(20))) == list(range(20))
        finally:
            await crew.stop()

    asyncio.run(work())


# --- colours and sizes -------------------------------------------------------------------------------------


def variables(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", css))


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, relative luminance and contrast ratio."""
    def light(colour: str) -> float:
        parts = [int(colour[at:at + 2], 16) / 255 for at in (1, 3, 5)]
        red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_in_light_and_dark() -> None:
    """AA: 4.5 for words, 3 for the borders of what can be touched and for the focus."""
    css = CSS.read_text("utf-8")
    day = variables(css[:css.index("@media (prefers-color-scheme: dark)")])
    night = day | variables(css[css.index("@media (prefers-color-scheme: dark)"):])
    for colours in (day, night):
        for ground in ("paper", "card"):
            for words in ("ink", "soft", "deep"):
                assert contrast(colours[words], colours[ground]) >= 4.5, (words, ground)
            for border in ("line", "focus"):
                assert contrast(colours[border], colours[ground]) >= 3, (border, ground)
        for word in ("full", "short", "unproven", "missing", "checking", "failed", "deep"):
            assert contrast(colours[word], colours[f"on-{word}"]) >= 4.5, word
    named = set(re.findall(r"var\(--([a-z-]+)\)", css)) - {"cut"}
    assert named <= day.keys()


# --- the description of the API ------------------------------------------------------------------------------


def test_the_description_names_every_way_to_fail(tmp_path: Path) -> None:
    described = app_of(tmp_path, tmp_path / "l.sqlite").openapi()
    for path, methods in described["paths"].items():
        assert path.startswith("/api/")
        for method, facts in methods.items():
            assert {"400", "401", "404", "409", "413", "415", "422", "429", "503"} <= facts["responses"].keys(), path
            assert facts["summary"] or facts["description"], (path, method)


def test_whatever_is_sent_gets_a_described_answer(tmp_path: Path) -> None:
    """schemathesis makes requests of all kinds from the description; no answer may be a fault or undescribed."""
    schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")
    from hypothesis import HealthCheck, Phase, settings
    from schemathesis import GenerationMode

    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "joints.csv").write_text(LIST + "J-1,demo-2,,,,,\n")
    app = app_of(folder, tmp_path / "l.sqlite")
    asked = []

    async def work() -> None:
        async with running(app) as client:
            schema = schemathesis.openapi.from_dict(app.openapi())
            loop = asyncio.get_running_loop()

            def one(case: Any) -> None:
                request = case.as_transport_kwargs(base_url="http://page.test")
                plain = {key: request.get(key) for key in ("params", "headers", "cookies", "json", "data")}
                done = asyncio.run_coroutine_threadsafe(sent(request["method"], request["url"], plain), loop).result(30)
                asked.append((case.operation.label, done.status_code))
                known = case.operation.definition.raw["responses"]
                assert done.status_code < 500 or done.status_code == 503, (case.operation.label, done.text)
                assert str(done.status_code) in known or done.status_code in (404, 405), (case, done.status_code)
                if done.status_code >= 400:
                    assert done.json()["text"], case.operation.label

            async def sent(method: str, url: str, plain: dict[str, Any]) -> httpx.Response:
                content = plain["data"] if isinstance(plain["data"], (bytes, str)) else None
                headers = {key: value for key, value in dict(plain["headers"] or {}).items()
                           if key.lower() not in ("cookie", "host", "content-length") and value.isascii()}
                request = client.build_request(method, url, params=plain["params"], json=plain["json"], content=content,
                                               headers=headers)
                return await client.send(request)

            def every(number: str) -> None:
                bounded = settings(max_examples=8, deadline=None, database=None, derandomize=True,
                                   phases=[Phase.generate], suppress_health_check=list(HealthCheck))
                for operation in (each.ok() for each in schema.get_all_operations()):
                    there = {"path_parameters": {"photo_id": number}} if "photo_id" in operation.path else {}
                    if "joint" in str(operation.definition.raw.get("parameters")):
                        there |= {"query": {"joint": "J-1"}}
                    for mode, known in ((GenerationMode.POSITIVE, {}), (GenerationMode.NEGATIVE, {}),
                                        (GenerationMode.POSITIVE, there)):
                        if mode is GenerationMode.NEGATIVE and operation.path in ("/api/start", "/api/joints"):
                            continue  # nothing to send that could be wrong

                        @bounded
                        @given(case=operation.as_strategy(mode, **known))
                        def tried(case: Any) -> None:
                            one(case)

                        tried()

            photo_id = "22222222-2222-4222-8222-222222222222"
            await client.put(f"/api/photos/{photo_id}", params={"joint": "J-1"}, content=photo(1))
            await asyncio.to_thread(every, photo_id)

    asyncio.run(work())
    assert len({label for label, _ in asked}) == sum(len(methods) for methods in app.openapi()["paths"].values())
    assert {status for _, status in asked} >= {200, 400, 404, 415, 422}


def test_a_connection_that_is_lost_leaves_nothing_and_is_told_as_such(tmp_path: Path) -> None:
    async def body() -> AsyncIterator[bytes]:
        yield photo(1)[:700]
        raise ClientDisconnect

    async def take() -> None:
        async with received(tmp_path, body()):
            raise AssertionError("half a photo is none")

    with pytest.raises(BadRequest, match="connection was lost"):
        asyncio.run(take())
    assert not list((tmp_path / HIDDEN).iterdir())
