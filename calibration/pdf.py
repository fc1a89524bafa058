"""The smallest PDF that a chart needs: one page, black rectangles and lines of text, at true size.

Rectangles, not a picture: a viewer or printer rounds each edge by itself to its nearest dot, while it may
stretch a picture as a whole (by 0.07 %, where that was tried).
Source: PDF 1.4 Reference, sections 3.4 (file structure), 4.4 (paths), 5.3 (text).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

PT_PER_MM = 72 / 25.4


@dataclass(frozen=True)
class Box:
    """A black rectangle; millimetres from the page's top left corner."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Words:
    """A line of text in Latin letters; x, y: where its base line begins, from the page's top left corner."""

    x_mm: float
    y_mm: float
    height_mm: float
    text: str


def one_page(size_mm: tuple[float, float], boxes: Sequence[Box], words: Sequence[Words], title: str) -> bytes:
    """The PDF file of one page of (width, height) millimetres."""
    width, height = size_mm
    content = _content(height, boxes, words)
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 " + _numbers(width, height) + b"] /Contents 4 0 R "
        b"/Resources << /Font << /F 5 0 R >> >> >>",
        b"<< /Length %d >>\nstream\n%b\nendstream" % (len(content), content),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
        b"<< /Title (" + _escaped(title) + b") >>",
    ]
    return _file(objects)


def _content(height_mm: float, boxes: Sequence[Box], words: Sequence[Words]) -> bytes:
    """All boxes as one path, so that boxes that touch leave no hairline between them."""
    lines = [_numbers(box.x_mm, height_mm - box.y_mm - box.height_mm, box.width_mm, box.height_mm) + b" re"
             for box in boxes]
    lines += [b"f", b"BT"]
    lines += [b"/F " + _numbers(each.height_mm) + b" Tf 1 0 0 1 "
              + _numbers(each.x_mm, height_mm - each.y_mm) + b" Tm (" + _escaped(each.text) + b") Tj"
              for each in words]
    return b"\n".join([*lines, b"ET"])


def _numbers(*lengths_mm: float) -> bytes:
    """Lengths in points, to a ten-thousandth: 35 nanometres."""
    return " ".join(f"{length * PT_PER_MM:.4f}" for length in lengths_mm).encode()


def _escaped(text: str) -> bytes:
    return text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)").encode("cp1252")


def _file(objects: Sequence[bytes]) -> bytes:
    """Objects with their cross-reference table: every entry of it is 20 bytes long."""
    body, starts = b"%PDF-1.4\n", []
    for number, each in enumerate(objects, 1):
        starts.append(len(body))
        body += b"%d 0 obj\n%b\nendobj\n" % (number, each)
    table = b"".join(b"%010d 00000 n \n" % start for start in starts)
    count = len(objects) + 1
    return body + (b"xref\n0 %d\n0000000000 65535 f \n%btrailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>\n"
                   b"startxref\n%d\n%%%%EOF\n" % (count, table, count, len(objects), len(body)))
