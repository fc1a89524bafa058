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


@pytest.mark.parametrize("width", [320, 390])
def test_large_text_leaves_room_for_itself(page: Any, width: int) -> None:
    begin(page)
    take(page, "J-08.jpg")
    page.wait_for_selector(".photo.is-unproven")
    joint, number = page.url, page.get_attribute(".photo", "data-photo")
    base = joint.split("joint?")[0]
    page.set_viewport_size({"width": width, "height": {320: 568, 390: 844}[width]})
    for percent in (100, 150, 200):
        for path in (base, base + "joints", base + "size", joint, f"{base}lines?photo={number}"):
            page.goto(path)
            if "lines" in path:
                page.wait_for_selector("text=1 of 4")
            page.evaluate(f"document.documentElement.style.fontSize = '{percent}%'")
            wide, covered = page.evaluate("""() => [document.documentElement.scrollWidth,
                (document.querySelector('.bar')?.offsetHeight ?? 0) / innerHeight]""")
            assert wide <= width, (percent, path)
            assert covered < 0.2, (percent, path)
            whole = page.evaluate("""() => [...document.querySelectorAll('.tally span, .bar span, .list span')].every(
                (each) => { const range = document.createRange(); range.selectNodeContents(each);
                    return new Set([...range.getClientRects()].map((line) => line.top)).size
                        <= each.textContent.split(' ').length; })""")
            assert whole, (percent, path)  # no word is broken
            spills = page.locator(".verdict h2").evaluate_all(
                "all => all.some((each) => each.scrollWidth > each.clientWidth)")
            assert not spills, (percent, path)


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


def test_a_photo_taken_while_another_is_sent_is_sent_after_it(page: Any, folder: Path) -> None:
    joint = begin(page)
    held: list[Any] = []
    page.route("**/api/photos/*?joint=**", lambda route: route.continue_() if held else held.append(route))
    take(page, "J-08.jpg")
    page.wait_for_selector("[data-waiting]:has-text('Sending')")
    take(page, "J-04.jpg")
    page.wait_for_selector("[data-waiting] ~ [data-waiting]")
    held[0].continue_()
    page.wait_for_selector(".photo.is-unproven")
    page.wait_for_selector(".photo.is-short")
    assert photos_of(folder, joint) == [f"{joint}_1.jpg", f"{joint}_2.jpg"]


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


def test_a_photo_that_can_not_be_opened_shows_no_picture_and_takes_no_lines(page: Any, tmp_path: Path) -> None:
    begin(page)
    whole = (SAMPLES / "J-04.jpg").read_bytes()
    (tmp_path / "cut.jpg").write_bytes(whole[:len(whole) // 2])
    page.set_input_files("#shot", str(tmp_path / "cut.jpg"))
    page.wait_for_selector(".photo.is-unproven:has-text('could not be read as a photo')")
    assert page.locator(".photo img, .photo a[href^='/lines']").count() == 0
    number = page.get_attribute(".photo", "data-photo")
    page.goto(page.url.split("/joint")[0] + f"/lines?photo={number}")
    page.wait_for_selector("#help:has-text('can\\'t be opened as a photo')")
    assert not any(page.locator(each).is_visible() for each in ("#stage", ".nudge >> nth=0", "#after"))


def middle_of(element: Any) -> tuple[float, float]:
    box = element.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def touch(page: Any, *ways: tuple[tuple[float, float], tuple[float, float]]) -> None:
    """Fingers that go down one after the other, each from a place to another, and up together."""
    fingers = page.context.new_cdp_session(page)

    def tell(kind: str, share: float, down: int = len(ways)) -> None:
        points = [{"x": a[0] + share * (b[0] - a[0]), "y": a[1] + share * (b[1] - a[1]), "id": number}
                  for number, (a, b) in enumerate(ways[:down])]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    for down in range(1, len(ways) + 1):
        tell("touchStart", 0.0, down)
    for step in range(1, 11):
        tell("touchMove", step / 10)
    tell("touchEnd", 0.0, 0)
    fingers.detach()


def test_only_a_finger_on_its_ring_moves_an_end_of_a_line(page: Any) -> None:
    begin(page)
    take(page, "J-04.jpg")
    page.wait_for_selector(".photo.is-short")
    page.click("text=Place lines by hand")
    page.wait_for_selector("text=1 of 4")
    handles = page.locator(".handle:visible")
    x, y = middle_of(page.locator("#stage"))

    def ends() -> tuple[list[float], list[float]]:
        first, second = (middle_of(handles.nth(number)) for number in (0, 1))
        return [first[0], first[1]], [second[0] - first[0], second[1] - first[1]]

    start, apart = ends()
    touch(page, ((x, y + 60), (x, y)))  # on the picture: that moves, with the line on it
    there, still = ends()
    assert there[1] == pytest.approx(start[1] - 60, abs=1)
    assert still == pytest.approx(apart, abs=0.1)
    touch(page, ((x - 20, y + 60), (x - 60, y + 60)), ((x + 20, y + 60), (x + 60, y + 60)))
    assert [ends()[1][axis] / apart[axis] for axis in (0, 1)] == pytest.approx([3, 3], rel=0.02)  # larger
    page.reload()
    page.wait_for_selector("text=1 of 4")
    ring = middle_of(handles.first)
    touch(page, (ring, (ring[0] - 30, ring[1])), ((x, y + 60), (x + 30, y + 60)))  # a pinch that began on a ring
    assert page.inner_text("#right") == "It lies right"
    page.reload()
    page.wait_for_selector("text=1 of 4")
    assert page.is_disabled("#undo")
    touch(page, (ring, (ring[0] + 30, ring[1] + 30)))
    assert ends()[0] != pytest.approx(start, abs=1)
    assert page.inner_text("#right") == "✓ Moved"
    page.click("#undo")
    assert ends()[0] == pytest.approx(start, abs=0.1)
    assert page.inner_text("#right") == "It lies right"


def test_all_that_places_a_line_is_within_reach_on_a_small_phone(page: Any, tmp_path: Path) -> None:
    begin(page)
    take(page, "J-04.jpg")
    page.wait_for_selector(".photo.is-short")
    number = page.get_attribute(".photo", "data-photo")
    page.set_viewport_size({"width": 320, "height": 568})
    page.goto(page.url.split("/joint")[0] + f"/lines?photo={number}")
    page.wait_for_selector("text=1 of 4")
    bar = page.locator(".bar").bounding_box()["y"]
    for button in page.locator(".nudge button").all():
        box = button.bounding_box()
        assert box["y"] + box["height"] <= bar
    glass = page.locator("#glass").bounding_box()
    for handle in page.locator(".handle:visible").all():
        away = [one - other for one, other in zip(middle_of(handle), middle_of(page.locator("#glass")), strict=True)]
        assert (away[0] ** 2 + away[1] ** 2) ** 0.5 > glass["width"] / 2
    page.screenshot(path=tmp_path / "small.png")


def test_lines_by_hand_with_finger_and_keys(page: Any, folder: Path, tmp_path: Path) -> None:
    joint = begin(page)
    take(page, "J-04.jpg")
    page.wait_for_selector(".photo.is-short")
    page.click("text=Place lines by hand")
    page.wait_for_selector("text=1 of 4")
    handle = page.locator(".handle:visible").first
    before = handle.bounding_box()
    stage = page.locator("#stage").bounding_box()
    x, y = middle_of(handle)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 6, y + 6, steps=3)
    page.mouse.up()
    moved = handle.bounding_box()
    assert 1 < moved["x"] - before["x"] < 7  # finer than the finger
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Shift+ArrowUp")
    assert handle.bounding_box()["x"] < moved["x"]
    page.screenshot(path=tmp_path / "lines.png")
    assert stage["width"] > 300
    assert page.inner_text("#right") == "✓ Moved"
    page.click("#after")
    for step in ("2 of 4", "3 of 4", "4 of 4"):
        page.wait_for_selector(f"text={step}")
        page.click("#after")  # what nobody moved or confirmed leads nowhere
        page.wait_for_selector("text=First move the line, or say that it lies right.")
        assert step in page.inner_text("#step")
        page.click("#right")
        assert page.get_attribute("#right", "aria-pressed") == "true"
        page.click("#after")
    # without a name: asked for it
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


LOOK = "document.dispatchEvent(new Event('visibilitychange'))"  # as when the phone is taken in hand again


def test_what_another_phone_did_is_told_also_where_a_form_is_being_filled_in(page: Any, browser: Any,
                                                                             address: str) -> None:
    joint = begin(page)
    with one_phone(browser) as other:
        other.goto(address)
        other.goto(page.url)
        take(page, "J-08.jpg")
        page.wait_for_selector(".photo.is-unproven")
        other.evaluate(LOOK)
        other.wait_for_selector(".photo.is-unproven")
        other.locator("fieldset:has-text('Gasket back in') label:has-text('Yes')").tap()
        other.evaluate("window.stayed = true")
        take(page, "J-04.jpg")
        page.wait_for_selector(".photo.is-short")
        other.evaluate(LOOK)
        other.wait_for_selector(".title .is-short")
        assert other.locator("#photos .photo h2").all_inner_texts() == ["SHORT", "UNPROVEN"]
        assert other.evaluate("window.stayed")
        assert other.locator("#checklist input:checked").count() == 1
        assert other.inner_text("h1") == joint


def test_a_photo_that_was_not_taken_hides_none_of_another_phones(page: Any, browser: Any, address: str) -> None:
    begin(page)
    with one_phone(browser) as other:
        other.goto(address)
        other.goto(page.url)
        other.route("**/api/photos/*?joint=**", lambda route: route.fulfill(status=415, json={"text": "No photo."}))
        take(other, "J-08.jpg")
        other.wait_for_selector("[data-waiting]:has-text('Not taken')")
        take(page, "J-04.jpg")
        page.wait_for_selector(".photo.is-short")
        other.evaluate(LOOK)
        other.wait_for_selector(".title .is-short")
        assert other.locator("#photos .photo.is-short, [data-waiting]").count() == 2
        assert not other.locator(".empty").count()
        assert other.inner_text(".main.shot") == "Joint again"


def test_a_photo_being_taken_is_not_lost_by_what_another_phone_did(page: Any, browser: Any, address: str) -> None:
    begin(page)
    with one_phone(browser) as other:
        other.goto(address)
        other.goto(page.url)
        other.evaluate("window.stayed = true")
        with other.expect_file_chooser() as chooser:
            other.locator("label.main.shot").click()
        take(page, "J-08.jpg")
        page.wait_for_selector(".photo.is-unproven")
        other.evaluate(LOOK)
        other.wait_for_selector(".title .is-unproven")  # told all the same
        assert other.evaluate("window.stayed")
        chooser.value.set_files(str(SAMPLES / "J-04.jpg"))
        other.wait_for_selector(".photo.is-short")


def test_a_checklist_is_filled_in_with_a_thumb(page: Any) -> None:
    joint = begin(page)
    page.locator("fieldset:has-text('Gasket back in') label:has-text('Yes')").tap()
    page.locator("fieldset:has-text('Nut spins') label:has-text('Not applicable')").tap()
    page.click("text=Keep the checklist")
    page.wait_for_url("**saved=1**")
    assert "Kept. 2 of 7 answered" in page.inner_text("#checklist")
    assert page.inner_text("h1") == joint


def test_a_draft_does_not_undo_what_another_phone_has_answered_since(page: Any) -> None:
    joint = begin(page)
    question = page.locator("fieldset:has-text('Gasket back in')")
    chosen = question.locator("input:checked + span")
    question.locator("label:has-text('Yes')").tap()
    name = question.locator("input").first.get_attribute("name")
    page.context.request.put(page.url.split("/joint")[0] + "/api/checklist", params={"joint": joint},
                             data={"answers": {name: "no"}})  # another phone, meanwhile
    page.evaluate(LOOK)
    question.locator("text=Meanwhile answered: No.").wait_for()
    assert chosen.all_inner_texts() == ["Yes"]  # told of it, whoever has the page decides
    for _ in range(2):
        page.reload()
        question.locator("text=Meanwhile answered: No. Before that you chose Yes").wait_for()
        assert chosen.all_inner_texts() == ["No"]
    page.click("text=Drop them")
    assert not question.locator(".meanwhile").count()
    page.reload()
    assert chosen.all_inner_texts() == ["No"]
    assert not question.locator(".meanwhile").count()


def test_without_a_connection_nobody_leaves_the_page_and_no_answer_is_lost(page: Any) -> None:
    joint = begin(page)
    page.locator("fieldset:has-text('Gasket back in') label:has-text('Yes')").tap()
    page.context.set_offline(True)
    for tap in ("text=Keep the checklist", "text=Next joint", "a.list", "a.back"):
        page.click(tap)
        page.wait_for_selector("#notice:has-text('No connection')")
        assert page.inner_text("h1") == joint
        page.evaluate("document.getElementById('notice').hidden = true")
    page.click("a.list")
    page.wait_for_selector("#notice:has-text('No connection')")
    page.context.set_offline(False)
    page.wait_for_selector("#notice", state="hidden")
    page.context.request.put(page.url.split("/joint")[0] + "/api/checklist", params={"joint": joint},
                             data={"answers": {"nut-spins": "yes"}})  # another phone, meanwhile
    page.reload()  # as if the phone had dropped the page meanwhile
    assert "Not kept yet" in page.inner_text("#checklist [role=status]")
    assert page.locator("#checklist input:checked").count() == 2
    page.click("text=Keep the checklist")
    page.wait_for_url("**saved=1**")
    assert "Kept. 2 of 7 answered" in page.inner_text("#checklist")
    page.locator("fieldset:has-text('Nut spins') label:has-text('No')").first.tap()
    page.click("text=Drop them")
    assert "Kept. 2 of 7 answered" in page.inner_text("#checklist")
    assert page.locator("#checklist input:checked").count() == 2


def test_whoever_goes_on_while_a_photo_is_sent_is_told_and_taken_there_after_it(page: Any, folder: Path) -> None:
    joint = begin(page)
    where, held = page.url, []
    page.route("**/api/photos/*?joint=**", lambda route: held.append(route))
    take(page, "J-08.jpg")
    page.wait_for_selector("#unsent:has-text('1 photo not sent yet')")
    page.click("a.list")
    page.wait_for_selector("#notice:has-text('A photo is being sent')")
    page.click("text=Stay here")
    page.click("a.list")
    page.click("text=Leave now")
    page.wait_for_url("**/joints")
    assert photos_of(folder, joint) == []
    for path in ("/", "/size", "/joints", "/joint?name=J-01", "/nothing"):  # it is said everywhere
        page.goto(where.split("/joint")[0] + path)
        page.wait_for_selector("#unsent:has-text('1 photo not sent yet')")
    page.goto(where)
    page.wait_for_selector("[data-waiting]")
    page.click("a.list")
    page.wait_for_selector("#notice:has-text('A photo is being sent')")
    held[-1].continue_()
    page.wait_for_url("**/joints")
    assert photos_of(folder, joint) == [f"{joint}_1.jpg"]
    page.wait_for_selector("#unsent", state="hidden")
