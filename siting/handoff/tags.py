"""What a PDF says of itself: a tree of tags that a screen reader follows, and metadata.

ISO 32000-1, 14.7 (structure), 14.8 (tagged PDF) and 14.9 (language, alternate text). What has a
tag is read, in the order in which it was drawn; all else on a page, lines, grounds and the foot,
is an artifact. reportlab draws and has no tags of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final
from xml.sax.saxutils import escape

from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFObject, PDFString
from reportlab.pdfgen.canvas import Canvas as PdfCanvas

#: Attributes of tags.
COLUMN_HEAD: Final = "/A<</O/Table/Scope/Column>>"
ROW_HEAD: Final = "/A<</O/Table/Scope/Row>>"
NUMBERED: Final = "/A<</O/List/ListNumbering/Decimal>>"
DOTTED: Final = "/A<</O/List/ListNumbering/Disc>>"
_ARTIFACT: Final = "/Artifact BMC"


@dataclass(eq=False)
class _Mark:
    """A piece of a page that belongs to a tag: the page once it is known, its number there."""

    tag: Tag
    number: int
    page: PDFObject | None = None


@dataclass(eq=False)
class Tag(PDFObject):  # type: ignore[misc] # reportlab is not typed
    """What a part is: a heading, a paragraph, a cell; it joins the tree when it is first drawn.

    kind: a standard structure type; parent: what it stands in, None is the document; alt: says a
    picture in words; actual: text as it is read where it is drawn otherwise; code: of its language,
    "" where it is the parent's; more: further attributes; once: whether what is drawn again, as the
    head of a table on its next page, is not read again.
    """

    kind: str
    parent: Tag | None = None
    alt: str = ""
    actual: str = ""
    code: str = ""
    more: str = ""
    once: bool = False
    kids: list[Tag | _Mark] = field(default_factory=list)

    __RefOnly__ = 1  # reportlab's word for an object that others refer to

    def join(self, tree: Tag) -> None:
        """Take its place in the tree, after what was drawn before."""
        if self.kids or self is tree:
            return
        if self.parent is None:
            self.parent = tree
            self.code = "" if self.code == tree.code else self.code
        self.parent.join(tree)
        self.parent.kids.append(self)

    def format(self, document: Any) -> bytes:  # noqa: ANN401 - of reportlab
        """Return the structure element as PDF writes it."""

        def ref(thing: object) -> str:
            return str(document.Reference(thing).format(document).decode("ascii"))

        marks = [kid for kid in self.kids if isinstance(kid, _Mark)]
        page = marks[0].page if marks else None
        kids = [
            ref(kid)
            if isinstance(kid, Tag)
            else str(kid.number)
            if kid.page is page
            else f"<</Type/MCR/Pg {ref(kid.page)}/MCID {kid.number}>>"
            for kid in self.kids
        ]
        words = "".join(
            f"/{name}{PDFString(said).format(document).decode('latin-1')}"
            for name, said in (("Alt", self.alt), ("ActualText", self.actual), ("Lang", self.code))
            if said
        )
        where = f"/Pg {ref(page)}" if page is not None else ""
        held = kids[0] if len(kids) == 1 else f"[{' '.join(kids)}]"
        parent = f"/P {ref(self.parent)}"
        return f"<</S/{self.kind}{parent}{where}/K {held}{words}{self.more}>>".encode("latin-1")


class _Root(Tag):
    """The root of the tree: the document, and which tag each mark of a page belongs to."""

    marks: tuple[list[_Mark], ...] = ()

    def format(self, document: Any) -> bytes:  # noqa: ANN401 - of reportlab
        """Return the root as PDF writes it."""

        def ref(thing: object) -> str:
            return str(document.Reference(thing).format(document).decode("ascii"))

        pages = " ".join(
            f"{page} [{' '.join(ref(mark.tag) for mark in marks)}]"
            for page, marks in enumerate(self.marks)
        )
        held = " ".join(ref(kid) for kid in self.kids)
        text = f"<</Type/StructTreeRoot/K [{held}]/ParentTree<</Nums [{pages}]>>>>"
        return text.encode("ascii")


class TaggedCanvas(PdfCanvas):  # type: ignore[misc] # reportlab is not typed
    """A canvas whose pages are kept until all are drawn, with a tree of tags.

    code: of the document's language.
    """

    def __init__(self, *args: Any, code: str, **options: Any) -> None:  # noqa: ANN401
        super().__init__(*args, **options)
        self._root = _Root("StructTreeRoot")
        self._tree = Tag("Document", self._root, code=code)
        self._root.kids.append(self._tree)
        self._marks: list[list[_Mark]] = [[]]
        self._pages: list[dict[str, Any]] = []
        self._at = 0  # the page, which what is kept of a page brings back
        self._next: Tag | None = None
        self.addLiteral(_ARTIFACT)

    def begin(self, tag: Tag, then: Tag | None = None) -> None:
        """Begin what belongs to a tag; with another, that one begins after the first words."""
        self.addLiteral("EMC")
        self._next = then
        if tag.once and tag.kids:
            self.addLiteral(_ARTIFACT)
            return
        tag.join(self._tree)
        marks = self._marks[self._at]
        self.addLiteral(f"/{tag.kind} <</MCID {len(marks)}>> BDC")
        marks.append(_Mark(tag, len(marks)))
        tag.kids.append(marks[-1])

    def end(self) -> None:
        """End what belongs to a tag."""
        self._next = None
        self.addLiteral("EMC")
        self.addLiteral(_ARTIFACT)

    def drawText(self, words: Any) -> None:  # noqa: ANN401, N802 - reportlab's name
        """Write words; the mark of a list's item comes first, its text then."""
        super().drawText(words)
        if self._next is not None:
            text = self._next
            self.end()
            self.begin(text)

    def showPage(self) -> None:  # noqa: N802 - reportlab's name
        """Keep the page for later."""
        self._pages.append(dict(self.__dict__))
        self._marks.append([])
        self._at += 1
        self._startPage()
        self.addLiteral(_ARTIFACT)

    def finish(self, number: int, total: int) -> None:
        """Draw what a page has below all else, once the number of pages is known."""

    def save(self) -> None:
        """Finish and emit every page, then the tree, and close the file."""
        for at, page in enumerate(self._pages):
            self.__dict__.update(page)
            self.finish(at + 1, len(self._pages))
            self.addLiteral("EMC")
            super().showPage()
            sheet = self._doc.Pages[-1]
            sheet.__NoDefault__ = [*sheet.__NoDefault__, "StructParents", "Tabs"]
            sheet.StructParents, sheet.Tabs = at, "/S"
            for mark in self._marks[at]:
                mark.page = sheet
        self._root.marks = tuple(self._marks[: len(self._pages)])
        self.setCatalogEntry("MarkInfo", PDFDictionary({"Marked": "true"}))
        self.setCatalogEntry("StructTreeRoot", self._root)
        super().save()


@contextmanager
def tagged(canvas: Any, tag: Tag | None, then: Tag | None = None) -> Iterator[None]:  # noqa: ANN401
    """Draw what belongs to a tag, on a canvas that keeps tags."""
    keeps = tag is not None and isinstance(canvas, TaggedCanvas)
    if keeps:
        canvas.begin(tag, then)
    yield
    if keeps:
        canvas.end()


def metadata(document: Any, *, code: str) -> bytes:  # noqa: ANN401 - of reportlab
    """Return what the file is as XMP, which catalogues and screen readers take first.

    ISO 16684-1 (XMP), with the schemas Dublin Core, PDF and PDF/UA
    (ISO 14289-1). No date: the same plan, the same file.
    """
    info = document.info
    title, author, subject, words = (
        escape(str(value)) for value in (info.title, info.author, info.subject, info.keywords)
    )
    text = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"'
        ' xmlns:pdf="http://ns.adobe.com/pdf/1.3/" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">'
        "<dc:format>application/pdf</dc:format>"
        f'<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>'
        f"<dc:creator><rdf:Seq><rdf:li>{author}</rdf:li></rdf:Seq></dc:creator>"
        '<dc:description><rdf:Alt><rdf:li xml:lang="x-default">'
        f"{subject}</rdf:li></rdf:Alt></dc:description>"
        f"<dc:language><rdf:Bag><rdf:li>{code}</rdf:li></rdf:Bag></dc:language>"
        f"<pdf:Keywords>{words}</pdf:Keywords><pdfuaid:part>1</pdfuaid:part>"
        '</rdf:Description></rdf:RDF></x:xmpmeta>\n<?xpacket end="r"?>'
    )
    return text.encode()
