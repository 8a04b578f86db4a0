"""The desktop GIS plug-in: its zip, its runner without a GIS, and the whole of it inside one."""

import ast
import configparser
import importlib
import io
import json
import re
import shutil
import subprocess
import sys
import time
import tomllib
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from siting import __version__
from siting.cli.main import main, plugin_zip
from siting.handoff.gisfiles import graduated
from siting.palette import DRYNESS, NEED, SUN
from tests.gis.desktop import (
    ALGORITHMS,
    PROCESS,
    ROOT,
    Desktop,
    differences,
    inputs_of,
    library_python,
)
from tests.small_property import coarse_property, write_property
from tests.some import some
from tests.tries import tries

SOURCE = ROOT / "siting" / "gis"
YARD = ROOT / "data" / "yard"
needs_desktop = pytest.mark.skipif(
    PROCESS is None, reason="no qgis_process here (Debian: qgis, python3-qgis, 1.1 GB)"
)


@pytest.fixture(scope="module")
def plugin(tmp_path_factory):
    """Return the unpacked plug-in as a package, as far as it needs no GIS."""
    folder = tmp_path_factory.mktemp("plugins")
    with zipfile.ZipFile(io.BytesIO(plugin_zip())) as archive:
        archive.extractall(folder)
    sys.path.insert(0, str(folder))
    yield {name: importlib.import_module(f"siting_gis.{name}") for name in ("runner", "documents")}
    sys.path.remove(str(folder))
    for name in [name for name in sys.modules if name.startswith("siting_gis")]:
        del sys.modules[name]


# The zip


def test_zip_is_the_same_every_time_and_holds_what_a_gis_needs(tmp_path):
    for name in ("one.zip", "two.zip"):
        result = CliRunner().invoke(main, ["gis-plugin", "--out", str(tmp_path / name)])
        assert result.exit_code == 0, result.output
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.zip") as archive:
        names = archive.namelist()
        metadata = archive.read("siting_gis/metadata.txt").decode()
        licence = archive.read("siting_gis/LICENSE").decode()
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert {n.split("/")[0] for n in names} == {"siting_gis"}
    for file in ("__init__.py", "metadata.txt", "LICENSE", "icon.svg"):
        assert f"siting_gis/{file}" in names
    assert f"\nversion={__version__}\n" in metadata
    for key in ("name", "qgisMinimumVersion", "description", "about", "author", "email"):
        assert f"\n{key}=" in metadata
    # What plug-in repositories ask for; the address stands once in the repository.
    home = re.search(r"(?m)^homepage=(.*)$", (SOURCE / "metadata.txt").read_text("utf-8"))[1]
    for line in (
        f"homepage={home}", f"repository={home}", f"tracker={home}/issues",
        f"changelog={home}/blob/main/CHANGELOG.md",
    ):  # fmt: skip
        assert f"\n{line}\n" in metadata
    assert "homepage" in configparser_of(metadata)["general"]
    assert "hasProcessingProvider=yes" in metadata
    assert "GNU GENERAL PUBLIC LICENSE" in licence


def configparser_of(text):
    """Read metadata as the GIS does."""
    parser = configparser.ConfigParser()
    parser.read_string(text)
    return parser


def test_metadata_in_the_repository_has_the_same_version():
    assert f"\nversion={__version__}\n" in (SOURCE / "metadata.txt").read_text("utf-8")


def test_a_folder_that_cannot_be_written_is_a_message(tmp_path):
    (tmp_path / "file").write_text("")
    result = CliRunner().invoke(main, ["gis-plugin", "--out", str(tmp_path / "file" / "x.zip")])
    assert result.exit_code == 1
    assert "cannot write" in result.output


@pytest.mark.parametrize("path", sorted(SOURCE.glob("*.py")), ids=lambda path: path.name)
def test_plugin_is_thin(path):
    """Only the standard library, the GIS and itself; and a Python as old as the GIS's."""
    text = path.read_text("utf-8")
    assert text.startswith("# SPDX-License-Identifier: GPL-2.0-or-later\n")
    tree = ast.parse(text, feature_version=(3, 9))
    for node in ast.walk(tree):
        found = []
        if isinstance(node, ast.Import):
            found = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            found = [node.module or ""]
        for name in found:
            top = name.split(".")[0]
            assert top in sys.stdlib_module_names or top in {"qgis", "processing"}, name
            assert top != "tomllib", "younger than the oldest GIS's Python"


def test_library_never_imports_the_plugin():
    library = (path for path in (ROOT / "siting").rglob("*.py") if path.parent != SOURCE)
    for path in some(library):
        text = path.read_text("utf-8")
        assert "import siting.gis" not in text, path
        assert "from siting.gis" not in text, path
        assert "from siting import gis" not in text, path


def test_colours_are_those_of_the_hand_off():
    tree = ast.parse((SOURCE / "results.py").read_text("utf-8"))
    values = [
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "RAMPS"
    ]
    assert values == [{"dryness": DRYNESS, "sun": SUN}]


@tries(60)
@given(values=st.lists(st.floats(0.01, 99.0), min_size=1, max_size=9))
def test_every_zone_has_a_class_in_its_style(values):
    style = graduated("need_pct_d", np.array(values), label="zone", ramp=NEED, words="%")
    found = re.findall(r'<range lower="([^"]+)" upper="([^"]+)"', style)
    ranges = [(float(low), float(high)) for low, high in found]
    for value in values:
        assert any(low <= value <= high for low, high in ranges), value


# Property files

_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_SCALAR = st.one_of(
    st.booleans(), st.integers(-(2**53), 2**53), st.floats(allow_nan=False, allow_infinity=False),
    _TEXT,
)  # fmt: skip
_ANY = st.recursive(
    _SCALAR,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_TEXT, inner, max_size=3)),
    max_leaves=6,
)


@tries(60)
@given(values=st.dictionaries(_TEXT, _ANY, max_size=4))
def test_toml_comes_back_as_it_was(plugin, values):
    assert tomllib.loads(plugin["documents"].toml_text(values)) == values


def test_bundled_property_files_come_back_as_they_were(plugin):
    for path in some((ROOT / "data").glob("*/property.toml")):
        values = tomllib.loads(path.read_text("utf-8"))
        read = plugin["documents"].read_toml(sys.executable, path)
        assert read == values
        assert tomllib.loads(plugin["documents"].toml_text(read)) == values


def test_chosen_layers_replace_the_drawing_and_keep_what_columns_mean(plugin, tmp_path):
    base = {
        "name": "A",
        "layers": {
            "file": "old.gpkg",
            "aerial": "photo.tif",
            "hydrozones": {"file": "old.gpkg", "layer": "z", "columns": {"zone": "NAME"}},
        },
        "weather": {"file": "w.csv", "elevation_m": 5},
    }
    given_ = {"name": None, "units": "us", "file": None, "elevation_m": 7.0}
    kept = json.dumps(base)
    values = plugin["documents"].merged(
        base, tmp_path, package="layers.gpkg", rasters={"surface": "/s.tif"}, given=given_
    )
    assert json.dumps(base) == kept, "input changed"
    assert values["layers"] == {
        "file": "layers.gpkg",
        "aerial": str(tmp_path / "photo.tif"),
        "hydrozones": {"columns": {"zone": "NAME"}},
        "surface": "/s.tif",
    }
    assert values["weather"] == {"file": str(tmp_path / "w.csv"), "elevation_m": 7.0}
    assert (values["name"], values["units"]) == ("A", "us")
    same = plugin["documents"].merged(
        base, tmp_path, package=None, rasters={}, given=dict.fromkeys(given_)
    )
    assert same["layers"]["file"] == str(tmp_path / "old.gpkg")


# The runner


def test_wrong_python_gives_the_clear_message(plugin, tmp_path, monkeypatch):
    runner = plugin["runner"]
    monkeypatch.setenv("SITING_PYTHON", "")
    for named, why in ((str(tmp_path / "none"), "No such file"), ("/bin/echo", "not a Python")):
        with pytest.raises(runner.LibraryMissingError) as caught:
            runner.find_python(named)
        text = str(caught.value)
        told = (named, why, "pip install", "SITING_PYTHON", "python3 -m venv", "Install siting")
        for words in told:
            assert words in text, text


def test_environment_variable_wins_over_the_setting(plugin, tmp_path, monkeypatch):
    program = library_python(tmp_path)
    monkeypatch.setenv("SITING_PYTHON", str(program))
    assert plugin["runner"].find_python("/nowhere") == (
        str(program),
        f"siting, version {__version__}",
    )


def test_what_the_gis_sets_for_itself_does_not_reach_the_library(plugin):
    clean = plugin["runner"].clean_environment({"PYTHONHOME": "x", "PROJ_LIB": "y", "PATH": "z"})
    assert "PYTHONHOME" not in clean
    assert "PROJ_LIB" not in clean
    assert clean["PATH"] == "z"
    assert clean["SITING_PROGRESS"] == "lines"


def _run(plugin, code, *, cancelled=lambda: False):
    said, steps = [], []
    output = plugin["runner"].run(
        [sys.executable, "-c", code],
        say=said.append,
        progress=lambda *step: steps.append(step),
        cancelled=cancelled,
    )
    return output, said, steps


def test_output_progress_and_words_are_told_apart(plugin):
    code = (
        "import sys; print('{\"é\": 1}'); "
        "print('progress\\tSun\\t2\\t8', 'note: low', sep='\\n', file=sys.stderr)"
    )
    assert _run(plugin, code) == ('{"é": 1}', ["note: low"], [("Sun", 2, 8)])


def test_an_error_is_what_the_command_said(plugin):
    with pytest.raises(plugin["runner"].RunFailedError, match="1 fault in the input"):
        _run(plugin, "import sys; sys.exit('siting: 1 fault in the input')")


def test_much_output_does_not_block(plugin):
    code = "import sys; print('x' * 3_000_000); print('y' * 3_000_000, file=sys.stderr)"
    output, said, _ = _run(plugin, code)
    assert len(output) == len(said[0]) == 3_000_000


def test_cancel_ends_the_command_and_what_it_started(plugin, tmp_path):
    mark = tmp_path / "pid"
    code = (
        "import subprocess, sys, time, pathlib; "
        "p = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)']); "
        f"pathlib.Path({str(mark)!r}).write_text(str(p.pid)); time.sleep(60)"
    )

    def started():
        return mark.exists() and bool(mark.read_text())

    with pytest.raises(plugin["runner"].RunFailedError, match="Cancelled"):
        _run(plugin, code, cancelled=started)
    for _ in range(50):
        state = Path(f"/proc/{mark.read_text()}/stat")
        if not state.exists() or state.read_text().split(")")[1].split()[0] == "Z":
            return
        time.sleep(0.1)
    pytest.fail("a process is left")


# Installing


_BASE = """#!/bin/sh
case "$*" in
  "-c "*) echo "3 12 True True True";;
  "-m venv "*) mkdir -p "$3/bin"; cp "{own}" "$3/bin/python";;
esac
"""
_OWN = """#!/bin/sh
case "$*" in
  *"pip install"*"siting==9"*) echo "ERROR: No matching distribution found for siting==9"; exit 1;;
  *"pip install"*) echo "Collecting siting"; echo "Successfully installed siting";;
  *"--version") echo "siting, version 7.0";;
esac
"""


@pytest.fixture
def make_environment(plugin, tmp_path):
    """Install with programs that stand in for Python and pip: what, and from which wheels."""
    for name, text in (("base", _BASE), ("own", _OWN)):
        (tmp_path / name).write_text(text.format(own=tmp_path / "own"))
        (tmp_path / name).chmod(0o755)
    said, stages = [], []

    def install(package, *, wheels="", base=tmp_path / "base", cancelled=lambda: False):
        return plugin["runner"].install(
            tmp_path / "home", base=str(base), package=package, wheels=wheels, say=said.append,
            progress=lambda *step: stages.append(step), cancelled=cancelled,
        )  # fmt: skip

    return install, said, stages


needs_shell = pytest.mark.skipif(sys.platform == "win32", reason="its stand-ins are shell scripts")


@needs_shell
def test_install_makes_an_environment_that_is_then_found(
    plugin, make_environment, tmp_path, monkeypatch
):
    install, said, stages = make_environment
    assert install("siting") == "siting, version 7.0"
    assert "Collecting siting" in said
    assert [stage for stage, *_ in stages] == [
        "Making the environment", "Installing siting and what it needs", "Trying it", "Done",
    ]  # fmt: skip
    monkeypatch.setenv("SITING_PYTHON", "")
    own = str(tmp_path / "home" / "bin" / "python")
    assert plugin["runner"].find_python("", own) == (own, "siting, version 7.0")
    # Again: it is brought up to date, not made anew.
    stages.clear()
    install("siting", wheels="/wheels")
    assert stages[0][0] == "Installing siting and what it needs"


@needs_shell
@pytest.mark.parametrize(("wheels", "hint"), [("", "no network, or a proxy"), ("/w", "must hold")])
def test_install_says_why_it_failed_and_leaves_nothing(
    plugin, make_environment, tmp_path, wheels, hint
):
    install, *_ = make_environment
    with pytest.raises(plugin["runner"].RunFailedError) as caught:
        install("siting==9", wheels=wheels)
    text = str(caught.value)
    for words in ("No matching distribution", hint, "pip download", "was removed"):
        assert words in text
    assert not (tmp_path / "home").exists()


@needs_shell
def test_install_leaves_a_folder_of_the_users_alone(plugin, make_environment, tmp_path):
    install, *_ = make_environment
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "mine.txt").write_text("mine")
    with pytest.raises(plugin["runner"].RunFailedError, match="may be yours"):
        install("siting==9")
    assert (tmp_path / "home" / "mine.txt").read_text() == "mine"


@needs_shell
def test_install_without_a_python_that_is_new_enough_says_so(plugin, make_environment, tmp_path):
    install, *_ = make_environment
    (tmp_path / "old").write_text("#!/bin/sh\necho 3 9 True True True\n")
    (tmp_path / "old").chmod(0o755)
    with pytest.raises(
        plugin["runner"].RunFailedError, match=r"3\.11 or newer[^(]*\S+ \(it is 3\.9"
    ):
        install("siting", base=tmp_path / "old")
    with pytest.raises(plugin["runner"].RunFailedError, match="Cancelled; nothing was installed"):
        install("siting", cancelled=lambda: True)
    assert not (tmp_path / "home").exists()


# Inside the GIS


@pytest.fixture(scope="module")
def desktop(tmp_path_factory):
    home = tmp_path_factory.mktemp("desktop")
    (home / "plugin.zip").write_bytes(plugin_zip())
    made = Desktop(home / "gis", home / "plugin.zip", python=str(library_python(home)))
    made.enable()
    return made


@needs_desktop
@pytest.mark.desktop
def test_algorithms_are_listed(desktop):
    listed = desktop.process("list").stdout
    assert [step for step in ALGORITHMS if f"siting:{step}" not in listed] == []


@needs_desktop
@pytest.mark.desktop
def test_check_lists_faults_and_passes_a_sound_property(desktop, tmp_path):
    write_property(tmp_path / "good")
    results, said = desktop.run("check", inputs_of(tmp_path / "good", "layers.gpkg"))
    assert results["SOUND"], said
    assert "3 hydrozones" in results["ANSWER"]
    zones = gpd.read_file(tmp_path / "good" / "layers.gpkg", layer="hydrozones")
    zones["plants"] = ["schrubs", "shrubs", "tundra"]
    zones.to_file(tmp_path / "good" / "layers.gpkg", layer="hydrozones")
    results, said = desktop.run("check", inputs_of(tmp_path / "good", "layers.gpkg"))
    assert not results["SOUND"], said
    assert "schrubs" in results["ANSWER"]
    assert "tundra" in results["ANSWER"]


@needs_desktop
@pytest.mark.desktop
def test_plan_is_the_command_lines(desktop, tmp_path):
    inputs = inputs_of(YARD, "yard.gpkg")
    results, said = desktop.run("plan", {**inputs, "OUTPUT": str(tmp_path / "gis")})
    assert results.get("COUNT"), said
    run = CliRunner().invoke(main, ["plan", str(YARD), "--out", str(tmp_path / "cli")])
    assert run.exit_code == 0, run.output
    assert differences(tmp_path / "gis", tmp_path / "cli") == []
    # What was written for the run is a property of its own, for the command line too.
    again = CliRunner().invoke(main, ["check", str(tmp_path / "gis" / "property")])
    assert again.exit_code == 0, again.output


@needs_desktop
@pytest.mark.desktop
@pytest.mark.parametrize("step", ["sun", "score", "handoff"])
def test_other_steps_write_their_files(desktop, tmp_path, step):
    property_file = coarse_property(tmp_path / "ground")
    options = {"PROPERTY": str(property_file), "OUTPUT": str(tmp_path / "out")}
    results, said = desktop.run(step, options)
    assert results, said
    for name, value in results.items():
        if name not in {"ANSWER", "WARNINGS", "FILES", "COUNT"}:
            for path in value if isinstance(value, list) else [value]:
                assert Path(path.split("|")[0]).exists(), name


@needs_desktop
@pytest.mark.desktop
def test_commission_says_what_is_wrong_with_a_plan(desktop, tmp_path):
    (tmp_path / "plan.json").write_text("{}")
    (tmp_path / "readings.csv").write_text("sensor_id,time,reading\n")
    options = {
        "PLAN": str(tmp_path / "plan.json"), "READINGS": [str(tmp_path / "readings.csv")],
        "OUTPUT": str(tmp_path / "out"),
    }  # fmt: skip
    results, said = desktop.run("commission", options)
    assert results == {}, "an empty plan cannot be commissioned"
    assert "the property file that was planned" in said
    assert "Traceback" not in said


def in_the_gis(desktop, *words):
    """Run `loading.py` in the GIS's own Python, and return what it prints."""
    python = shutil.which("python3", path="/usr/bin")
    if python is None:
        pytest.skip("no Python of the system, which the GIS belongs to")
    script = ROOT / "tests" / "gis" / "loading.py"
    done = subprocess.run(
        [python, script, next(desktop.home.rglob("plugins")), *map(str, words)],
        env=desktop.environment | {"PYTHONPATH": ""}, capture_output=True, text=True,
        timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


@needs_desktop
@pytest.mark.desktop
def test_every_algorithm_and_every_input_explains_itself(desktop):
    told = in_the_gis(desktop, "describe", "no")
    assert set(told) == set(ALGORITHMS)
    groups = {one["id"]: one["group"] for one in told.values()}
    assert len(set(groups.values())) == len(groups) == 5
    for name, one in told.items():
        assert not re.match(r"\d", one["title"]), name
        assert all((one["brief"], one["tags"], one["group"], one["id"])), name
        assert one["address"].startswith("https://"), name
        for parameter, says in one["inputs"].items():
            assert len(says) > 20, (name, parameter)
            assert says.split(".")[0].replace("'", "&#x27;")[:20] in one["help"].replace(
                "'", "&#x27;"
            ), (name, parameter)


@needs_desktop
@pytest.mark.desktop
def test_shapes_that_siting_repairs_and_layers_without_crs_are_told_by_siting(desktop, tmp_path):
    write_property(tmp_path / "ground")
    inputs = inputs_of(tmp_path / "ground", "layers.gpkg")
    zones = gpd.read_file(tmp_path / "ground" / "layers.gpkg", layer="hydrozones")
    x, low, east, high = zones.geometry.iloc[0].bounds
    mid = (low + high) / 2
    # The western edge crosses itself, as a slip of the mouse makes it.
    slip = [(x + 0.5, mid + 0.5), (x - 0.5, mid - 0.5), (x - 0.5, mid + 0.5), (x + 0.5, mid - 0.5)]
    zones.loc[0, "geometry"] = shapely.Polygon(
        [(x, low), (east, low), (east, high), (x, high), *slip]
    )
    assert not zones.geometry.iloc[0].is_valid
    zones.to_file(tmp_path / "crossed.gpkg")
    results, said = desktop.run("check", inputs | {"HYDROZONES": str(tmp_path / "crossed.gpkg")})
    assert results["SOUND"], said
    assert "repaired" in said
    zones[["zone", "plants", "geometry"]].to_file(tmp_path / "lost.shp")
    (tmp_path / "lost.prj").unlink()
    results, said = desktop.run("check", inputs | {"HYDROZONES": str(tmp_path / "lost.shp")})
    assert not results["SOUND"], said
    assert "no coordinate reference system" in results["ANSWER"]
    assert "Set Layer CRS" in results["ANSWER"]
    assert "km away" not in said
    results, said = desktop.run("check", {})
    assert results == {}
    assert "Choose a property file" in said


@needs_desktop
@pytest.mark.desktop
def test_wrong_python_in_the_settings_gives_the_clear_message(tmp_path):
    (tmp_path / "plugin.zip").write_bytes(plugin_zip())
    bare = Desktop(tmp_path / "gis", tmp_path / "plugin.zip", python="")
    bare.enable()
    ini = next((tmp_path / "gis").rglob("QGIS3.ini"))
    ini.write_text(
        ini.read_text() + "\n[Processing]\nConfiguration\\SITING_PYTHON=/no/such/python\n"
    )
    property_file = write_property(tmp_path / "ground")
    results, said = bare.run("check", {"PROPERTY": str(property_file)})
    assert results == {}
    assert "The siting library was not found" in said
    assert "/no/such/python" in said
    assert "pip install" in said
    assert "Traceback" not in said


@needs_desktop
@pytest.mark.desktop
def test_a_new_property_is_added_grouped_ordered_with_forms_and_snapping(desktop, tmp_path):
    answer = in_the_gis(
        desktop, "new", "no", "UNITS=0", "CRS=EPSG:32613", f"OUTPUT={tmp_path / 'hill-yard'}"
    )
    assert answer["error"] == ""
    [(group, layers)] = answer["groups"].items()
    assert group == "hill-yard"
    # What is drawn over other things lies above them; the property line lies under all but soil.
    assert layers == [
        "Heads, valve boxes, controllers, downspouts", "Catch cans", "Trees",
        "Walls, fences and hedges", "Trodden paths", "Pipes and cables in the ground", "Buildings",
        "Paving", "Hydrozones", "Property line", "Soil map",
    ]  # fmt: skip
    assert all(valid for _, _, valid, _ in answer["layers"].values())
    hidden = {name for name, (*_, shown) in answer["layers"].items() if not shown}
    assert hidden == {"Catch cans", "Soil map"}
    assert answer["snapping"] == [True, 12, True]
    assert answer["forms"] == {"Hydrozones": "ValueMap"}
    columns = pyogrio.read_info(tmp_path / "hill-yard" / "property.gpkg", layer="buildings")
    assert "height_ft" in columns["fields"]
    assert columns["crs"] == "EPSG:32613"
    # A folder that holds a property is left as it is, and that is said.
    again, said = desktop.run(
        "new", {"OUTPUT": str(tmp_path / "hill-yard"), "UNITS": 0, "CRS": "EPSG:32613"}
    )
    assert again == {}
    assert "nothing was overwritten" in said


@needs_desktop
@pytest.mark.desktop
@pytest.mark.parametrize("cancel", ["no", "cancel"])
def test_results_are_loaded_styled_and_cancel_passes_through(desktop, tmp_path, cancel):
    answer = in_the_gis(
        desktop, "plan", cancel, f"PROPERTY={YARD / 'property.toml'}", f"OUTPUT={tmp_path / 'out'}"
    )
    assert "Reading" in answer["stages"]
    if cancel == "cancel":
        assert answer["error"].startswith("Cancelled")
        assert [path.name for path in (tmp_path / "out").iterdir()] == ["property"]
        return
    assert answer["error"] == ""
    assert answer["progress"][1] == 100
    styles = {name: kind for name, (kind, _, valid, _) in answer["layers"].items() if valid}
    assert styles["Hydrozones by water need"] == "graduatedSymbol"
    assert styles["Trenches and wires"] == "categorizedSymbol"
    assert styles["Dryness (1 is the mean)"] == "singlebandpseudocolor"
    assert answer["layers"]["Sensors"][1], "sensors carry their tags"
    # Sensors above ties above trenches, boundary and buildings beneath, in a group of their own.
    [(group, layers)] = answer["groups"].items()
    assert group == "Sensor plan: out"
    assert layers == [
        "Sensors", "Reserve points", "Tape ties", "Trenches and wires", "Keep-out ground",
        "Admissible ground", "Buildings", "Hydrozones by water need", "Property line",
        "Dryness (1 is the mean)",
    ]  # fmt: skip
    assert len(styles) == len(layers)
    assert "Depth [m]" in answer["titles"]["Sensors"]
    assert "Need score [%/d]" in answer["titles"]["Hydrozones by water need"]
    hidden = {name for name, (*_, shown) in answer["layers"].items() if not shown}
    assert hidden == {"Keep-out ground", "Admissible ground", "Dryness (1 is the mean)"}


@needs_desktop
@pytest.mark.desktop
def test_commission_takes_the_filled_workbook_of_its_own_plan(desktop, tmp_path):
    property_file = coarse_property(tmp_path / "ground")
    out = tmp_path / "out"
    results, said = desktop.run("plan", {"PROPERTY": str(property_file), "OUTPUT": str(out)})
    assert results, said
    sheet = tmp_path / "filled.xlsx"
    book = openpyxl.load_workbook(out / "readings.xlsx")
    page = book["sensors"]
    heads = {cell.value: cell.column for cell in page[1]}
    filled = {
        "buried_on": "2026-05-01", "soaked_at": "2026-05-01 07:00",
        "reading_1_at": "2026-05-03 08:00", "reading_1": 23.0, "threshold_set": 20.5,
        "depth_mm": 80,
    }  # fmt: skip
    for column, value in filled.items():
        page.cell(2, heads[column], value)
    book.save(sheet)
    options = {"PLAN": str(out / "plan.json"), "READINGS": [str(sheet)], "OUTPUT": str(out)}
    results, said = desktop.run("commission", options)
    assert results, said
    assert "fits" in results["ANSWER"], said
    assert (out / "history").is_dir()
    assert Path(results["SENSORS"].split("|")[0]).exists()
    assert Path(results["REPORT"]).name == "commissioning.txt"
