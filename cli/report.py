"""The report of a job: its data first, then one self-contained HTML file made from them.

Everything a template shows stands in these records, already in words; the template only places it.  Jinja
escapes every value, and the page's own policy forbids scripts and outside sources, so a hostile file name
stays a name.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from pydantic import BaseModel, ConfigDict

Word = Literal["short", "unproven", "not photographed", "full"]
WORDS: tuple[Word, ...] = ("short", "unproven", "not photographed", "full")

CAUTIONS = (
    "A photo shows how far the pipe went in. It does not show that the joint is tight.",
    "A verdict replaces no pressure or tightness test, no maker's instruction and no inspector.",
    "Local codes and licensed practice decide what is accepted. A person signs for the joint, not this page.",
    "On site, eye and hand protection and the rules for trenches hold, also for taking one more photo.",
)


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Tally(_Record):
    """How many joints have this verdict, and their share of all, per cent."""

    word: Word
    joints: int
    share: float


class Advice(_Record):
    """Something that was seen, and what to do about it ("" for nothing)."""

    text: str
    advice: str = ""


class Tick(_Record):
    """A tick of a scale: where it stands (drawing units) and what is written there."""

    x: float
    label: str = ""


class Scale(_Record):
    """A gap against its limit, drawn to scale; every x is in drawing units, the mouth is at `mouth`."""

    mouth: float
    end: float
    limit: float
    low: float
    high: float
    gap: float
    ticks: tuple[Tick, ...]
    limit_label: str
    gap_label: str
    unit: str
    spoken: str


class Photo(_Record):
    """One photo of a joint.  picture: a data URI, or "" where the page has none of it.

    marked: it shows the pipe before it was pushed in; `interval` is then the depth's, `limit` the catalog's depth.
    least: the catalog's least insertion, where it decides in place of the gap.  by_pipe: the marked pipe's photo had a
    part in the numbers, which the picture does not show.
    """

    name: str
    word: Literal["short", "unproven", "full", "placed", "misplaced", "not checked"]
    marked: bool = False
    depth: str = ""
    cut: str = ""
    gap: str = ""
    interval: str = ""
    limit: str = ""
    insertion: str = ""
    least: str = ""
    by_pipe: bool = False
    taken: str = ""
    reasons: tuple[Advice, ...] = ()
    scale: Scale | None = None
    picture: str = ""
    assisted: bool = False


class Joint(_Record):
    """A joint that a person should look at.  together: its word is that of all photos together, not of one of them."""

    name: str
    word: Word
    facts: tuple[str, ...]
    demo: bool
    findings: tuple[Advice, ...]
    photos: tuple[Photo, ...]
    more_photos: int = 0
    together: bool = False


class Row(_Record):
    """A joint that needs nobody."""

    name: str
    word: Word
    gap: str
    limit: str
    photos: int
    facts: str
    demo: bool
    assisted: bool = False


class Point(_Record):
    """One joint on a control chart."""

    x: float
    y: float
    name: str
    stands_out: bool


class Chart(_Record):
    """An individuals chart, in drawing units (y grows downwards)."""

    who: str
    points: tuple[Point, ...]
    path: str
    mean: float
    high: float
    low: float
    labels: tuple[tuple[float, str], ...]
    sentence: str


class Report(_Record):
    """All that the page says."""

    site: str
    made: str
    version: str
    cover: str
    headline: str
    course: tuple[str, ...]
    tallies: tuple[Tally, ...]
    notices: tuple[str, ...]
    demo: bool
    cautions: tuple[str, ...] = CAUTIONS
    urgent: tuple[Joint, ...]
    urgent_cut: str = ""
    charts: tuple[Chart, ...]
    rest: tuple[Row, ...]
    rest_cut: str = ""
    strays: tuple[Advice, ...]
    strays_cut: str = ""


def render(report: Report) -> Iterator[str]:
    """The page, piece by piece, so that it is never whole in memory."""
    loader = FileSystemLoader(Path(__file__).parent / "templates")
    jinja = Environment(
        loader=loader, autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    yield from jinja.get_template("report.html.j2").generate(report=report)
