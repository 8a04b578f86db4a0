"""`crew.pdf`: the sheets a crew digs from and fills in, and the pages the office keeps.

First the property with the answer, then one leaf per sensor (the front to dig from at a true scale,
the back to fill in by pen), then run times, zones, costs, parts, assumptions and cautions, and two
pages for the owner. The headings are the file's outline. The file carries no date and no random id,
so that the same plan gives the same bytes.
"""

from __future__ import annotations

import io
from functools import partial
from pathlib import Path
from typing import Any, Final

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import inch
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate, Paragraph, Spacer

from siting.atomic import write_bytes
from siting.cautions import DIG_CAUTION
from siting.handoff._sheet_fonts import SANS, fit_text, markup, printable, register_fonts
from siting.handoff._sheet_office import office_pages
from siting.handoff._sheet_owner import owner_pages
from siting.handoff._sheet_pen import Drawing, draw_text
from siting.handoff._sheet_plan import overview_height, paint_overview
from siting.handoff._sheet_sensor import sensor_list, sensor_pages
from siting.handoff._sheet_tables import heading, note, style, text
from siting.handoff._sheet_text import elide
from siting.palette import INK
from siting.planning import Plan

__all__ = ["write_sheets"]

_SIDE: Final = 0.55 * inch
_TOP: Final = 0.5 * inch
_FOOT: Final = 0.95 * inch
_BOX: Final = "□"
_PICTURES: Final = 0.5  # share of a leaf that the drawings take; the rest is tables


def write_sheets(plan: Plan, path: Path | str) -> Path:
    """Write the crew sheets, whole or not at all."""
    register_fonts()
    out = io.BytesIO()
    page = LETTER if plan.settings.units == "us" else A4
    width = page[0] - 2 * _SIDE
    name = printable(plan.site.name)
    document = BaseDocTemplate(
        out,
        pagesize=page,
        invariant=1,
        title=elide(name, 120),
        author="siting",
        creator="siting",
        subject="Soil-moisture sensors: crew sheets",
        keywords=["irrigation", "soil moisture", "sensor plan"],
        displayDocTitle=True,
        lang="en",
        initialFontName=SANS,
    )
    window = Frame(
        _SIDE, _FOOT, width, page[1] - _TOP - _FOOT,
        leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
    )  # fmt: skip
    document.addPageTemplates(PageTemplate("sheet", [window]))
    height = page[1] - _TOP - _FOOT
    document.build(_story(plan, width, height), canvasmaker=partial(_FootedCanvas, name=name))
    return write_bytes(path, out.getvalue())


def _story(plan: Plan, width: float, height: float) -> list[Any]:
    """Return everything in the order in which it is printed."""
    story = [
        heading(elide(printable(plan.site.name), 90), "title"),
        text(plan.wording(plan.settings.units).headline, "lead", longest=20_000),
        *_unprintable(plan),
        Drawing(
            partial(_overview, plan), width=width, height=partial(overview_height, plan, width)
        ),
        Spacer(1, 6),
        sensor_list(plan, width=width),
    ]
    for sensor_id in plan.sensors.index:
        story += sensor_pages(
            plan, str(sensor_id), width=width, height=height * _PICTURES, page=height
        )
    story += office_pages(plan, width=width)
    return story + owner_pages(plan, width=width)


def _unprintable(plan: Plan) -> list[Any]:
    """Say so where the typeface lacks letters of a name."""
    names = [plan.site.name, *plan.zones.index, *plan.zones["valve"]]
    if all(_BOX not in printable(name) for name in names):
        return []
    return [
        note(
            f"Some letters of the names are not in this sheet's typeface and print as {_BOX}; the "
            "map and the files show them. Valves and sensor tags are what counts on site."
        )
    ]


def _overview(plan: Plan, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
    paint_overview(canvas, plan, width, height)


class _FootedCanvas(Canvas):  # type: ignore[misc] # reportlab is not typed
    """Writes the foot of every page once the number of pages is known."""

    def __init__(self, *args: Any, name: str, **options: Any) -> None:  # noqa: ANN401
        super().__init__(*args, **options)
        self._name = name
        self._pages: list[dict[str, Any]] = []
        self._outlines: list[tuple[str, int]] = []

    def keep_outline(self, title: str, level: int) -> None:
        """List a heading of this page in the file's outline."""
        self._outlines.append((title, level))

    def showPage(self) -> None:  # noqa: N802 - reportlab's name
        """Keep the page for later."""
        self._pages.append(dict(self.__dict__))
        self._outlines = []
        self._startPage()

    def save(self) -> None:
        """Foot and emit every page, then close the file."""
        for number, page in enumerate(self._pages, start=1):
            self.__dict__.update(page)
            for place, (title, level) in enumerate(self._outlines):
                self.bookmarkPage(f"part{number}.{place}")
                self.addOutlineEntry(title, f"part{number}.{place}", level, closed=True)
            self._foot(number, len(self._pages))
            super().showPage()
        super().save()

    def _foot(self, number: int, total: int) -> None:
        """Write the dig caution, the property and the page number."""
        width = self._pagesize[0] - 2 * _SIDE
        self.saveState()
        self.setStrokeColor(HexColor(INK["caution_edge"]))
        self.setLineWidth(1)
        self.line(_SIDE, _FOOT - 8, _SIDE + width, _FOOT - 8)
        caution = Paragraph(f"<b>{markup(DIG_CAUTION)}</b>", style("foot"))
        _, tall = caution.wrap(width, _FOOT)
        caution.drawOn(self, _SIDE, _FOOT - 11 - tall)
        draw_text(self, _SIDE, 20, fit_text(self._name, 9, width - 110), size=9)
        words = f"page {number} of {total}"
        draw_text(self, _SIDE + width, 20, words, size=9, bold=True, anchor=1.0)
        self.restoreState()
