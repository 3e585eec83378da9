"""A picture as lines of plain characters: for terminals, mails and paper, without colour."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

from refreshd.telling.pictures.axes import Tick, fitting, ticks
from refreshd.telling.pictures.chart import Panel, Picture, Place

WIDTH, WIDTH_LEAST = 78, 30
"""Columns where there is no terminal; and without which nothing can be drawn."""

ROWS = 8
VALUE, ONE_OF_MANY, BETWEEN, POINTED_OUT, SHADE = "o", "*", ".", "^", "="
GAP = 2
"""Columns between the words of two ticks."""


def as_text(picture: Picture, width: int | None = None) -> Iterator[str]:
    """
    Yield a picture line by line, with what it shows in sentences below it.

    Args:
        picture: What to draw.
        width: Columns of the terminal; None: there is none.

    """
    columns = max(WIDTH_LEAST, min(width or WIDTH, WIDTH))
    yield from textwrap.wrap(_clean(picture.title), columns)
    y_ticks = [ticks(one.scale, *one.y_range(), 3) for one in picture.panels]
    margin = max(len(tick.words) for each in y_ticks for tick in each) + 1
    for panel, marks in zip(picture.panels, y_ticks, strict=True):
        yield ""
        yield from textwrap.wrap(_clean(panel.title), columns)
        yield from _panel(panel, marks, picture.x_range(), (margin, columns - margin - 1))
    yield from _x_axis(picture, margin, columns - margin - 1)
    yield ""
    yield from textwrap.wrap(_clean(picture.description), columns)


@dataclass
class _Grid:
    """Characters of one panel; row 0 is the lowest."""

    columns: int
    xs: tuple[float, float]
    ys: tuple[float, float]
    cells: list[list[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.cells = [[" "] * self.columns for _ in range(ROWS)]

    def column(self, x: float) -> int:
        low, high = self.xs
        return _nearest((x - low) / (high - low), self.columns)

    def row(self, y: float) -> int:
        low, high = self.ys
        return _nearest((y - low) / (high - low), ROWS)

    def put(self, at: Place, mark: str) -> None:
        self.cells[self.row(at.y)][self.column(at.x)] = mark

    def connect(self, begin: Place, end: Place) -> None:
        """Draw what lies between two values, in columns and rows."""
        steps = max(
            abs(self.column(end.x) - self.column(begin.x)), abs(self.row(end.y) - self.row(begin.y))
        )
        for step in range(1, steps):
            share = step / steps
            x = begin.x + (end.x - begin.x) * share
            self.put(Place(x, begin.y + (end.y - begin.y) * share), BETWEEN)


def _nearest(share: float, cells: int) -> int:
    return min(max(round(share * (cells - 1)), 0), cells - 1)


def _panel(
    panel: Panel, marks: tuple[Tick, ...], xs: tuple[float, float], room: tuple[int, int]
) -> Iterator[str]:
    margin, columns = room
    grid = _Grid(columns, xs, panel.y_range())
    runs = tuple(panel.runs())
    for run in runs:
        for begin, end in pairwise(run):
            grid.connect(begin, end)
    mark = VALUE if len(panel.values) * 2 <= columns else ONE_OF_MANY
    for run in runs:
        for at in run:
            grid.put(at, mark)
    for at in panel.pointed_out:
        grid.put(at, POINTED_OUT)
    words = {grid.row(tick.at): tick.words for tick in marks}
    for row in reversed(range(ROWS)):
        yield f"{words.get(row, ''):>{margin - 1}} |{''.join(grid.cells[row])}".rstrip()
    foot = ["-"] * columns
    for band in panel.bands:
        left, right = grid.column(band.begin), grid.column(band.end)
        foot[left : right + 1] = SHADE * (right + 1 - left)
    yield f"{'':>{margin}}+{''.join(foot)}"


def _x_axis(picture: Picture, margin: int, columns: int) -> Iterator[str]:
    low, high = picture.x_range()
    found = fitting(picture.x_scale, low, high, columns - 1, lambda words: len(words) + GAP)
    row = [" "] * (margin + 1 + columns)
    free = 0
    for tick in found:
        middle = margin + 1 + _nearest((tick.at - low) / (high - low), columns)
        begin = min(max(free, middle - len(tick.words) // 2), len(row) - len(tick.words))
        if begin < free:
            continue  # At the right edge, where the words before it have the room.
        row[begin : begin + len(tick.words)] = tick.words
        free = begin + len(tick.words) + 1
    yield "".join(row).rstrip()
    for line in textwrap.wrap(_clean(picture.x_title), columns):
        yield f"{'':>{margin}} {line}"


def _clean(words: str) -> str:
    """Leave out what would move a cursor (I8)."""
    return "".join(one if one.isprintable() else " " for one in words)
