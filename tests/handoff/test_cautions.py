"""The cautions name what can hurt someone, each with its source."""

import subprocess
import sys

import pytest

from siting.planning.cautions import CAUTIONS, DIG_CAUTION, cautions_for


@pytest.mark.practice("811, 2-3 business days; tolerance zone 18-24 in; private lines unmarked")
@pytest.mark.parametrize(
    "words",
    [
        ("811", "2-3 business days"),
        ("local one-call",),
        ("Private lines are not marked",),
        ("18-24 in", "by hand"),
        ("Class 2", "30 V", "local electrical code"),
        ("licensed electrician",),
        ("Cross-connection", "backflow"),
        ("reclaimed water", "purple"),
        ("roots", "dig by hand"),
        ("watering rules", "permitted days"),
        ("licensed practitioner", "design"),
    ],
)
def test_each_danger_has_one_text_that_names_it(words):
    texts = cautions_for()
    assert any(all(word in text for word in words) for text in texts), words


@pytest.mark.published("NFPA 70, Table 300.5 column 5: 6 in cover, irrigation circuits <= 30 V")
def test_cover_of_irrigation_circuits():
    (low_voltage,) = [caution for caution in CAUTIONS if caution.key == "low_voltage"]
    assert "6 in under the US code" in low_voltage.text
    assert "Table 300.5" in low_voltage.source


def test_every_caution_has_a_source_and_its_own_key():
    everything = CAUTIONS
    assert all(len(caution.source) > 10 for caution in everything)
    assert len({caution.key for caution in everything}) == len(everything)
    assert len({caution.text for caution in everything}) == len(everything)


def test_foot_line_fits_a_sheet():
    assert len(DIG_CAUTION) < 190
    assert "811" in DIG_CAUTION
    assert "Hand-dig" in DIG_CAUTION


def test_no_heavy_imports():
    heavy = "{'numpy', 'pandas', 'shapely'}"
    code = f"import sys, siting.planning.cautions; print({heavy} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
