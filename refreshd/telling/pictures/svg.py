"""A picture as SVG: black lines on white, text as text, title and description for screen readers.

Source: W3C, Scalable Vector Graphics (SVG) 2, and WAI-ARIA Graphics Module for `role`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element, SubElement, tostring

from refreshd.telling.pictures.axes import Tick, fitting, ticks
from refreshd.telling.pictures.chart import Panel, Picture

WIDTH = 800
"""In user units, as all lengths here; a picture scales to the page that it is put on."""

_MARGIN = 16
_FONT = 13
_LINE = 20
_HEAD = 40
_PANEL = 130
_PANEL_HEAD = 30
_FOOT = 56
_LETTER = 0.62 * _FONT
"""Wide enough a letter for common sans-serif fonts: no font is measured, so words get more room
than they need."""

_DOTS_MAX = 60
"""Up to so many values each gets a dot; more of them are a line."""


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where a panel lies, and what it shows: figures in, places out."""

    left: float
    right: float
    top: float
    bottom: float
    xs: tuple[float, float]
    ys: tuple[float, float]

    def x(self, value: float) -> float:
        low, high = self.xs
        return self.left + (self.right - self.left) * (value - low) / (high - low)

    def y(self, value: float) -> float:
        low, high = self.ys
        return self.bottom - (self.bottom - self.top) * (value - low) / (high - low)


def as_svg(picture: Picture) -> str:
    """Return a whole SVG file, the same for the same picture."""
    height = _HEAD + len(picture.panels) * (_PANEL_HEAD + _PANEL) + _FOOT
    root = _root(picture, height)
    y_ticks = [ticks(panel.scale, *panel.y_range(), 4) for panel in picture.panels]
    left = _MARGIN + max(_width(one.words) for each in y_ticks for one in each)
    frame = None
    for number, panel in enumerate(picture.panels):
        top = _HEAD + number * (_PANEL_HEAD + _PANEL) + _PANEL_HEAD
        frame = _Frame(
            left, WIDTH - 2.5 * _MARGIN, top, top + _PANEL, picture.x_range(), panel.y_range()
        )
        _draw_panel(root, panel, frame, y_ticks[number])
    if frame is not None:
        _draw_x_axis(root, picture, frame)
    return f"{tostring(root, encoding='unicode')}\n"


def _root(picture: Picture, height: int) -> Element:
    title, described = f"{picture.name}-title", f"{picture.name}-description"
    root = Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {WIDTH} {height}",
            "width": str(WIDTH),
            "height": str(height),
            "role": "img",
            "aria-labelledby": title,
            "aria-describedby": described,
            "font-family": "sans-serif",
            "font-size": str(_FONT),
        },
    )
    SubElement(root, "title", {"id": title}).text = _clean(picture.title)
    SubElement(root, "desc", {"id": described}).text = _clean(picture.description)
    SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": "white"})
    head = _text(root, _MARGIN, _MARGIN + _FONT, picture.title)
    head.set("font-weight", "bold")
    return root


def _draw_panel(root: Element, panel: Panel, frame: _Frame, y_ticks: Sequence[Tick]) -> None:
    group = SubElement(root, "g")
    _text(group, frame.left, frame.top - _FONT / 2, panel.title)
    for band in panel.bands:
        left, right = frame.x(band.begin), frame.x(band.end)
        shade = {"x": _at(left), "y": _at(frame.top), "width": _at(max(2.0, right - left))}
        shade |= {"height": _at(frame.bottom - frame.top), "fill": "#d0d0d0"}
        SubElement(SubElement(group, "rect", shade), "title").text = _clean(band.label)
    for tick in y_ticks:
        y = frame.y(tick.at)
        _line(group, (frame.left, y), (frame.right, y), "#b0b0b0")
        _text(group, frame.left - _FONT / 2, y + _FONT / 3, tick.words).set("text-anchor", "end")
    _line(group, (frame.left, frame.top), (frame.left, frame.bottom), "black")
    _line(group, (frame.left, frame.bottom), (frame.right, frame.bottom), "black")
    _draw_runs(group, panel, frame)
    for at in panel.pointed_out:
        _point_out(group, frame.x(at.x), frame.y(at.y))


def _draw_runs(group: Element, panel: Panel, frame: _Frame) -> None:
    has_dots = len(panel.values) <= _DOTS_MAX
    for run in panel.runs():
        if len(run) > 1:
            points = " ".join(f"{_at(frame.x(one.x))},{_at(frame.y(one.y))}" for one in run)
            line = {"points": points, "fill": "none", "stroke": "black", "stroke-width": "1.5"}
            SubElement(group, "polyline", line | {"stroke-linejoin": "round"})
        if has_dots or len(run) == 1:
            for one in run:
                where = {"cx": _at(frame.x(one.x)), "cy": _at(frame.y(one.y)), "r": "3"}
                SubElement(group, "circle", where)


def _point_out(group: Element, x: float, y: float) -> None:
    """Draw a hollow triangle below the line, whose upper corner is at the place."""
    corners = ((x, y + 2), (x - 5, y + 11), (x + 5, y + 11))
    points = " ".join(f"{_at(one)},{_at(other)}" for one, other in corners)
    SubElement(group, "polygon", {"points": points, "fill": "white", "stroke": "black"})


def _draw_x_axis(root: Element, picture: Picture, frame: _Frame) -> None:
    room = frame.right - frame.left
    for tick in fitting(picture.x_scale, *frame.xs, room, lambda words: _width(words) + _FONT):
        x = frame.x(tick.at)
        _line(root, (x, frame.bottom), (x, frame.bottom + 5), "black")
        _text(root, x, frame.bottom + _LINE, tick.words).set("text-anchor", "middle")
    middle = (frame.left + frame.right) / 2
    _text(root, middle, frame.bottom + 2 * _LINE, picture.x_title).set("text-anchor", "middle")


def _line(parent: Element, begin: tuple[float, float], end: tuple[float, float], ink: str) -> None:
    (x1, y1), (x2, y2) = begin, end
    ends = {"x1": _at(x1), "y1": _at(y1), "x2": _at(x2), "y2": _at(y2)}
    SubElement(parent, "line", ends | {"stroke": ink})


def _text(parent: Element, x: float, y: float, words: str) -> Element:
    element = SubElement(parent, "text", {"x": _at(x), "y": _at(y)})
    element.text = _clean(words)
    return element


def _at(place: float) -> str:
    return f"{place:.1f}"


def _width(words: str) -> float:
    return len(words) * _LETTER


def _clean(words: str) -> str:
    """Leave out what XML cannot carry: a drive's own words may hold anything (I8)."""
    return "".join(one if one.isprintable() else " " for one in words)
