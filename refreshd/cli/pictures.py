"""Pictures of a drive: on the terminal, or as files in a directory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from refreshd.cli.answer import Answer
from refreshd.errors import RecordFailedError, UsageError
from refreshd.telling.health_as_json import pictures_object
from refreshd.telling.pictures import as_svg, as_text
from refreshd.telling.pictures.of_drive import all_pictures, last_pictures
from refreshd.verbs.health import HealthView
from refreshd.wiring.media import refuse_unwritable_name

NOTHING = (
    "There is nothing to draw yet: no pass was watched, no figure changed between two health "
    "readings, and there is no proving."
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be drawn: on a terminal of so many columns, and into a directory."""

    is_plotted: bool
    columns: int | None
    directory: Path | None


def with_pictures(card: Answer, view: HealthView, wanted: Wanted) -> Answer:
    """Return a card with pictures below it; the files are in its JSON, too."""
    files: tuple[Path, ...] = ()
    lines = [*card.lines]
    if wanted.is_plotted:
        lines += plot_lines(view, wanted.columns)
    if wanted.directory is not None:
        files = write_pictures(view, wanted.directory)
        lines += written_lines(files)
    return Answer(card.json | pictures_object(files), lines)


def plot_lines(view: HealthView, columns: int | None) -> Iterator[str]:
    """Yield the pictures that a terminal shows."""
    is_bare = True
    for picture in last_pictures(view):
        is_bare = False
        yield ""
        yield from as_text(picture, columns)
    if is_bare:
        yield ""
        yield NOTHING


def write_pictures(view: HealthView, directory: Path) -> tuple[Path, ...]:
    """
    Write every picture of a drive as a file of SVG, in place of older ones of the same name.

    Raises:
        UsageError: The directory cannot be made, or is none.
        RecordFailedError: A file could not be written.

    """
    refuse_unwritable_name(str(directory))
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise UsageError(f"{directory}: {err.strerror}; name another directory") from err
    return tuple(
        _written(directory / f"{picture.name}.svg", as_svg(picture))
        for picture in all_pictures(view)
    )


def _written(path: Path, text: str) -> Path:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as err:
        raise RecordFailedError(f"{path}: {err.strerror}; the picture was not written") from err
    return path


def written_lines(files: tuple[Path, ...]) -> Iterator[str]:
    """Tell which files were written."""
    yield ""
    if not files:
        yield NOTHING
    yield from (f"Written: {path}" for path in files)
