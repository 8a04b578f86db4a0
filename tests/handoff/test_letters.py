"""Names of every script on paper: printed, joined and in order, or in words; never an empty box."""

import unicodedata
from dataclasses import replace

import pypdf
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from siting.handoff.drawing import (
    joined,
    lacks_letters,
    printable,
    register_fonts,
    visual,
    width_of,
)
from siting.handoff.sheets import write_crew
from tests.plan_factory import make_plan

ARABIC = "حديقة البيت 2"
HEBREW = "גן (עליון)"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("前院草坪", "(4 Chinese letters)"),
        ("앞마당", "apmadang"),
        ("にわ", "niwa"),
        ("สนามหญ้า", "(7 Thai letters)"),
        ("Back 🌳🌳 lawn", "Back (2 × deciduous tree) lawn"),
        ("🏡", "(house with garden)"),
        ("👩‍🌾 bed", "(woman)(ear of rice) bed"),
        ("Größe Ł Ж Ω", "Größe Ł Ж Ω"),
        ("lawn前", "lawn (1 Chinese letter)"),
    ],
)
def test_what_the_typeface_lacks_stands_in_words(name, told):
    shown = printable(name)
    assert "".join(shown.split()) == "".join(told.split())
    assert lacks_letters(name) == (name != told)


@example("0 \x1b")  # what is left out leaves no blank at the end
@given(st.text(st.characters(), max_size=40))
def test_no_text_is_printed_with_a_letter_that_the_typeface_lacks(text):
    known = register_fonts()
    shown = printable(text)
    assert all(ord(c) in known for c in visual(shown))
    assert printable(shown) == shown
    assert sorted(visual(shown).translate(str.maketrans("()[]{}<>«»‹›", "(([[{{<<««‹‹"))) == sorted(
        shown.translate(str.maketrans("()[]{}<>«»‹›", "(([[{{<<««‹‹"))
    )
    assert width_of(shown, 9) >= 0


def test_arabic_letters_join_as_the_standard_says():
    """Unicode Standard, 9.2: beh between behs is medial, alef joins only what comes before it.

    Each joined letter must decompose to what was written.
    """
    shown = joined("ببب با لا")
    forms = [unicodedata.decomposition(c).split(" ")[0] for c in shown if c != " "]
    assert forms == ["<initial>", "<medial>", "<final>", "<initial>", "<final>", "<isolated>"]
    assert unicodedata.normalize("NFKC", joined(ARABIC)) == ARABIC
    assert joined(joined(ARABIC)) == joined(ARABIC)


@pytest.mark.parametrize(
    ("logical", "drawn"),
    [
        ("plain", "plain"),
        ("אבג", "גבא"),
        ("bed אב גד end", "bed דג בא end"),
        ("אב 12", "12 בא"),
        ("1 אב", "1 בא"),
        ("(אב)", "(בא)"),
        ("אב (גד)", "(דג) בא"),
        ("אב (x) גד", "בא (x) דג"),
        ("א (ב) ג", "ג (ב) א"),
        ("אב, x", "בא, x"),
    ],
)
def test_order_follows_the_bidirectional_algorithm(logical, drawn):
    """Unicode Standard Annex 9, a line from the left, by hand (rules W7, N0, N1, N2, I1, L2)."""
    assert visual(logical) == drawn


def test_a_property_named_in_many_scripts_is_printed(tmp_path):
    plan = make_plan()
    names = dict(zip(plan.zones.index, ("前院草坪", ARABIC, "สนามหญ้า", HEBREW), strict=True))
    site = replace(plan.site, name=f"My 🏡 {HEBREW}")
    zones = plan.zones.rename(index=names)
    sensors = plan.sensors.copy()
    sensors["zone"] = sensors["zone"].map(names)
    sensors["governs"] = [tuple(names[z] for z in governed) for governed in sensors["governs"]]
    plan = replace(plan, site=site, zones=zones, sensors=sensors)
    reader = pypdf.PdfReader(write_crew(plan, tmp_path / "crew.pdf"))
    told = [" ".join(page.extract_text().split()) for page in reader.pages]
    assert told[0].startswith("My (house with garden) ")
    assert all(letter in told[0] for letter in HEBREW)
    assert "stand in words" in told[0]
    assert "S1: zone (4 Chinese letters), valve 1" in told[1]
    assert "□" not in "".join(told)
    assert all(letter in "".join(told) for letter in joined(ARABIC))
