"""The chart that a camera is solved from: a PDF at true size, and its corners found again in photos.

The board is a ChArUco board (a chessboard whose white squares carry numbered markers), so that a photo that
shows only a part of it still counts.  It is the same on every paper.
"""

from __future__ import annotations

import itertools

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.fittings import Misuse
from calibration.pdf import Box, Words, one_page
from calibration.solve import LEAST_POINTS, View

Grey = NDArray[np.uint8]

PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
SQUARES = (6, 8)
SQUARE_MM = 30.0
MARKER_SHARE = 0.75
RULER_MM = 150

_BOARD_MM = (SQUARES[0] * SQUARE_MM, SQUARES[1] * SQUARE_MM)
_TOP_MM = 14.0  # from the page's top to the board, on the lower of the two papers
_RULER_OFF_MM = 7.0  # from the board to a ruler: clear of the board, and inside what printers can print
_DICTIONARY = cv2.aruco.DICT_5X5_50
_MODULES = 7  # across a marker: 5 and its black border
_LINE_MM = 0.2
_TEXT_MM, _TEXT_STEP_MM = 3.2, 3.7
_TITLE = (f"collargap camera chart: squares of {SQUARE_MM:.0f} mm, both rulers {RULER_MM} mm. "
          'Print at 100 %, never "fit to page".')
_HOW = (
    "Check both rulers, then fix the sheet to something flat: glass, a table top.",
    "Take 8 to 20 photos with the lens and from the distance you will use, without zoom: straight on, tilted",
    "20 to 40 degrees to each side, turned, and with the sheet in each corner of the frame. Keep the files.",
)


def board(square_mm: float = SQUARE_MM) -> cv2.aruco.CharucoBoard:
    """The ChArUco board of the chart, with squares of the given true size."""
    dictionary = cv2.aruco.getPredefinedDictionary(_DICTIONARY)
    return cv2.aruco.CharucoBoard(SQUARES, square_mm, square_mm * MARKER_SHARE, dictionary)


def origin_mm(paper: str) -> tuple[float, float]:
    """Where the board's top left corner lies on the page, from the page's top left.  Raises Misuse."""
    width, height = _paper_mm(paper)
    return (width - _BOARD_MM[0]) / 2, _TOP_MM + (height - PAPERS_MM["Letter"][1]) / 2


def _paper_mm(paper: str) -> tuple[float, float]:
    if paper not in PAPERS_MM:
        raise Misuse(f"There is no chart for {paper!r} paper. Take one of: {', '.join(PAPERS_MM)}.")
    return PAPERS_MM[paper]


def pdf(paper: str) -> bytes:
    """The chart as a PDF of one page at true size.  Raises Misuse for a paper that there is no chart for."""
    left, top = origin_mm(paper)
    bottom = top + _BOARD_MM[1]
    boxes = [*_squares(left, top), *_markers(left, top)]
    boxes += _ruler(left, bottom + _RULER_OFF_MM, across=True)
    boxes += _ruler(left - _RULER_OFF_MM, top, across=False)
    words = [
        Words(left, top - 4.0, _TEXT_MM, _TITLE),
        Words(left + RULER_MM + 1.5, bottom + _RULER_OFF_MM, _TEXT_MM, f"{RULER_MM} mm"),
        Words(left - _RULER_OFF_MM - 1.0, top + RULER_MM + 4.0, _TEXT_MM, f"{RULER_MM}"),
    ]
    words += [Words(left, bottom + _RULER_OFF_MM + _TEXT_STEP_MM * (line + 1), _TEXT_MM, text)
              for line, text in enumerate(_HOW)]
    return one_page(PAPERS_MM[paper], boxes, words, f"collargap camera chart, {paper}")


def _squares(left_mm: float, top_mm: float) -> list[Box]:
    """The black squares: the top left one is black, as on OpenCV's boards."""
    places = itertools.product(range(SQUARES[0]), range(SQUARES[1]))
    return [Box(left_mm + column * SQUARE_MM, top_mm + row * SQUARE_MM, SQUARE_MM, SQUARE_MM)
            for column, row in places if (column + row) % 2 == 0]


def _markers(left_mm: float, top_mm: float) -> list[Box]:
    """The black modules of all markers, joined along each row."""
    module = SQUARE_MM * MARKER_SHARE / _MODULES
    chart = board()
    boxes = []
    for marker, corners in zip(np.ravel(chart.getIds()), chart.getObjPoints(), strict=True):
        x, y = np.min(corners, axis=0)[:2]
        bits = cv2.aruco.generateImageMarker(chart.getDictionary(), int(marker), _MODULES)
        x, y = left_mm + float(x), top_mm + float(y)
        boxes += [Box(x + start * module, y + row * module, length * module, module)
                  for row, start, length in _runs(np.asarray(bits) == 0)]
    return boxes


def _runs(black: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """(row, first column, length) of every run of black cells."""
    found = []
    for number, row in enumerate(black):
        steps = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
        found += [(number, int(a), int(b - a)) for a, b in zip(steps[::2], steps[1::2], strict=True)]
    return found


def _ruler(x_mm: float, y_mm: float, *, across: bool) -> list[Box]:
    """A line of RULER_MM from (x, y), ticks every 10 mm towards the board; the outer ones' middles end it."""
    half = _LINE_MM / 2
    bars = [(-half, -half, RULER_MM + _LINE_MM, _LINE_MM)]
    for at in range(0, RULER_MM + 1, 10):
        length = 4.0 if at % 50 == 0 else 2.0
        bars.append((at - half, -length, _LINE_MM, length))
    return [Box(x_mm + along, y_mm + off, long, high) if across
            else Box(x_mm - off - high, y_mm + along, high, long)
            for along, off, long, high in bars]


def find(grey: Grey, name: str, square_mm: float = SQUARE_MM) -> View | None:
    """The chart's corners in a grey picture (height, width) uint8, to sub-pixel; None where it isn't in it.

    A view of fewer than 12 corners counts as none.
    """
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board(square_mm)).detectBoard(grey)
    if ids is None or len(ids) < LEAST_POINTS:
        return None
    known = np.asarray(board(square_mm).getChessboardCorners(), float)
    return View(name, known[np.ravel(ids)], np.reshape(corners, (-1, 2)).astype(float))


def find_chessboard(grey: Grey, name: str, inner: tuple[int, int], square_mm: float,
                    window_px: int = 5, end_px: float = 1e-3) -> View | None:
    """The same for a plain chessboard with `inner` corners (columns, rows); all of them must be seen.

    window_px: half the side of the square within which each corner is refined.  A window that reaches
    into the next square spoils the corner: 5 is safe from 12 pixels a square on.
    end_px: refining ends with a step as short as this.
    """
    found, corners = cv2.findChessboardCorners(grey, inner)
    if not found:
        return None
    end = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 30, end_px)
    corners = cv2.cornerSubPix(grey, corners, (window_px, window_px), (-1, -1), end)
    known = np.zeros((inner[0] * inner[1], 3))
    known[:, :2] = np.mgrid[: inner[0], : inner[1]].T.reshape(-1, 2) * square_mm
    return View(name, known, np.reshape(corners, (-1, 2)).astype(float))
