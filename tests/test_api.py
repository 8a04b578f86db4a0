"""`import siting`: its public names, and that nothing heavy comes along."""

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import siting

HEAVY = ("numpy", "pandas", "geopandas", "shapely", "scipy", "rasterio", "matplotlib", "click")


def printed(code):
    """What a fresh interpreter prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_every_public_name_is_there_and_documented():
    for name in siting.__all__:
        value = getattr(siting, name)
        assert value.__doc__, name
        assert name in dir(siting)
    assert 10 <= len(siting.__all__) <= 28
    assert sorted(siting.__all__) == siting.__all__


def test_type_checkers_see_the_same_names():
    stub = ast.parse(Path(siting.__file__).with_suffix(".pyi").read_text("utf-8"))
    homes = {
        alias.name: f"siting.{node.module}"
        for node in stub.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert sorted(homes) == siting.__all__
    for name, home in homes.items():
        assert getattr(importlib.import_module(home), name) is getattr(siting, name)


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="nothing"):
        _ = siting.nothing


def test_import_loads_nothing_heavy():
    code = f"import sys, siting; print([m for m in {HEAVY} if m in sys.modules])"
    assert printed(code) == "[]"


def test_what_plans_loads_nothing_that_reading_and_planning_do_not_always_need():
    late = ("numba", "scipy.special", "scipy.optimize", "scipy.ndimage", "scipy.stats",
            "rasterio", "pyogrio", "pvlib", "matplotlib", "reportlab", "folium", "babel",
            "filelock")  # fmt: skip
    code = (
        "import sys, siting; siting.plan_property; siting.plan; "
        f"print([m for m in {late} if m in sys.modules])"
    )
    assert printed(code) == "[]"


def test_a_surface_through_few_samples_loads_neither_splines_nor_solvers():
    code = (
        "import sys, numpy as np; from siting.place.rank import surface_through; "
        "x, y = np.argwhere(np.ones((4, 9))).T.astype(float); surface_through(x, y, x[None] + y); "
        "print([m for m in ('scipy.interpolate', 'scipy.optimize') if m in sys.modules])"
    )
    assert printed(code) == "[]"


def test_what_scipy_names_of_numpy_is_loaded_when_it_is_used():
    code = (
        "import sys, siting.threads, numpy as np; "
        "told = [m in sys.modules for m in ('numpy.f2py.crackfortran', 'numpy.testing._private')]; "
        "np.testing.assert_equal(1, 1); print(told, callable(np.f2py.get_include))"
    )
    assert printed(code) == "[False, False] True"


def test_map_and_sheets_are_made_without_the_figures_of_a_notebook():
    code = (
        "import sys; from siting.handoff import drawing, sheets, webmap; drawing.register_fonts(); "
        "print([m for m in ('matplotlib', 'folium') if m in sys.modules])"
    )
    assert printed(code) == "[]"


def test_star_import_and_a_plan_in_three_lines():
    code = (
        "from siting import *\n"
        "survey = survey_property(demo_property('yard'))\n"
        "print(survey.zones['need_score'].idxmax())"
    )
    assert printed(code) == "Fence cover"
