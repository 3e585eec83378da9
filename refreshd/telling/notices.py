"""The open slips as a page to read on a phone and to print, and as plain text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from html import escape

from refreshd.durations import counted
from refreshd.slip_words import (
    Sheet,
    fact_rows,
    folded,
    mind_lines,
    next_lines,
    sheet_lines,
    sheet_title,
)

PAGE_FILE = "slips.html"
TEXT_FILE = "slips.txt"

NOTHING = "Nothing is to be brought out or put away."

_STYLE = """
body { font: 1rem/1.5 serif; max-width: 42rem; margin: 1rem auto; padding: 0 1rem; }
h1, h2 { line-height: 1.2; } h1 { font-size: 1.4rem; } h2 { font-size: 1.2rem; }
section { border-top: 1px solid; padding: 0.5rem 0 1rem; break-inside: avoid; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 0.2rem 1rem; margin: 0; }
dt { font-style: italic; } dd { margin: 0; overflow-wrap: anywhere; }
@media (max-width: 30rem) { dl { display: block; } dd { margin: 0 0 0.4rem; } }
@media print { body { font-size: 11pt; max-width: none; margin: 0; padding: 0; } }
"""


def slip_pages(sheets: Sequence[Sheet], as_of: date) -> Mapping[str, str]:
    """Return the pages of the open slips by file name, one to print and one of plain text."""
    return {PAGE_FILE: page_html(sheets, as_of), TEXT_FILE: page_text(sheets, as_of)}


def page_text(sheets: Sequence[Sheet], as_of: date) -> str:
    """Return all open slips as plain text."""
    return "\n".join(folded(_text_lines(sheets, as_of))) + "\n"


def _text_lines(sheets: Sequence[Sheet], as_of: date) -> Iterator[str]:
    yield f"{_head(sheets)}, as of {as_of}"
    if not sheets:
        yield from ("", NOTHING)
    for sheet in sheets:
        yield from ("", "-" * 60, "")
        yield from (_printable(line) for line in sheet_lines(sheet, as_of))


def page_html(sheets: Sequence[Sheet], as_of: date) -> str:
    """Return all open slips as one page that needs nothing but itself."""
    return "\n".join(_html_lines(sheets, as_of)) + "\n"


def _html_lines(sheets: Sequence[Sheet], as_of: date) -> Iterator[str]:
    yield "<!DOCTYPE html>"
    yield '<html lang="en"><head><meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    # Nothing on this page may be fetched or run, whatever a drive's title says (I8).
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    yield f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
    yield f"<title>{_html(_head(sheets))}</title><style>{_STYLE}</style></head><body>"
    yield f"<h1>{_html(_head(sheets))}</h1><p>As of {as_of}.</p>"
    if not sheets:
        yield f"<p>{NOTHING}</p>"
    for sheet in sheets:
        yield from _section(sheet, as_of)
    yield "</body></html>"


def _section(sheet: Sheet, as_of: date) -> Iterator[str]:
    yield f"<section><h2>{_html(sheet_title(sheet))}</h2>"
    rows = "".join(
        f"<dt>{_html(head)}</dt><dd>{_html(says)}</dd>" for head, says in fact_rows(sheet, as_of)
    )
    yield f"<dl>{rows}</dl>"
    if sheet.is_away:
        minded = "".join(
            f"<li>{_html(line)}</li>" for line in mind_lines(sheet.card.medium, sheet.slip.errand)
        )
        yield f"<h3>What to mind</h3><ul>{minded}</ul>"
    steps = "".join(f"<li>{_html(line)}</li>" for line in next_lines(sheet))
    yield f"<h3>What happens next</h3><ol>{steps}</ol></section>"


def _head(sheets: Sequence[Sheet]) -> str:
    return counted(len(sheets), "open slip") if sheets else "No open slip"


def _html(text: str) -> str:
    return escape(_printable(text))


def _printable(text: str) -> str:
    """Return a text without what could move the cursor of somebody's terminal (I8)."""
    return "".join(one if one.isprintable() else "?" for one in text)
