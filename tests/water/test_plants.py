"""Plants: published coefficients, and what a zone gets when the property does not say."""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import box

from siting.errors import InputError
from siting.site.settings import IRRIGATION, PLANTS
from siting.site.settings import TURF_TABLES as TURF_WORDS
from siting.water.heads import IRRIGATION_KINDS
from siting.water.plants import (
    PLANT_KINDS,
    TURF_FACTORS,
    TURF_TABLES,
    adjusted_depletion,
    establishment_factor,
    factor_class,
    monthly_plant_factor,
    turf_table,
)
from siting.water.zones import MONTH_COLUMNS, zone_water
from tests.tries import tries

DATA = Path(__file__).parents[1] / "data"


@pytest.mark.published("Jia, Dukes & Jacobs 2009, Irrig. Sci. 28:5-15: bahiagrass, central Florida")
def test_florida_turf():
    expected = [0.35, 0.35, 0.55, 0.80, 0.90, 0.75, 0.70, 0.70, 0.75, 0.70, 0.60, 0.45]
    factors = monthly_plant_factor("warm_season_turf", latitude=28.5, table="florida")
    assert factors.tolist() == expected
    assert factors[0] < factors[4]
    with (DATA / "turf_kc_monthly.csv").open(encoding="utf-8") as file:
        row = next(r for r in csv.DictReader(file) if r["set"].startswith("warm_season_FL_central"))
    assert [float(v) for v in list(row.values())[1:13]] == expected


@pytest.mark.published("Meyer et al. 1985: California turf by month, cool-season mean 0.80")
def test_california_turf():
    cool = monthly_plant_factor("cool_season_turf", latitude=37.0)
    # The page prints a mean of 0.80; its own twelve months have 0.7875.
    assert cool.mean() == pytest.approx(0.80, abs=0.013)
    assert cool.tolist()[3] == 1.04
    warm = monthly_plant_factor("warm_season_turf", latitude=34.0, hot_arid=True)
    # January is from memory and not pinned.
    assert warm[1:].tolist() == [0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55]
    assert all(table.reference for table in TURF_FACTORS.values())


@pytest.mark.published(
    "ANSI/ASABE S623.1, as quoted (the standard is not free; woody values seen in an "
    "abstract): cool turf 0.8, warm turf 0.6, woody 0.7 humid, 0.5 dry; sports turf and food "
    "plants lie outside its scope"
)
def test_plant_factors_of_s623():
    assert PLANT_KINDS["cool_season_turf"].factor_humid == 0.8
    assert PLANT_KINDS["warm_season_turf"].factor_humid == 0.6
    # The default of a warm-season lawn anywhere is of no one place; local tables are to be chosen.
    assert monthly_plant_factor("warm_season_turf", latitude=-34.0).tolist() == [0.6] * 12
    assert "outside its scope" in PLANT_KINDS["vegetables"].reference
    assert "outside its scope" in TURF_FACTORS["warm_season_s623"].reference
    for woody in ("groundcover", "shrubs", "trees"):
        assert monthly_plant_factor(woody, latitude=40.0).tolist() == [0.7] * 12
        assert monthly_plant_factor(woody, latitude=40.0, hot_arid=True).tolist() == [0.5] * 12


@pytest.mark.published("Romero & Dukes 2016: all reports, cool turf 0.05-1.05, warm turf 0.28-0.99")
@pytest.mark.parametrize("arid", [False, True])
def test_turf_lies_in_the_reviewed_range(arid):
    cool = monthly_plant_factor("cool_season_turf", latitude=40.0, hot_arid=arid)
    warm = monthly_plant_factor("warm_season_turf", latitude=30.0, hot_arid=arid)
    assert cool.min() >= 0.05
    assert cool.max() <= 1.05
    assert warm.min() >= 0.28
    assert warm.max() <= 0.99


def test_seasons_are_turned_round_in_the_south():
    north = monthly_plant_factor("warm_season_turf", latitude=28.0, table="florida")
    south = monthly_plant_factor("warm_season_turf", latitude=-28.0, table="florida")
    assert south[10] == north[4] == 0.90
    assert sorted(north) == sorted(south)


@pytest.mark.published("FAO-56 Table 22: depletion fraction of turf 0.40 cool, 0.50 warm at 5 mm/d")
def test_depletion_of_table_22():
    assert PLANT_KINDS["cool_season_turf"].depletion_fraction == 0.40
    assert PLANT_KINDS["warm_season_turf"].depletion_fraction == 0.50
    assert adjusted_depletion(0.4, 5.0) == 0.4
    assert adjusted_depletion(0.4, 2.0) == pytest.approx(0.52)
    assert adjusted_depletion([0.8, 0.1], [0.0, 12.0]).tolist() == [0.8, 0.1]


def test_every_plant_word_is_known():
    assert tuple(PLANT_KINDS) == PLANTS
    assert all(len(kind.reference) > 10 for kind in PLANT_KINDS.values())
    assert all(0.1 <= kind.root_depth_m <= 1.0 for kind in PLANT_KINDS.values())
    with pytest.raises(InputError, match="cactus"):
        monthly_plant_factor("cactus", latitude=1.0)


def kl(ks, kd):
    """KL of a zone in average microclimate."""
    return zone_water(zones(plants=["trees"], ks=[ks], kd=[kd]), latitude=1.0)[
        "plant_factor_1"
    ].iloc[0]


@pytest.mark.published(
    "Costello et al. 2000, A Guide to Estimating Irrigation Water Needs (WUCOLS III), "
    "chapter 3, example 7: 0.2 * 0.5 * 1.0 = 0.1"
)
def test_landscape_coefficient():
    assert kl(0.2, 0.5) == pytest.approx(0.1, abs=1e-12)


@pytest.mark.cross_check(
    "KL of Costello et al. 2000 (WUCOLS III), chapter 5, case 1; the division by efficiency, which "
    "gives the guide's 12.4, 6.2 and 4.1 in, is done here and not by the program"
)
def test_total_water_of_the_guide():
    """The guide's 3.72 in is the program's share of it, and from there on it is arithmetic."""
    needed = kl(0.6, 1.0) * 6.2
    assert needed == pytest.approx(3.72, abs=0.005)
    for efficiency, inches in ((0.3, 12.4), (0.6, 6.2), (0.9, 4.1), (0.7, 5.31)):
        assert needed / efficiency == pytest.approx(inches, abs=0.05)


@tries(30)
@given(st.floats(0.05, 0.9), st.floats(0.5, 1.3), st.floats(0.5, 1.4))
def test_landscape_coefficient_is_a_product(ks, kd, kmc):
    water = zone_water(zones(plants=["trees"], ks=[ks], kd=[kd], kmc=[kmc]), latitude=1.0)
    row = water.loc["1"]
    assert row["plant_factor_1"] * row["kmc_given"] == pytest.approx(ks * kd * kmc)


def zones(**columns):
    count = len(columns["plants"])
    squares = [box(10 * i, 0, 10 * i + 10, 10) for i in range(count)]
    frame = gpd.GeoDataFrame(columns, geometry=squares, crs="EPSG:32617")
    frame.index = [str(i + 1) for i in range(count)]
    frame.index.name = "zone"
    return frame


def test_zone_without_any_detail_gets_defaults_and_says_so():
    frame = zones(plants=["warm_season_turf"], soil=[None], slope=[np.nan])
    before = frame.copy()
    water = zone_water(frame, latitude=28.5)
    assert frame.equals(before)
    row = water.loc["1"]
    assert row["defaults"] == (
        "soil sandy loam, irrigation spray, root_depth, slope flat, "
        "plant_factor warm_season_s623, precipitation_rate, distribution_uniformity"
    )
    assert row["plant_factor_5"] == 0.60
    assert row["taw_mm"] == pytest.approx(1000 * (0.23 - 0.11) * 0.30)
    assert row["depletion_fraction"] == 0.5
    assert row["precipitation_rate"] == pytest.approx(43.18)
    assert row["drain_hours"] == 48
    assert row["surface_accumulation"] == pytest.approx(0.33 * 25.4)


def test_what_the_property_says_wins():
    frame = zones(
        plants=["shrubs", "trees"], soil=["sand", None], sand=[np.nan, 40.0], clay=[np.nan, 20.0],
        irrigation=["drip", "bubbler"], precipitation_rate=[20.0, 30.0],
        distribution_uniformity=[0.8, 0.7], root_depth=[0.4, 0.5], plant_factor=[0.33, 0.44],
        slope=[8.0, 0.0],
    )  # fmt: skip
    water = zone_water(frame, latitude=28.5)
    assert water["defaults"].tolist() == ["", ""]
    assert list(water.index) == ["1", "2"]
    assert water.loc["1", list(MONTH_COLUMNS)].tolist() == [0.33] * 12
    assert water.loc["1", "precipitation_rate"] == 20.0
    assert water.loc["1", "application_efficiency"] == 0.81
    assert water.loc["1", "surface_accumulation"] == pytest.approx(0.30 * 25.4)
    # From sand and clay: loam by the triangle, water by Saxton & Rawls.
    assert water.loc["2", "soil_class"] == "loam"
    assert water.loc["2", "field_capacity"] == pytest.approx(0.2796, abs=1e-3)
    assert water.loc["2", "taw_mm"] == pytest.approx(1000 * 0.1426 * 0.5, abs=0.5)


def test_clay_beyond_the_equations_takes_the_class():
    water = zone_water(zones(plants=["trees"], sand=[10.0], clay=[75.0]), latitude=1.0)
    assert water.loc["1", "soil_class"] == "clay"
    assert water.loc["1", "field_capacity"] == 0.37


def test_impossible_zones_are_refused_together():
    frame = zones(
        plants=["turf", None, "trees"], soil=["mud", None, None], irrigation=[None, "hose", None],
        precipitation_rate=[-1.0, np.nan, np.nan], distribution_uniformity=[np.nan, 1.2, np.nan],
        sand=[np.nan, np.nan, 70.0], clay=[np.nan, np.nan, 40.0],
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        zone_water(frame, latitude=28.5)
    found = [(f.feature, f.column) for f in caught.value.faults]
    assert found == [
        ("1", "plants"), ("1", "soil"), ("1", "precipitation_rate"), ("2", "plants"),
        ("2", "irrigation"), ("2", "distribution_uniformity"), ("3", "sand, clay"),
    ]  # fmt: skip


def test_every_irrigation_word_is_known():
    assert tuple(IRRIGATION_KINDS) == IRRIGATION
    assert all(kind.reference for kind in IRRIGATION_KINDS.values())
    water = zone_water(zones(plants=["trees"] * 6, irrigation=list(IRRIGATION)), latitude=1.0)
    assert water["precipitation_rate"].between(5, 60).all()


def test_no_zones_give_an_empty_table():
    frame = zones(plants=["trees"]).iloc[:0]
    assert zone_water(frame, latitude=1.0).empty


@pytest.mark.cross_check(
    "The choice of table reaches the factor; Arizona bermuda (0.80 is our pick from "
    "0.78-0.83), New Mexico 0.85, 0.70"
)
def test_turf_tables_can_be_chosen():
    arizona = monthly_plant_factor("warm_season_turf", latitude=33.0, table="arizona")
    assert arizona[5:9].tolist() == [0.80] * 4
    assert (arizona[0], arizona[3]) == (0.78, 0.90)
    cool = monthly_plant_factor("cool_season_turf", latitude=35.0, table="new_mexico")
    warm = monthly_plant_factor("warm_season_turf", latitude=35.0, table="new_mexico")
    assert (cool.mean(), warm.mean()) == pytest.approx((0.85, 0.70))
    assert turf_table("warm_season_turf") == "warm_season_s623"
    assert turf_table("warm_season_turf", hot_arid=True) == "warm_season_california"
    assert turf_table("shrubs", choice="arizona") is None
    with pytest.raises(InputError, match="california, new_mexico"):
        turf_table("cool_season_turf", choice="florida")
    listed = {name for tables in TURF_TABLES.values() for name in tables.values()}
    assert listed | {"warm_season_s623"} == set(TURF_FACTORS)
    assert tuple(TURF_TABLES) == TURF_WORDS


def test_any_coefficient_can_be_overridden_and_is_then_no_default():
    frame = zones(
        plants=["shrubs", "warm_season_turf", "trees"], ks=[0.5, np.nan, 0.2],
        kd=[1.1, np.nan, 0.5], turf_table=[None, "arizona", None], kmc=[np.nan, np.nan, 1.2],
        seasons_planted=[np.nan, 0, np.nan], depletion_fraction=[0.35, np.nan, np.nan],
        application_efficiency=[0.9, np.nan, np.nan], intake_rate=[25.0, np.nan, np.nan],
    )  # fmt: skip
    water = zone_water(frame, latitude=33.0)
    assert water.loc["1", list(MONTH_COLUMNS)].tolist() == pytest.approx([0.55] * 12)
    assert water.loc["2", "plant_factor_7"] == pytest.approx(0.80 * 1.2)
    # Costello et al. 2000: the guide's new planting, before its microclimate.
    assert water.loc["3", "plant_factor_1"] == pytest.approx(0.1)
    assert water["kmc_given"].tolist() == pytest.approx([np.nan, np.nan, 1.2], nan_ok=True)
    assert water.loc["1", "depletion_fraction"] == 0.35
    assert water.loc["1", "application_efficiency"] == 0.9
    assert water.loc["1", "intake_rate"] == 25.0
    assert not water["defaults"].str.contains("plant_factor").any()
    assert water.loc["2", "establishment"] == 1.2


@pytest.mark.practice("New plantings get 20 % more in the first season, 10 % more in the second")
def test_establishment():
    assert [establishment_factor(n) for n in (0, 0.9, 1, 2, 30)] == [1.2, 1.2, 1.1, 1.0, 1.0]
    frame = zones(
        plants=["warm_season_turf"] * 3, new_sod=[True, True, False],
        seasons_planted=[np.nan, 1, np.nan],
    )  # fmt: skip
    water = zone_water(frame, latitude=28.5)
    # New sod alone does not ask for more: the plan is for years.
    assert water["establishment"].tolist() == [1.0, 1.1, 1.0]


@pytest.mark.published(
    "Costello et al. 2000, WUCOLS III, from memory: kmc low 0.5-0.9, average 1.0, high "
    "1.1-1.4 (ranges)"
)
@pytest.mark.parametrize(
    ("value", "told"),
    [(0.5, "low 0.5-0.9"), (0.93, "low 0.5-0.9"), (1.0, "average 1"), (1.06, "high 1.1-1.4"),
     (1.4, "high 1.1-1.4"), (1.5, "above 0.5-1.4"), (0.49, "below 0.5-1.4")],
)  # fmt: skip
def test_class_of_the_microclimate(value, told):
    assert factor_class("kmc", value) == told


def test_coefficients_that_do_not_go_together_are_refused():
    frame = zones(
        plants=["shrubs", "trees", "cool_season_turf", "annuals"],
        plant_factor=[0.5, np.nan, np.nan, np.nan], ks=[0.5, 3.0, np.nan, np.nan],
        field_capacity=[np.nan, 0.2, np.nan, 0.2], wilting_point=[np.nan, np.nan, np.nan, 0.3],
        turf_table=[None, None, "florida", "arizona"],
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        zone_water(frame, latitude=28.5)
    assert [(f.feature, f.column) for f in caught.value.faults] == [
        ("1", "plant_factor"), ("2", "ks"), ("2", "field_capacity"), ("3", "turf_table"),
        ("4", "wilting_point"),
    ]  # fmt: skip
