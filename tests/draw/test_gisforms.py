"""Forms of a new property's layers: well made, and in the real desktop GIS."""

import json
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner

from siting.cli.main import main
from siting.draw.forms import form
from siting.site.property import read_property
from siting.site.reading import read_site
from siting.site.settings import FIXTURES, PLANTS, VECTOR_LAYERS

#: The Python that has the GIS, where there is one.
SYSTEM = "/usr/bin/python3"
HERE = Path(__file__).parent


def has_gis():
    if shutil.which("qgis_process") is None:
        return False
    found = subprocess.run([SYSTEM, "-c", "import qgis.core"], capture_output=True, check=False)
    return found.returncode == 0


def new(folder, units):
    made = CliRunner().invoke(main, ["new", str(folder), "--units", units, "--crs", "EPSG:32613"])
    assert made.exit_code == 0, made.output
    return folder / "property.gpkg"


@pytest.mark.parametrize("layer", VECTOR_LAYERS)
def test_every_form_is_sound_xml(layer):
    from siting.site.columns import COLUMNS

    headers = [column.name for column in COLUMNS[layer]]
    root = ET.fromstring(form(layer, headers).split(">", 1)[1])  # noqa: S314 - ours
    assert [field.get("name") for field in root.iter("field")] == headers
    assert len(list(root.iter("alias"))) == len(headers)


def test_the_package_is_the_same_every_time_and_holds_no_other_layer(tmp_path):
    one, two = new(tmp_path / "a", "us"), new(tmp_path / "b", "us")
    assert one.read_bytes() == two.read_bytes()


@pytest.mark.desktop
@pytest.mark.skipif(not has_gis(), reason="no desktop GIS here (Debian: qgis, python3-qgis)")
@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_gis_offers_the_words_and_what_is_drawn_is_accepted(tmp_path, units):
    package = new(tmp_path / "yard", units)
    run = subprocess.run(
        [SYSTEM, HERE / "in_the_gis.py", package], capture_output=True, text=True, check=True,
        env={"QT_QPA_PLATFORM": "offscreen", "HOME": str(tmp_path), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    found = json.loads(run.stdout.splitlines()[-1])
    zones = found["hydrozones"]
    assert set(zones["words"]["plants"].values()) == set(PLANTS)
    assert zones["words"]["plants"]["Shrubs"] == "shrubs"
    assert zones["aliases"]["plants"] == "What grows here?"
    assert set(found["fixtures"]["words"]["kind"].values()) == set(FIXTURES)
    height = "height_ft" if units == "us" else "height"
    assert found["buildings"]["widgets"][height] == "Range"
    assert found["buildings"]["defaults"]["levels"] == "1"
    assert float(found["walls"]["defaults"][height]) == pytest.approx(
        1.8 / 0.3048 if units == "us" else 1.8, rel=1e-3)  # fmt: skip
    assert all(layer["kept"] for layer in found.values())
    text = (tmp_path / "yard" / "property.toml").read_text()
    assert "weather.csv" in text
    site = read_site(read_property(tmp_path / "yard"))
    assert site.hydrozones.loc["Lawn", "plants"] == "cool_season_turf"
    assert site.buildings["height"].tolist() == [3]
    assert site.walls["height"].tolist() == pytest.approx([1.8], rel=1e-3)
    assert site.fixtures["kind"].tolist() == ["controller"]
