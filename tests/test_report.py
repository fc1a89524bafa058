"""The report: its words, its safety, its contrast, the page as it was last looked at, and real Chromium."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from concurrent.futures import Executor, ThreadPoolExecutor
from html.parser import HTMLParser
from pathlib import Path

import pytest

from calibration.fittings import demo_catalog
from cli.jobs import gather as gathering
from cli.jobs.asked import Course, Job
from cli.jobs.drawing import scale
from cli.jobs.gather import gather
from cli.jobs.judge import clues, judged
from cli.jobs.progress import Silent
from cli.jobs.run import run
from cli.jobs.store import Answered, Store
from cli.report import Report, render
from tests.job_stub import LIMIT, fill, photo, stub_inspection

GOLD = Path(__file__).parent / "gold" / "report.html"
CSS = Path(__file__).parent.parent / "cli" / "templates" / "report.css"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


class Threads:
    def start(self) -> Executor:
        return ThreadPoolExecutor(2)

    def stop(self, executor: Executor) -> None:
        executor.shutdown()

    def in_flight(self) -> int:
        return 4


def _report(folder: Path) -> Report:
    job = Job(folder, "Pump <house> 4", demo_catalog(), stub_inspection, fitting="2")
    store = Store()
    course: Course = run(job, store, None, Threads, Silent())
    seen = clues(store, listed_order=course.listed)

    def picture(photo: Answered) -> bytes:
        return b"\xff\xd8 picture of " + photo.name.encode()

    return gather(job, course, store, judged(store, seen), seen.charts, picture, "2026-05-05 08:00 UTC")


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    says = {3: "short", 4: "unproven", 5: "none", 9: "fail"}
    rows = ["joint,fitting,location,installer,machine,date"]
    names = {}
    for number in range(1, 15):
        rows.append(
            f"J-{number:02},2,Sump {number % 3},{'R. Ames' if number < 12 else 'T. Oduya'},P-1,2026-05-04"
        )
        names[f"J-{number:02}.jpg"] = photo(number, says.get(number, "full"), f"2026:05:04 10:{number:02}:00")
    names["J-06_2.jpg"] = photo(60, "short", "2026:05:04 09:00:00")
    names["J-08.jpg"] = photo(7, "full", "2026:05:04 10:08:00")
    names["stray <b>.jpg"] = photo(70)
    del names["J-10.jpg"]
    names["joints.csv"] = "\n".join(rows).encode()
    return _report(fill(tmp_path_factory.mktemp("report"), names))


@pytest.fixture(scope="module")
def page(report: Report) -> str:
    return "".join(render(report))


def test_the_page_is_as_it_was_last_looked_at(page: str) -> None:
    """After a change that was meant: `COLLARGAP_GOLD=1 pytest tests/test_report.py`; look at the page."""
    scrubbed = _scrubbed(page)
    if os.environ.get("COLLARGAP_GOLD"):
        GOLD.write_text(scrubbed, "utf-8")
    assert scrubbed == GOLD.read_text("utf-8")


def _scrubbed(page: str) -> str:
    page = re.sub(
        r"Made \d{4}-\d\d-\d\d \d\d:\d\d \S+ with collargap \S+\.", "Made DATE with collargap VERSION.", page
    )
    return re.sub(r"<style>.*?</style>", "<style></style>", page, flags=re.S)


def test_the_page_is_well_formed_and_brings_all_it_needs(page: str) -> None:
    class Reader(HTMLParser):
        void = ("meta", "img", "rect", "line", "path", "use", "circle")

        def __init__(self) -> None:
            super().__init__()
            self.open: list[str] = []
            self.sources: list[str] = []

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            self.sources += [value or "" for name, value in attrs if name in ("src", "href")]
            if tag not in self.void:
                self.open.append(tag)

        def handle_endtag(self, tag: str) -> None:
            if tag not in self.void:
                assert self.open.pop() == tag

    reader = Reader()
    reader.feed(page)
    assert reader.open == []
    assert all(source.startswith(("data:image/jpeg;base64,", "#")) for source in reader.sources)
    assert "<script" not in page
    assert "default-src 'none'" in page
    assert "url(" not in page
    assert "@import" not in page


def test_names_stay_names(page: str) -> None:
    assert "Pump &lt;house&gt; 4" in page
    assert "stray &lt;b&gt;.jpg" in page


def test_summary_comes_first_then_the_most_urgent(page: str, report: Report) -> None:
    assert report.headline == "8 of the 14 joints need a person."
    assert [(tally.word, tally.joints) for tally in report.tallies] == [
        ("short", 1), ("unproven", 6), ("not photographed", 1), ("full", 6),
    ]  # fmt: skip
    assert [joint.name for joint in report.urgent][:2] == ["J-03", "J-06"]
    assert {joint.name for joint in report.urgent[2:4]} == {"J-07", "J-08"}
    assert report.urgent[-1].word == "not photographed"
    assert (
        page.index("need a person")
        < page.index("Before you rely")
        < page.index("J-03")
        < page.index("All the rest")
    )


def test_cautions_stand_where_verdicts_are_read(page: str) -> None:
    for words in ("not show that the joint is tight", "no pressure or tightness test", "no inspector",
                  "Local codes and licensed practice decide", "eye and hand protection and the rules for "
                                                              "trenches",
                  "Demonstration fittings were used"):  # fmt: skip
        assert words in page
    assert page.count("demo row</span>") >= 13


def test_photos_that_prove_nothing_are_told_of_a_full_joint(tmp_path: Path) -> None:
    told = _report(fill(tmp_path, {
        "J-1.jpg": photo(1), "J-1_2.jpg": photo(2, "none"), "J-1_3.jpg": photo(3, "unproven"),
        "J-1_before.jpg": photo(4, "placed"), "J-1_before_2.jpg": photo(5, "unproven"), "J-2.jpg": photo(6)}))
    full, plain = told.rest
    for sentence in ("J-1_2.jpg proves nothing by itself: No depth mark was found on the pipe.",
                     "J-1_3.jpg proves nothing by itself: The gap is too near to the limit",
                     "J-1_before_2.jpg proves nothing by itself: No bare pipe end was found."):
        assert sentence in full.facts
    assert "J-1_before.jpg" not in full.facts
    assert not plain.facts.count("proves nothing")


def test_status_is_told_by_word_shape_and_colour(page: str) -> None:
    for word, kind in (
        ("full", "full"),
        ("short", "short"),
        ("unproven", "unproven"),
        ("not photographed", "none"),
    ):
        assert (
            f'<span class="chip is-{kind}"><svg aria-hidden="true"><use href="#s-{kind}"/></svg>{word}</span>'
            in page
        )
        assert f'<symbol id="s-{kind}"' in page
        assert f".is-{kind} {{" in page


def _answer(
    value: float, low: float, high: float, unit: str = "in", limit: float = LIMIT
) -> dict[str, object]:
    return {"gap": {"value": value, "low": low, "high": high, "u": 0.1}, "limit": limit, "unit": unit}


@pytest.mark.parametrize(
    "answer",
    [_answer(0.0, 0.0, 0.01), _answer(0.25, 0.2, 0.3), _answer(9.0, 8.0, 10.0), _answer(2.0, 1.0, 3.0, "mm",
    1.6),
     _answer(200.0, 190.0, 210.0, "mm", 1.6)],
)  # fmt: skip
def test_the_drawing_is_to_scale(answer: dict[str, object]) -> None:
    made = scale(answer)
    assert made is not None
    gap: dict[str, float] = answer["gap"]  # type: ignore[assignment]
    per = (made.end - made.mouth) / max(2 * float(str(answer["limit"])), 1.1 * gap["high"])
    for x, length in ((made.gap, gap["value"]), (made.low, gap["low"]), (made.high, gap["high"]),
                      (made.limit, float(str(answer["limit"])))):  # fmt: skip
        assert x == pytest.approx(made.mouth + length * per, abs=0.06)
        assert made.mouth <= x <= made.end
    assert 3 <= len(made.ticks) <= 12
    assert made.ticks[0].x == made.mouth


def test_nothing_measured_is_drawn_as_nothing() -> None:
    assert scale({"gap": None, "limit": 1.0, "unit": "in"}) is None


# --- contrast: WCAG 2.2, 1.4.3 and 1.4.11 ------------------------------------------------------------


def _luminance(colour: str) -> float:
    digits = "".join(sign * 2 for sign in colour[1:]) if len(colour) == 4 else colour[1:]
    channels = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    dark, light = sorted((_luminance(one), _luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def _colours() -> dict[str, str]:
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{3,6});", CSS.read_text("utf-8")))


def test_the_ratio_itself() -> None:
    """wcag-contrast-ratio 0.9 gives the same figures."""
    for one, other, ratio in (
        ("#b00020", "#ffffff", 7.325),
        ("#ffd600", "#000000", 14.8706),
        ("#777777", "#fff", 4.478),
    ):
        assert _contrast(one, other) == pytest.approx(ratio, abs=1e-3)


@pytest.mark.parametrize(
    ("ink", "ground"),
    [("ink", "paper"), ("ink", "card"), ("soft", "paper"), ("soft", "card"), ("deep", "paper"), ("#fff",
    "short"),
     ("#fff", "full"), ("#000", "unproven"), ("#fff", "none"), ("ink", "#c4ced2"), ("ink", "#eef1f0")],
)  # fmt: skip
def test_text_has_contrast(ink: str, ground: str) -> None:
    colours = _colours()
    assert _contrast(colours.get(ink, ink), colours.get(ground, ground)) >= 4.5


@pytest.mark.parametrize(
    ("shape", "ground"),
    [("#1b5e20", "#eef1f0"), ("#1b5e20", "#cde3ce"), ("#1d2a30", "#cde3ce"), ("#b00020", "#ffffff"),
     ("#0c4a57", "#ffffff"), ("#4b5a61", "#ffffff"), ("#3d4b52", "#ffffff"), ("line", "card")],
)  # fmt: skip
def test_shapes_have_contrast(shape: str, ground: str) -> None:
    assert _contrast(_colours().get(shape, shape), _colours().get(ground, ground)) >= 3


# --- length ------------------------------------------------------------------------------------------


def test_a_huge_job_stays_a_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gathering, "MOST_URGENT", 3)
    monkeypatch.setattr(gathering, "MOST_ROWS", 4)
    monkeypatch.setattr(gathering, "MOST_PICTURES", 2)
    says = {f"J-{number}.jpg": photo(number, "short" if number < 6 else "full") for number in range(12)}
    report = _report(fill(tmp_path, says))
    assert len(report.urgent) == 3
    assert report.urgent_cut == "3 more joints are not shown here; results.csv has all joints."
    assert len(report.rest) == 4
    assert report.rest_cut.startswith("2 more")
    assert sum(bool(photo.picture) for joint in report.urgent for photo in joint.photos) == 2


# --- real Chromium -----------------------------------------------------------------------------------

needs_chromium = pytest.mark.skipif(
    not CHROMIUM, reason="Chromium is not installed: apt-get install chromium"
)


def _chromium(*arguments: str) -> bytes:
    command = [str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    return subprocess.run(
        [*command, "--allow-file-access-from-files", *arguments], check=True, capture_output=True, timeout=120
    ).stdout


@needs_chromium
def test_a_phone_of_360_pixels_shows_it_without_scrolling_sideways(page: str, tmp_path: Path) -> None:
    (tmp_path / "report.html").write_text(page, "utf-8")
    (tmp_path / "phone.html").write_text(
        "<iframe id=f src=report.html style='width:360px;height:800px;border:0'></iframe><script>"
        "f.onload=()=>{const d=f.contentDocument;const wide=[...d.querySelectorAll('main *')].filter("
        "e=>e.getBoundingClientRect().right>360.5&&!e.closest('thead'));document.title="
        "`${d.documentElement.scrollWidth} ${d.querySelectorAll('article').length} ${wide.length}`}</script>"
    )
    shown = _chromium("--dump-dom", "--virtual-time-budget=4000", (tmp_path / "phone.html").as_uri()).decode()
    assert "<title>360 8 0</title>" in shown, re.findall("<title>.*?</title>", shown)


@needs_chromium
@pytest.mark.parametrize(("name", "width", "height"), [("Letter", 612, 792), ("A4", 595, 842)])
def test_it_prints_on_letter_and_a4(page: str, tmp_path: Path, name: str, width: int, height: int) -> None:
    sized = page.replace("@page { margin", f"@page {{ size: {name}; margin")
    (tmp_path / "report.html").write_text(sized, "utf-8")
    _chromium(f"--print-to-pdf={tmp_path / 'r.pdf'}", (tmp_path / "report.html").as_uri())
    pdf = (tmp_path / "r.pdf").read_bytes()
    sizes = {
        (round(float(w)), round(float(h)))
        for w, h in re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    }
    assert sizes == {(width, height)}
    assert 3 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") <= 9
