"""Tags of the papers: what a screen reader is told, as poppler and pypdf read it."""

import re
import shutil
import subprocess
from collections import Counter
from dataclasses import replace

import pypdf
import pytest

from siting.handoff import sheets
from siting.handoff.facts import clean
from siting.handoff.layout import Sheet
from siting.language import language, say
from siting.planning.cautions import dig_caution
from tests.plan_factory import make_plan

PDFINFO, TEXT = shutil.which("pdfinfo"), shutil.which("pdftotext")
poppler = pytest.mark.skipif(not (PDFINFO and TEXT), reason="no pdfinfo and pdftotext here")
#: Standard structure types, ISO 32000-1 tables 333 to 340, of those that the papers use.
KINDS = {
    "Document",
    "H1",
    "H2",
    "P",
    "L",
    "LI",
    "Lbl",
    "LBody",
    "Table",
    "TR",
    "TH",
    "TD",
    "Figure",
}
INSIDE = {
    "LI": {"L"}, "Lbl": {"LI"}, "LBody": {"LI"}, "TR": {"Table"}, "TH": {"TR"}, "TD": {"TR"},
}  # fmt: skip


def printed(*command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def told(path):
    """Return what poppler reads: (depth, kind or None, text) from the top."""
    lines = []
    for line in printed(PDFINFO, "-struct-text", path).splitlines():
        bare = line.strip()
        depth = (len(line) - len(line.lstrip())) // 2
        if bare.startswith('"'):
            lines.append((depth, None, bare[1:-1]))
        elif not bare.startswith("/"):
            lines.append((depth, bare.rstrip(":").removesuffix(" (block)"), ""))
    return lines


@pytest.fixture(scope="module", params=["write_crew", "write_owner", "write_office"])
def paper(request, tmp_path_factory):
    """Plan and file."""
    plan = make_plan("us")
    path = tmp_path_factory.mktemp("tags") / "paper.pdf"
    return plan, getattr(sheets, request.param)(plan, path)


@pytest.fixture(scope="module")
def heard(paper):
    """Return what poppler reads of the file."""
    return told(paper[1])


@poppler
@pytest.mark.cross_check("poppler's reading of the tags against its reading of the pages")
def test_all_that_a_page_prints_is_read_aloud_but_for_lines_and_the_foot(paper, heard):
    plan, path = paper
    pages = len(pypdf.PdfReader(path).pages)
    letters = Counter("".join(printed(TEXT, "-raw", path, "-").split()))
    read = Counter("".join("".join(text for *_, text in heard).split()))
    caution = str(dig_caution(plan.settings.country))
    feet = Counter("".join(caution.split()) * (pages - 1) + "".join(plan.site.name.split()) * pages)
    for number in range(1, pages + 1):
        feet += Counter(f"page{number}of{pages}")
    assert letters - read == feet
    assert not read - letters


@poppler
def test_tags_stand_where_the_standard_lets_them_and_tables_are_regular(paper, heard):
    _, path = paper
    assert re.search(r"^Tagged: +yes$", printed(PDFINFO, path), re.MULTILINE)
    above, rows = [], []
    for depth, kind, _ in heard:
        if kind is None:
            continue
        above[depth:] = [kind]
        assert kind in KINDS
        if kind in INSIDE:
            assert above[depth - 1] in INSIDE[kind], above
        if kind == "Table":
            rows.append([])
        elif kind == "TR":
            rows[-1].append(0)
        elif kind in {"TH", "TD"}:
            rows[-1][-1] += 1
    assert rows
    assert all(len(set(table)) == 1 for table in rows), rows
    heads = [kind for _, kind, _ in heard if kind in {"H1", "H2"}]
    assert heads[0] == "H1"


@poppler
@pytest.mark.parametrize("paper", ["write_crew"], indirect=True)
def test_the_crew_hears_the_ties_row_by_row_after_the_picture(heard):
    words = [text for *_, text in heard if text]
    at = words.index("Tie")
    assert words[at : at + 6] == ["Tie", "Tape", "From", "It lies to the", "Use", "Error"]
    assert words[at + 6] == "Tie 1"
    assert words.index("S1: zone A, valve 1") < at < words.index("S1: worksheet")
    # A line's last word and the next line's first stay two words.
    wait = next(text for text in words if text.startswith("Soak the place"))
    assert "then keep the zone off." in wait


def tags_of(reader):
    """Return every structure element, in reading order."""
    found, open_ = [], [reader.trailer["/Root"]["/StructTreeRoot"]["/K"][0]]
    while open_:
        tag = open_.pop(0).get_object()
        if isinstance(tag, dict) and "/S" in tag:
            found.append(tag)
            kids = tag["/K"]
            open_ = [*(kids if isinstance(kids, list) else [kids]), *open_]
    return found


def test_pictures_are_said_in_the_crews_language_and_other_languages_are_marked(tmp_path):
    plan = make_plan("metric")
    plan = replace(plan, settings=replace(plan.settings, language="es"))
    reader = pypdf.PdfReader(sheets.write_sheets(plan, tmp_path / "a.pdf"))
    root, tags = reader.trailer["/Root"], tags_of(reader)
    assert root["/Lang"] == "es"
    assert bool(root["/MarkInfo"]["/Marked"])
    pictures = [tag for tag in tags if tag["/S"] == "/Figure"]
    said = [tag["/Alt"] for tag in pictures if "/Lang" not in tag]
    assert said[0].startswith("Plano de la propiedad con los sensores S1, S2")
    assert sum(words.startswith("Plano del terreno alrededor de") for words in said) == 2
    assert all(tag["/Alt"] for tag in pictures)
    assert {tag.get("/Lang") for tag in tags[1:]} == {None, "en"}


def test_every_mark_of_a_page_leads_to_its_tag(paper):
    _, path = paper
    reader = pypdf.PdfReader(path)
    tree = reader.trailer["/Root"]["/StructTreeRoot"]["/ParentTree"]["/Nums"]
    for number, page in enumerate(reader.pages):
        assert page["/StructParents"] == tree[2 * number] == number
        content = page.get_contents().get_data().decode("latin-1")
        kinds = re.findall(r"^/(\w+) <</MCID (\d+)>> BDC$", content, re.MULTILINE)
        assert [int(mark) for _, mark in kinds] == list(range(len(kinds)))
        owners = [tag.get_object()["/S"].lstrip("/") for tag in tree[2 * number + 1]]
        assert owners == [kind for kind, _ in kinds]
        begun = len(re.findall(r" B[DM]C$", content, re.MULTILINE))
        assert begun == len(re.findall(r"^EMC$", content, re.MULTILINE))


def test_a_table_over_two_pages_is_one_and_its_head_is_read_once(tmp_path):
    rows = [(str(k), "word " * 3) for k in range(120)]

    def story(plan, sheet, width, height):
        del plan, height
        return [sheet.grid(("Number", "Words"), rows, (1, 3), width=width, words=(0, 1))]

    path = tmp_path / "a.pdf"
    sheets._write(make_plan(), path, story, say("crew sheets"), Sheet(language("en")))
    reader = pypdf.PdfReader(path)
    assert len(reader.pages) > 2
    kinds = Counter(tag["/S"] for tag in tags_of(reader))
    assert kinds == {"/Document": 1, "/Table": 1, "/TR": 121, "/TH": 2, "/TD": 240, "/P": 1}


def test_a_name_that_is_drawn_otherwise_is_read_as_it_is_written(tmp_path):
    plan = make_plan()
    name = "bed \u05d0\u05d1 \u524d\u9662"
    plan = replace(plan, site=replace(plan.site, name=name))
    reader = pypdf.PdfReader(sheets.write_owner(plan, tmp_path / "a.pdf"))
    head = next(tag for tag in tags_of(reader) if tag["/S"] == "/H1")
    assert head["/ActualText"] == clean(name)
