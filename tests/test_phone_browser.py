"""The phone page in real Chromium at a phone's size, with real photos and the real measuring behind it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from tests.phone_stub import LIST

playwright = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed: pip install playwright")

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_images" / "job"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
PHONE: dict[str, Any] = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True,
                         "device_scale_factor": 2}
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync"]
PATIENCE_MS = 60_000  # a photo takes two seconds; a machine that does much else, far longer

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed: apt install chromium")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("browser") / "Yard"
    made.mkdir()
    (made / "joints.csv").write_text(LIST + "J-01,demo-2,,plant room,,,\nJ-02,demo-3,,trench,,,\n")
    return made


@contextmanager
def served(folder: Path, *more: str) -> Iterator[str]:
    """The page's address with its code, as the command prints it."""
    command = [sys.executable, "-c", "from cli.main import run; run()", "serve", str(folder), "--port", "0",
               "--workers", "1", "--ledger", str(folder.parent / "ledger.sqlite"), *more]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, env={**os.environ}) as server:
        try:
            assert server.stdout is not None
            found = re.search(r"http://\S+", server.stdout.readline())
            assert found
            yield found[0]
        finally:
            server.send_signal(signal.SIGINT)
            assert server.wait(30) == 0


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[str]:
    with served(folder) as found:
        yield found


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as library:
        found = library.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


@contextmanager
def one_phone(browser: Any, **more: Any) -> Iterator[Any]:
    """A page on a phone of its own; no script may fail, nothing may be blocked."""
    context = browser.new_context(**PHONE, **more)
    context.set_default_timeout(PATIENCE_MS)
    opened = context.new_page()
    faults: list[str] = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("console", lambda said: faults.append(said.text) if "Content Security Policy" in said.text else None)
    yield opened
    context.close()
    assert not faults


@pytest.fixture
def page(browser: Any, address: str, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A page of a phone that has come in and chosen size 3."""
    with one_phone(browser, color_scheme=getattr(request, "param", "light")) as opened:
        opened.goto(address)
        opened.click("button:has-text('demo-3')")
        opened.wait_for_url("**/")
        yield opened


_NUMBERS = count(1)


def begin(page: Any) -> str:
    """Begin a joint that is not in the list, and say which it is."""
    page.goto(page.url.split("/", 3)[0] + "//" + page.url.split("/", 3)[2] + "/")
    page.fill("#name", f"T-{next(_NUMBERS):02}")
    page.click("text=Begin this joint")
    page.wait_for_selector("#shot", state="attached")
    return str(page.inner_text("h1"))


def take(page: Any, name: str) -> None:
    page.set_input_files("#shot", str(SAMPLES / name))


def photos_of(folder: Path, joint: str) -> list[str]:
    return sorted(path.name for path in folder.glob(f"{joint}_*.jpg"))


@pytest.mark.parametrize("page", ["light", "dark"], indirect=True)
def test_photo_to_verdict_and_retake(page: Any, folder: Path, tmp_path: Path) -> None:
    joint = begin(page)
    take(page, "J-08.jpg" if page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") else "J-11.jpg")
    page.wait_for_selector(".photo.is-unproven")
    assert page.inner_text(".photo .todo")
    take(page, "J-04.jpg")  # one tap: the same button
    page.wait_for_selector(".photo.is-short")
    assert "gap 15/32 in" in page.inner_text(".photo.is-short .gap")
    page.locator(".photo.is-short img").scroll_into_view_if_needed()
    wide = page.locator(".photo.is-short img").evaluate("image => image.decode().then(() => image.naturalWidth)")
    assert wide > 300
    assert page.locator("#photos .photo").count() == 2
    assert len(photos_of(folder, joint)) == 2
    page.screenshot(path=tmp_path / "joint.png")


def test_one_handed_at_360_px(page: Any, folder: Path) -> None:
    base = page.url
    joint = begin(page)
    take(page, "J-08.jpg")
    page.wait_for_selector(".photo.is-unproven")
    number = page.get_attribute(".photo", "data-photo")
    for path in ("", "size", "joints", f"joint?name={joint}", f"lines?photo={number}", "enter"):
        page.goto(base + path)
        if "lines" in path:
            page.wait_for_selector("text=1 of 4")
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path
        small = page.evaluate("""() => [...document.querySelectorAll('a, button, label:has(input), summary, input')]
            .filter((each) => each.checkVisibility() && !each.closest('label:has(input)')?.contains(each.parentElement)
                && each.type !== 'hidden')
            .map((each) => [each.outerHTML.slice(0, 80), each.getBoundingClientRect()])
            .filter(([, box]) => box.width && (box.width < 44 || box.height < 44)).map(([text]) => text)""")
        assert not small, path
    assert len(photos_of(folder, joint)) == 1


def test_the_back_button_goes_back_and_begins_nothing(page: Any, folder: Path) -> None:
    joint = begin(page)
    rows = (folder / "joints.csv").read_text()
    page.go_back()
    page.wait_for_selector("#name")
    page.go_forward()
    assert page.inner_text("h1") == joint
    page.go_back()
    page.wait_for_selector("#name")
    assert page.input_value("#name") != joint  # that number is given; it waits below for its photo
    page.click(f".joints a:has-text('{joint}')")
    page.wait_for_selector("#shot", state="attached")
    assert page.inner_text("h1") == joint
    assert (folder / "joints.csv").read_text() == rows


def test_the_connection_drops_and_the_photo_waits_on_the_phone(page: Any, folder: Path) -> None:
    joint = begin(page)
    page.context.set_offline(True)
    take(page, "J-08.jpg")
    page.wait_for_selector("text=Kept here")
    assert photos_of(folder, joint) == []
    page.context.set_offline(False)
    page.wait_for_selector(".photo.is-unproven")
    assert photos_of(folder, joint) == [f"{joint}_1.jpg"]
    assert page.locator(".photo").count() == 1


def test_an_answer_that_is_lost_on_its_way_doubles_nothing(page: Any, folder: Path) -> None:
    """The photo arrives, the answer does not; the page is closed, and the phone sends it again another time."""
    joint = begin(page)
    lost = []

    def lose(route: Any) -> None:
        if route.request.method == "PUT":
            route.fetch()
            lost.append(route.request.url)
            route.abort()
        else:
            route.continue_()

    page.route("**/api/photos/**", lose)
    take(page, "J-08.jpg")
    page.wait_for_selector("text=Kept here")
    where = page.url
    page.unroute("**/api/photos/**")
    page.goto("about:blank")
    page.goto(where)
    page.wait_for_selector(".photo.is-unproven")
    page.wait_for_selector("[data-waiting]", state="detached")
    assert lost
    assert photos_of(folder, joint) == [f"{joint}_1.jpg"]
    assert page.locator(".photo").count() == 1


def test_lines_by_hand_with_finger_and_keys(page: Any, folder: Path, tmp_path: Path) -> None:
    joint = begin(page)
    take(page, "J-04.jpg")
    page.wait_for_selector(".photo.is-short")
    page.click("text=Place lines by hand")
    page.wait_for_selector("text=1 of 4")
    handle = page.locator(".handle:visible").first
    before = handle.bounding_box()
    stage = page.locator("#stage").bounding_box()
    page.mouse.move(before["x"] + 30, before["y"] + 60)
    page.mouse.down()
    page.mouse.move(before["x"] + 36, before["y"] + 66, steps=3)
    page.mouse.up()
    moved = handle.bounding_box()
    assert 1 < moved["x"] - before["x"] < 7  # finer than the finger
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Shift+ArrowUp")
    assert handle.bounding_box()["x"] < moved["x"]
    page.screenshot(path=tmp_path / "lines.png")
    assert stage["width"] > 300
    for step in ("2 of 4", "3 of 4", "4 of 4"):
        page.click("#after")
        page.wait_for_selector(f"text={step}")
    page.click("#after")  # without a name: asked for it
    page.fill("#placed_by", "Crew B")
    page.click("#after")
    page.wait_for_selector("text=lines placed by Crew B")
    assert (folder / f"{joint}_1.jpg.lines.json").exists()
    page.goto(page.url.split("/joint")[0] + "/joints")
    assert "assisted" in page.inner_text(f".joints li:has-text('{joint}')")


def tops(page: Any) -> list[float]:
    """Where the marked pipe's part of the page begins, and the joint's."""
    return [page.locator(part).evaluate("part => part.getBoundingClientRect().top") for part in (".pipes", ".made")]


def test_the_marked_pipe_comes_before_its_joint(page: Any, folder: Path, tmp_path: Path) -> None:
    page.goto(page.url + "joint?name=J-01")
    assert tops(page) == sorted(tops(page))
    page.set_input_files("#shot-before", str(SAMPLES / "J-01_before.jpg"))
    page.wait_for_selector("#pipes .photo.is-unproven")  # a demonstration row has no tolerance to judge by
    assert "from the cut" in page.inner_text("#pipes .gap")
    page.wait_for_selector(".title:has-text('mark unproven')")
    assert page.inner_text(".title .chip").lower() == "no photo"
    assert page.inner_text(".shot.calm") == "Marked pipe again"
    assert page.inner_text(".main.shot") == "Joint photo"
    assert page.locator("#photos .photo").count() == 0
    page.screenshot(path=tmp_path / "pipe.png")
    take(page, "J-01.jpg")
    page.wait_for_selector("#photos .photo.is-full")
    assert "told from both photos" in page.inner_text("#photos .both")
    assert tops(page) == sorted(tops(page), reverse=True)  # the verdict on the joint stands above all, without a reload
    page.set_input_files("#shot-before", str(SAMPLES / "J-06_before.jpg"))  # another pipe's line, not as wide
    page.wait_for_selector("#pipes .photo:nth-of-type(2)")
    page.wait_for_selector("#photos .photo.is-unproven")  # the joint's card follows
    assert page.locator("#photos .both").count() == 0
    assert sorted(path.name for path in folder.glob("J-01_*.jpg")) == ["J-01_1.jpg", "J-01_before_1.jpg",
                                                                        "J-01_before_2.jpg"]
    page.screenshot(path=tmp_path / "both.png", full_page=True)


def test_a_pipes_photo_waits_in_its_place_and_comes_once(page: Any, folder: Path, tmp_path: Path) -> None:
    joint = begin(page)
    where, lost = page.url, []

    def lose(route: Any) -> None:
        if route.request.method == "PUT":
            route.fetch()
            lost.append(route.request.url)
            route.abort()
        else:
            route.continue_()

    page.route("**/api/photos/**", lose)
    page.set_input_files("#shot-before", str(SAMPLES / "J-01_before.jpg"))
    page.wait_for_selector("#pipes [data-waiting]:has-text('Kept here')")
    assert page.inner_text("#pipes .what") == "Marked pipe"
    assert page.locator("#outbox .photo").count() == 0
    page.screenshot(path=tmp_path / "kept.png")
    page.goto(where.split("/joint")[0] + "/joints")  # anywhere else it says whose it is
    page.wait_for_selector("#outbox [data-waiting]:has-text('Kept here')")
    assert joint in page.inner_text("#outbox")
    assert "Marked pipe" in page.inner_text("#outbox")
    page.unroute("**/api/photos/**")
    page.goto(where)
    page.wait_for_selector("#pipes .photo.is-unproven")
    page.wait_for_selector("[data-waiting]", state="detached")
    assert "kind=before" in lost[0]
    assert photos_of(folder, joint) == [f"{joint}_before_1.jpg"]
    assert page.locator(".photo").count() == 1


def test_an_answer_that_comes_at_once_is_not_asked_for_without_end(page: Any) -> None:
    asked = []

    def kept(route: Any) -> None:
        asked.append(route.request.url)
        route.fulfill(json={"state": "kept"})

    begin(page)
    page.route("**/api/photos/*?wait=15", kept)
    take(page, "J-04.jpg")
    page.wait_for_selector(".photo.is-checking")
    page.wait_for_timeout(3000)
    assert 1 <= len(asked) <= 3
    page.unroute("**/api/photos/*?wait=15")
    page.wait_for_selector("#photos .photo.is-short")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_placed_then_full_and_misplaced_then_stop(browser: Any, tmp_path: Path, scheme: str) -> None:
    folder, catalog = tmp_path / "Pit", tmp_path / "catalog.toml"
    folder.mkdir()
    (folder / "joints.csv").write_text(LIST + "J-01,yard,,,,,\nJ-06,yard,,,,,\n")
    catalog.write_text('[[fitting]]\nid = "yard"\nnominal_size = "2"\nunit = "in"\npipe_od = 2.375\ncollar_od = 2.72\n'
                       'mark_depth = 1.125\nmark_tolerance = 0.06\nmax_gap = 0.0625\nsource = "invented"\n')
    with served(folder, "--catalog", str(catalog)) as address, one_phone(browser, color_scheme=scheme) as page:
        page.goto(address)
        base = page.url
        for joint, word in (("J-01", "placed"), ("J-06", "misplaced")):
            page.goto(f"{base}joint?name={joint}")
            page.set_input_files("#shot-before", str(SAMPLES / f"{joint}_before.jpg"))
            page.wait_for_selector(f"#pipes .photo.is-{word}")
            page.wait_for_selector(f".title:has-text('mark {word}')")
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            assert page.locator("#pipes dl").is_visible()
            page.screenshot(path=tmp_path / f"{word}.png")
        assert page.inner_text("#pipes .todo").startswith("Stop: wipe the mark off")
        page.goto(f"{base}joint?name=J-01")
        assert page.inner_text("#pipes .todo").startswith("The mark is where the catalog wants it.")
        take(page, "J-01.jpg")
        page.wait_for_selector("#photos .photo.is-full")
        page.wait_for_selector("#pipes .todo:has-text('pressed since')")
        assert "plus or minus 0.06 in" in page.inner_text("#pipes dl")
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        page.screenshot(path=tmp_path / "both.png", full_page=True)


def test_a_wrong_code(browser: Any, address: str) -> None:
    context = browser.new_context(**PHONE)
    stranger = context.new_page()
    stranger.goto(address.split("?")[0] + "?code=wrong-code-here")
    assert stranger.inner_text("h1") == "Scan the code again"
    stranger.fill("#code", address.split("code=")[1])
    stranger.click("text=Go in")
    stranger.wait_for_url("**/size")
    context.close()


def test_what_another_phone_did_is_told_unless_a_form_is_being_filled_in(page: Any, browser: Any, address: str) -> None:
    joint = begin(page)
    with one_phone(browser) as other:
        other.goto(address)
        other.goto(page.url)
        other.locator("fieldset:has-text('Gasket back in') label:has-text('Yes')").tap()
        take(page, "J-08.jpg")
        page.wait_for_selector(".photo.is-unproven")
        look = "document.dispatchEvent(new Event('visibilitychange'))"  # as when the phone is taken in hand again
        other.evaluate(look)
        other.wait_for_timeout(1500)
        assert not other.locator(".photo").count()
        other.evaluate("document.getElementById('checklist').reset()")
        other.evaluate(look)
        other.wait_for_selector(".photo.is-unproven")
        assert other.inner_text("h1") == joint


def test_a_checklist_is_filled_in_with_a_thumb(page: Any) -> None:
    joint = begin(page)
    page.locator("fieldset:has-text('Gasket back in') label:has-text('Yes')").tap()
    page.locator("fieldset:has-text('Nut spins') label:has-text('Not applicable')").tap()
    page.click("text=Keep the checklist")
    page.wait_for_url("**saved=1**")
    assert "Kept. 2 of 7 answered" in page.inner_text("#checklist")
    assert page.inner_text("h1") == joint
