"""Fifty phones at once, over loopback, with connections that break: nothing lost, nothing doubled."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import random
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner

from tests import job_stub
from tests.job_stub import photo
from tests.phone_stub import CODE

ROOT = Path(__file__).parent.parent
PHONES = 50
PATIENCE_S = 120.0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "Big site"
    made.mkdir()
    return made


@pytest.fixture
def address(folder: Path) -> Iterator[str]:
    command = [sys.executable, "-m", "tests.phone_stub", str(folder), str(folder.parent / "ledger.sqlite")]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, env={**os.environ}) as server:
        try:
            assert server.stdout is not None
            yield server.stdout.readline().strip()
        finally:
            server.terminate()
            server.wait(20)


async def break_off(address: str, cookies: httpx.Cookies, number: str, joint: str, data: bytes) -> None:
    """Send half of a photo, and be gone."""
    cookie = "; ".join(f"{name}={value}" for name, value in cookies.items())
    host, port = address.removeprefix("http://").split(":")
    _, line = await asyncio.open_connection(host, int(port))
    head = (f"PUT /api/photos/{number}?joint={joint} HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\n"
            f"Content-Length: {len(data)}\r\n\r\n")
    line.write(head.encode() + data[: len(data) // 2])
    await line.drain()
    line.close()
    await line.wait_closed()


async def one_phone(address: str, seed: int) -> tuple[str, str]:
    """What one installer does: come in, begin a joint, send its photo with breaks and repeats, read the answer."""
    dice = random.Random(seed)
    async with httpx.AsyncClient(base_url=address, timeout=PATIENCE_S, follow_redirects=True) as client:
        assert (await client.get("/", params={"code": CODE})).status_code == 200
        offered = (await client.get("/api/start")).json()["next"]
        asked = {"token": str(uuid.uuid4()), "name": offered, "offered": True, "fitting": "demo-2"}
        for _ in range(1 + dice.randrange(2)):
            joint = str((await client.post("/api/joints", json=asked)).json()["joint"])
        data, number = photo(seed, dice.choice(("full", "short", "none"))), str(uuid.uuid4())
        if dice.random() < 0.4:
            await break_off(address, client.cookies, number, joint, data)
        for _ in range(1 + dice.randrange(3)):
            sent = await client.put(f"/api/photos/{number}", params={"joint": joint}, content=data)
            assert sent.status_code == 200, sent.text
        told = {"state": "kept"}
        while told["state"] == "kept":
            told = (await client.get(f"/api/photos/{number}", params={"wait": 10})).json()
        assert told["state"] == "checked", told
        return joint, hashlib.sha256(data).hexdigest()


def test_fifty_phones_at_once(address: str, folder: Path) -> None:
    async def all_of_them() -> list[tuple[str, str]]:
        return await asyncio.gather(*(one_phone(address, seed) for seed in range(PHONES)))

    done = asyncio.run(asyncio.wait_for(all_of_them(), PATIENCE_S))
    assert len({joint for joint, _ in done}) == PHONES
    files = list(folder.glob("*.jpg"))
    assert sorted(hashlib.sha256(path.read_bytes()).hexdigest() for path in files) == sorted(sha for _, sha in done)
    assert not list((folder / ".collargap").glob("*.part"))
    run = CliRunner().invoke(job_stub.commands(), ["job", str(folder), "--ledger",
                                                   str(folder.parent / "ledger.sqlite"), "--workers", "1"])
    assert f"0 checked now, {PHONES} known" in run.output
    lines = [json.loads(each) for each in (folder / "results.jsonl").read_text().splitlines()]
    assert sorted((line["joint"], line["sha256"]) for line in lines) == sorted(done)
