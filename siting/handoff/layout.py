"""Tables and text of the sheets as flowables, in one look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_CENTER, TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Paragraph, Table, TableStyle

from siting.handoff.drawing import BOLD, SANS, markup, printable, unlike, width_of
from siting.handoff.facts import elide
from siting.handoff.tags import COLUMN_HEAD, DOTTED, NUMBERED, ROW_HEAD, Tag, tagged
from siting.language import ENGLISH, Language, Said
from siting.palette import INK

Flow = Any  # reportlab is not typed
_PADDING: Final = 6.5  # left and right of a cell [pt]
_BODY: Final[dict[str, Any]] = {
    "fontName": SANS,
    "bulletFontName": SANS,
    "fontSize": 9.5,
    "leading": 12.5,
    "textColor": HexColor(INK["text"]),
}
_STYLES: Final[dict[str, dict[str, Any]]] = {
    "title": {"fontName": BOLD, "fontSize": 18, "leading": 22, "spaceAfter": 4},
    "tag": {"fontName": BOLD, "fontSize": 15, "leading": 19, "spaceAfter": 4},
    "head": {"fontName": BOLD, "fontSize": 12, "leading": 15, "spaceBefore": 9, "spaceAfter": 4},
    "body": {"spaceAfter": 4},
    "lead": {"fontSize": 10.5, "leading": 14, "spaceAfter": 6},
    "cell": {"fontSize": 9, "leading": 11.5},
    "cell_right": {"fontSize": 9, "leading": 11.5, "alignment": TA_RIGHT},
    "pen": {"fontSize": 10, "leading": 13},
    "cell_head": {"fontName": BOLD, "fontSize": 9, "leading": 11},
    "cell_head_right": {"fontName": BOLD, "fontSize": 9, "leading": 11, "alignment": TA_RIGHT},
    "foot": {"fontSize": 9, "leading": 11},
    "foot_mid": {"fontSize": 9, "leading": 11, "alignment": TA_CENTER},
    "bullet": {"leftIndent": 12, "bulletIndent": 1, "spaceAfter": 3},
}


@cache
def style(name: str) -> Flow:
    """Return a paragraph style; long words are split rather than run off the page."""
    return ParagraphStyle(name, **{**_BODY, "splitLongWords": 1, **_STYLES[name]})


class _Words(Paragraph):  # type: ignore[misc] # reportlab is not typed
    """A paragraph with its tag; a heading is also an entry of the file's outline.

    tag: what it is to a screen reader; mark: the tag of what stands before an item of a list.
    """

    tag: Tag | None = None
    mark: Tag | None = None
    outline: tuple[str, int] | None = None
    _taken: tuple[float, tuple[float, float]] | None = None

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Return the room it takes [pt]; a table asks twice for every cell that it draws."""
        # What is split over pages loses its lines.
        if self._taken is None or self._taken[0] != width or not hasattr(self, "blPara"):
            self._taken = width, super().wrap(width, height)
        return self._taken[1]

    def draw(self) -> None:
        """Write it, and tell a canvas that keeps an outline."""
        keep = getattr(self.canv, "keep_outline", None)
        if keep is not None and self.outline is not None:
            keep(*self.outline)
        self._space_lines()
        if self.bulletText and self.mark is not None:
            with tagged(self.canv, self.mark, self.tag):
                super().draw()
        else:
            with tagged(self.canv, self.tag):
                super().draw()

    def _space_lines(self) -> None:
        """End lines with a space, so that words stay apart where the page is read aloud.

        ISO 32000-1, 14.8.2.5. A word that was broken (of a class of reportlab's own) has none.
        """
        for _, words in self.blPara.lines[:-1] if self.blPara.kind == 0 else ():
            if words and type(words[-1]) is str and not words[-1].endswith(" "):
                words[-1] += " "

    def split(self, *room: float) -> list[Flow]:
        """Return its parts over two pages, which are one to a screen reader."""
        parts: list[Flow] = super().split(*room)
        for part in parts:
            part.tag, part.mark = self.tag, self.mark
        return parts


def _longest(words: object) -> int:
    """Return at how many characters a value is cut: what we say ourselves is not, a name is."""
    return 1200 if isinstance(words, Said) else 220


def _columns(head: Sequence[str], shares: Sequence[float], width: float) -> list[float]:
    """Return the widths of columns [pt] by their shares; no word of a head is broken."""
    given = [width * share / sum(shares) for share in shares]
    least = [
        max((width_of(word, 9, bold=True) for word in words.split()), default=0) + _PADDING
        for words in head
    ]
    wide = [need if need > have else 0.0 for need, have in zip(least, given, strict=True)]
    if not any(wide):
        return given
    left = sum(have for have, need in zip(given, wide, strict=True) if not need)
    spare = (width - sum(wide)) / left if left else 1.0
    return [need or have * spare for need, have in zip(wide, given, strict=True)]


@dataclass(frozen=True)
class Sheet:
    """Tables and text of a sheet, in one language.

    t: the language; what is a name, and not said, stays as it is.
    """

    t: Language = ENGLISH

    def text(self, words: object, kind: str = "body", *, longest: int = 1200) -> Flow:
        """Return plain words as a paragraph; nothing in them is read as markup.

        Result: with what the font lacks as empty boxes.
        """
        return self._words(words, kind, Tag("P", code=self.t.code), longest=longest)

    def _words(self, words: object, kind: str, tag: Tag, *, longest: int = 1200) -> _Words:
        """Return plain words with a tag."""
        said = self.t(words) if isinstance(words, str) else words
        paragraph = _Words(markup(said, longest=longest), style(kind))
        tag.actual = unlike(said, longest)
        paragraph.tag = tag
        return paragraph

    def heading(self, words: str, kind: str = "head") -> Flow:
        """Return a heading that stays with what follows, and is listed in the file's outline.

        Result: as wide as the page allows.
        """
        words = self.t(words)
        level = int(kind == "head")
        paragraph = self._words(words, kind, Tag(f"H{level + 1}", code=self.t.code), longest=160)
        paragraph.keepWithNext = 1
        paragraph.outline = (elide(printable(words), 80), level)
        return paragraph

    def note(self, words: str) -> Flow:
        """Return words in a caution box; one cell, as wide as the page allows."""
        table = Table([[self.text(words)]], colWidths=["100%"])
        table.setStyle(
            TableStyle(
                [
                    ("FONTNAME", (0, 0), (-1, -1), SANS),
                    ("BACKGROUND", (0, 0), (-1, -1), HexColor(INK["caution"])),
                    ("BOX", (0, 0), (-1, -1), 0.8, HexColor(INK["caution_edge"])),
                    ("LEFTPADDING", (0, 0), (-1, -1), 7),
                    ("TOPPADDING", (0, 0), (-1, -1), 4),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                ]
            )
        )
        return table

    def bullets(self, lines: Sequence[str], *, numbered: bool = False) -> list[Flow]:
        """Return a list, one paragraph per line."""
        marks = [f"{k}." for k in range(1, len(lines) + 1)] if numbered else ["•"] * len(lines)
        indent: dict[str, Any] = {"leftIndent": 18} if numbered else {}
        shaped = ParagraphStyle(
            "list", **{**_BODY, "splitLongWords": 1, **_STYLES["bullet"], **indent}
        )
        items = []
        whole = Tag("L", code=self.t.code, more=NUMBERED if numbered else DOTTED)
        for mark, line in zip(marks, lines, strict=True):
            words = self.t(line)
            item = _Words(markup(words, longest=1200), shaped, bulletText=mark)
            part = Tag("LI", whole)
            item.mark, item.tag = Tag("Lbl", part), Tag("LBody", part, actual=unlike(words, 1200))
            items.append(item)
        return items

    def grid(
        self,
        head: Sequence[str],
        rows: Sequence[Sequence[object]],
        widths: Sequence[float],
        *,
        width: float,
        words: Sequence[int] = (0,),
        bold_rows: Sequence[int] = (),
    ) -> Flow:
        """Return a table with a header that repeats on every page it runs over.

        head: column heads; width: of the table [pt]; words: columns set from the left, the others
        are figures, set to the right.
        """
        left = set(words)
        sides = ["" if k in left else "_right" for k in range(len(head))]
        whole = Tag("Table", code=self.t.code)
        top = Tag("TR", whole)
        cells = [
            [
                self._words(h, "cell_head" + s, Tag("TH", top, more=COLUMN_HEAD, once=True))
                for h, s in zip(head, sides, strict=True)
            ]
        ]
        for place, row in enumerate(rows):
            kind = "cell_head" if place in bold_rows else "cell"
            line = Tag("TR", whole)
            cells.append(
                [
                    self._words(c, kind + s, Tag("TD", line), longest=320)
                    for c, s in zip(row, sides, strict=True)
                ]
            )
        heads = [self.t(words) for words in head]
        table = Table(cells, colWidths=_columns(heads, widths, width), repeatRows=1)
        table.setStyle(
            TableStyle(
                [
                    ("FONTNAME", (0, 0), (-1, -1), SANS),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LINEBELOW", (0, 0), (-1, 0), 1.0, HexColor(INK["text"])),
                    ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(INK["line"])),
                    ("LEFTPADDING", (0, 0), (-1, -1), 3),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                    ("TOPPADDING", (0, 0), (-1, -1), 2.5),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
                ]
            )
        )
        return table

    def facts(
        self, pairs: Sequence[tuple[str, object]], *, width: float, share: float = 0.26
    ) -> Flow:
        """Return names and values side by side.

        pairs: name and value, at least one; width: of the table [pt]. Result: a row for each pair.
        """
        cells = self._pairs([(k, v, _longest(v)) for k, v in pairs], "cell")
        table = Table(cells, colWidths=[width * share, width * (1 - share)])
        table.setStyle(
            TableStyle(
                [
                    ("FONTNAME", (0, 0), (-1, -1), SANS),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(INK["line"])),
                    ("LEFTPADDING", (0, 0), (-1, -1), 3),
                    ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
                ]
            )
        )
        return table

    def _pairs(self, rows: Sequence[tuple[str, object, int]], kind: str) -> list[list[Flow]]:
        """Return cells of names and values; each value comes with how long it may be."""
        whole = Tag("Table", code=self.t.code)
        cells = []
        for name, value, longest in rows:
            line = Tag("TR", whole)
            head, cell = Tag("TH", line, more=ROW_HEAD), Tag("TD", line)
            cells.append(
                [
                    self._words(name, "cell_head", head),
                    self._words(value, kind, cell, longest=longest),
                ]
            )
        return cells

    def worksheet(
        self, rows: Sequence[tuple[str, str]], *, width: float, height: float = 32.0
    ) -> Flow:
        """Return a form to fill in by pen: what to write, and room to write it.

        rows: what to write, and what is printed where it goes, at least one; width: of the form
        [pt]; height: least height of a row, about [pt]. Result: the first quarter of its width says
        what to write.
        """
        cells = self._pairs([(k, v, 400) for k, v in rows], "pen")
        table = Table(cells, colWidths=[width * 0.25, width * 0.75], rowHeights=None)
        commands: list[tuple[Any, ...]] = [
            ("GRID", (0, 0), (-1, -1), 0.7, HexColor(INK["quiet"])),
            ("FONTNAME", (0, 0), (-1, -1), SANS),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("BACKGROUND", (0, 0), (0, -1), HexColor(INK["ground"])),
            ("TOPPADDING", (0, 0), (-1, -1), (height - 13) * 0.65),
            ("BOTTOMPADDING", (0, 0), (-1, -1), (height - 13) * 0.35),
        ]
        table.setStyle(TableStyle(commands))
        return table
