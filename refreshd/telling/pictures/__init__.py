"""Pictures of a drive's life: what is drawn, its axes, and the same picture as SVG and as text.

Rules:

1. A picture is values; `as_svg` and `as_text` draw the very same ones.
2. One line in a panel, panels above each other: nothing is told apart by colour, so a black and
   white print and an eye that sees no red show all there is.
3. What the picture shows stands beside it in a sentence, for whoever does not see it.
4. The same values give the same bytes: no date of making, no random id, no measured font.
"""

from refreshd.telling.pictures.chart import Band, Panel, Picture, Place, Scale
from refreshd.telling.pictures.svg import as_svg
from refreshd.telling.pictures.text import as_text

__all__ = ["Band", "Panel", "Picture", "Place", "Scale", "as_svg", "as_text"]
