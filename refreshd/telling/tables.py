"""Rich's tables as plain lines of text, so that whoever tells decides where they go."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from io import StringIO

WIDE = 1000
"""Columns where there is no terminal: nothing is cut off or folded for a file or a pipe."""

GAP = 3
UNBROKEN_MAX = len("2026-01-31")
"""A word of up to so many letters is not broken while there is room: a date stays a date."""


def table_lines(
    heads: Sequence[str], rows: Iterable[Sequence[str]], width: int | None = None
) -> Iterator[str]:
    """
    Yield a table, its columns as wide as needed.

    Args:
        heads: Titles of the columns.
        rows: Cells; taken literally, markup and all.
        width: Columns of the terminal; None: there is none.

    """
    from rich.console import Console  # noqa: PLC0415 - costs every verb time, few need it.
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    table = Table(box=None, pad_edge=False, header_style="", padding=(0, GAP, 0, 0))
    body = [tuple(row) for row in rows]
    columns = tuple(zip(heads, *body, strict=True))
    is_roomy = sum(_width_min(cells) + GAP for cells in columns) <= (width or WIDE)
    for head, *cells in columns:
        least = _width_min([head, *cells]) if is_roomy else None
        table.add_column(Text(head), overflow="fold", min_width=least)
    for row in body:
        table.add_row(*(Text(cell) for cell in row))
    out = StringIO()
    Console(file=out, width=width or WIDE, color_system=None).print(table)
    yield from (line.rstrip() for line in out.getvalue().splitlines())


def _width_min(cells: Iterable[str]) -> int:
    words = (word for cell in cells for word in cell.split())
    return min(UNBROKEN_MAX, max(map(len, words), default=1))
