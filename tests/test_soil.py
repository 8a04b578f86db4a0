"""Soil: texture triangle, hydraulic values, intake."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from siting.errors import InputError
from siting.site.vocabulary import SOILS
from siting.water.soil import (
    SOIL_CLASSES,
    saxton_rawls,
    surface_accumulation,
    texture_class,
)

DATA = Path(__file__).parent / "data"


def table(name):
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.published("Soil Survey Manual / Benham et al. 2009: 28 points of the texture triangle")
def test_texture_triangle_points():
    rows = table("usda_texture_triangle_points.csv")
    assert len(rows) == 28
    found = [texture_class(float(row["sand"]), float(row["clay"])) for row in rows]
    assert found == [row["class"] for row in rows]


def printed_classes(sand, silt, clay):
    """Every class whose printed limits a point meets, written down independently."""
    limits = {
        "sand": silt + 1.5 * clay < 15,
        "loamy sand": silt + 1.5 * clay >= 15 and silt + 2 * clay < 30,
        "sandy loam": (7 <= clay < 20 and sand > 52 and silt + 2 * clay >= 30)
        or (clay < 7 and silt < 50 and silt + 2 * clay >= 30),
        "loam": 7 <= clay < 27 and 28 <= silt < 50 and sand <= 52,
        "silt loam": (silt >= 50 and 12 <= clay < 27) or (50 <= silt < 80 and clay < 12),
        "silt": silt >= 80 and clay < 12,
        "sandy clay loam": 20 <= clay < 35 and silt < 28 and sand > 45,
        "clay loam": 27 <= clay < 40 and 20 < sand <= 45,
        "silty clay loam": 27 <= clay < 40 and sand <= 20,
        "sandy clay": clay >= 35 and sand > 45,
        "silty clay": clay >= 40 and silt >= 40,
        "clay": clay >= 40 and sand <= 45 and silt < 40,
    }
    return [name for name, inside in limits.items() if inside]


@pytest.mark.published(
    "Soil Survey Manual: the twelve classes tile the triangle, no gap, no overlap"
)
def test_triangle_has_no_gap():
    for sand in range(101):
        for clay in range(101 - sand):
            assert printed_classes(sand, 100 - sand - clay, clay) == [texture_class(sand, clay)]


@pytest.mark.parametrize(("sand", "clay"), [(-1, 10), (60, 50), (np.nan, 10), (10, 101)])
def test_shares_that_are_none_are_refused(sand, clay):
    with pytest.raises(InputError, match="at most 100"):
        texture_class(sand, clay)


@pytest.mark.published("FAO-56 Table 19: FC, WP and FC - WP of nine textures")
def test_defaults_lie_in_table_19():
    rows = table("fao56_table19.csv")
    assert len(rows) == 9
    for row in rows:
        soil = SOIL_CLASSES[row["texture"].replace("silt clay", "silty clay")]
        held = soil.field_capacity - soil.wilting_point
        for value, key in ((soil.field_capacity, "FC"), (soil.wilting_point, "WP"), (held, "AW")):
            assert float(row[f"{key}_lo"]) <= value <= float(row[f"{key}_hi"])


@pytest.mark.published("Saxton & Rawls 2006: S = C = 0.20, OM 2.5 %: .1365448, .3208775, .4821250")
def test_saxton_rawls_golden_point():
    water = saxton_rawls(20.0, 20.0, organic_matter=2.5)
    found = [float(water.wilting_point), float(water.field_capacity), float(water.saturation)]
    np.testing.assert_allclose(found, [0.1365448, 0.3208775, 0.4821250], atol=1e-6)


@pytest.mark.published("Saxton & Rawls 2006, Table 3: the twelve classes")
def test_saxton_rawls_classes():
    rows = table("saxton_rawls_2006_classes.csv")
    assert len(rows) == 12
    sand = [float(row["sand_pct"]) for row in rows]
    clay = [float(row["clay_pct"]) for row in rows]
    water = saxton_rawls(sand, clay)
    for values, key, tolerance in (
        (water.wilting_point, "pub_WP", 0.006),
        (water.field_capacity, "pub_FC", 0.006),
        (water.saturation, "pub_SAT", 0.006),
        (water.conductivity, "pub_Ksat_mm_h", 0.06),
    ):
        np.testing.assert_allclose(values, [float(r[key]) for r in rows], rtol=0, atol=tolerance)


@pytest.mark.published("Saxton & Rawls 2006, Table 3: classes that FAO-56 Table 19 does not have")
@pytest.mark.parametrize(
    ("soil", "fc", "wp"),
    [("sandy clay loam", 0.27, 0.17), ("clay loam", 0.36, 0.22), ("sandy clay", 0.36, 0.25)],
)
def test_defaults_of_the_other_classes(soil, fc, wp):
    assert (SOIL_CLASSES[soil].field_capacity, SOIL_CLASSES[soil].wilting_point) == (fc, wp)


def test_every_soil_word_is_known():
    assert tuple(SOIL_CLASSES) == SOILS
    for soil in SOIL_CLASSES.values():
        assert 0 < soil.wilting_point < soil.field_capacity < 0.6
        assert soil.reference
        assert list(soil.accumulation) == sorted(soil.accumulation, reverse=True)


@pytest.mark.published(
    "Scheduling standard as in public code: loam takes 0.35 in/h and 0.30 in, clay 0.10 and 0.10"
)
def test_intake_and_accumulation_bound_a_cycle():
    # Longest cycle at 1.5 in/h: 60 ASA / (PR - IR) = 15.65 min loam 0-3 %, 4.29 min clay > 12 %.
    def longest(soil, slope):
        excess = 1.5 * 25.4 - SOIL_CLASSES[soil].intake_rate
        return 60 * surface_accumulation(soil, slope) / excess

    assert longest("loam", 3.0) == pytest.approx(15.65, abs=0.01)
    assert longest("clay", 0.0) == pytest.approx(8.57, abs=0.01)
    assert longest("clay", 12.5) == pytest.approx(4.29, abs=0.01)


@pytest.mark.parametrize(("slope", "inches"), [(0, 0.30), (3.5, 0.25), (12, 0.21), (40, 0.17)])
def test_slope_classes(slope, inches):
    assert surface_accumulation("loam", slope) == pytest.approx(inches * 25.4)


@pytest.mark.practice("A soaking drains in about 24 h on sand, 48 h on loam, 72 h on clay")
def test_drain_time():
    hours = [SOIL_CLASSES[soil].drain_hours for soil in ("sand", "loam", "clay")]
    assert hours == [24, 48, 72]
