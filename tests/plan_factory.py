"""A small but whole synthetic plan for the hand-off tests; every number invented, none computed."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from shapely.geometry import LineString, Point, Polygon, box

from siting.planning.model import Plan, Wording
from siting.site.model import LocalGrid, Site
from siting.site.settings import (
    Costs,
    LayerSource,
    PropertyFile,
    Season,
    Timer,
    Water,
    WeatherSource,
)
from siting.sun.position import SunShade
from siting.units import UnitsName
from tests.nasty import HOSTILE, with_nasty_text
from tests.plan_tables import decision_tables

LONGITUDE, LATITUDE = -81.2, 29.03
SOURCE_EPSG = 32617


def _crs() -> pyproj.CRS:
    return pyproj.CRS.from_proj4(
        f"+proj=tmerc +lat_0={LATITUDE} +lon_0={LONGITUDE} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"
    )


def _frame(columns: dict[str, list], crs: pyproj.CRS) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry="geometry", crs=crs)


def _names(hostile: bool) -> dict[str, str]:
    plain = {
        "site": "Meadow Court",
        "A": "A",
        "B": "B",
        "C": "C",
        "D": "D",
        "controller": "C1",
        "fixture": "by the north door",
        "reason": "Sunny, in the driest quarter of zone B, clear of every setback.",
    }
    if not hostile:
        return plain
    return dict(zip(plain, (*HOSTILE, HOSTILE[0] + HOSTILE[1]), strict=True))


def _site(names: dict[str, str], crs: pyproj.CRS, hostile: bool) -> Site:
    zones = _zone_shapes()
    keys = [names[k] for k in "ABCD"]
    hydrozones = gpd.GeoDataFrame(
        {
            "valve": ["1", "2", "3", "4"],
            "controller": [names["controller"]] * 4,
            "plants": ["warm_season_turf", "warm_season_turf", "shrubs", "groundcover"],
            "soil": ["sandy loam", "sandy loam", "loam", None],
            "sand": [math.nan] * 4,
            "clay": [math.nan] * 4,
            "irrigation": ["rotor", "rotor", "drip", None],
            "precipitation_rate": [12.0, 12.0, 20.0, math.nan],
            "distribution_uniformity": [0.62, 0.7, 0.85, math.nan],
            "root_depth": [0.2, 0.2, 0.4, math.nan],
            "plant_factor": [math.nan] * 4,
            "slope": [1.0, 6.0, 2.0, math.nan],
            "new_sod": [False, True, False, False],
            "rain_share": [1.0, 1.0, 0.6, 1.0],
        },
        geometry=zones,
        index=pd.Index(keys, name="zone"),
        crs=crs,
    )
    text = names["fixture"]
    fixtures = _frame(
        {
            "kind": ["controller", "valve_box", "head", "head", "downspout", "meter"],
            "valve": [None, "1", "1", "2", None, None],
            "name": [names["controller"], text, None, None, text, None],
            "feature": ["1", "2", "3", "4", "5", "6"],
            "geometry": [
                Point(-2.0, 5.0),
                Point(-6.0, 8.0),
                Point(-28.0, 18.0),
                Point(22.0, 20.0),
                Point(6.0, -6.2),
                Point(-38.0, -24.0),
            ],
        },
        crs,
    )
    return Site(
        name=names["site"],
        crs=crs,
        source_crs=pyproj.CRS.from_epsg(SOURCE_EPSG),
        longitude=LONGITUDE,
        latitude=LATITUDE,
        boundary=box(-42, -28, 42, 28),
        hydrozones=hydrozones,
        buildings=_frame(
            {
                "height": [6.0, 3.0],
                "feature": ["1", "2"],
                "geometry": [box(-4, -6, 12, 5), box(28, -24, 36, -16)],
            },
            crs,
        ),
        trees=_frame(
            {
                "height": [9.0, 5.0, 12.0],
                "crown_diameter": [7.0, 4.0, 9.0],
                "trunk_diameter": [0.3, 0.15, 0.5],
                "transmissivity": [0.2, 0.25, 0.15],
                "feature": ["1", "2", "3"],
                "geometry": [Point(24, 12), Point(-20, -14), Point(34, 4)],
                "crown": [None, None, Point(34, 4).buffer(4.8)],
            },
            crs,
        ),
        paving=_frame(
            {
                "feature": ["1", "2"],
                "geometry": [box(-42, -2, -4, 0), Polygon([(12, -2), (42, -4), (42, -1), (12, 1)])],
            },
            crs,
        ),
        fixtures=fixtures,
        cans=_frame({"depth": [], "volume": [], "feature": [], "geometry": []}, crs),
        warnings=("2 hydrozones were closed.",) if not hostile else HOSTILE,
        sources=(),
    )


def _zone_shapes() -> list[Polygon]:
    return [
        box(-40, 4, -6, 26),
        Polygon([(14, 6), (40, 6), (40, 26), (14, 26)], [[(30, 8), (33, 8), (33, 11), (30, 11)]]),
        box(-40, -26, -8, -6),
        box(14, -14, 26, -6),
    ]


def _settings(units: UnitsName, name: str) -> PropertyFile:
    root = Path("property")
    return PropertyFile(
        path=root / "property.toml",
        name=name,
        layers={"hydrozones": LayerSource(root / "property.gpkg", "hydrozones")},
        weather=WeatherSource(root / "weather.csv", 12.0),
        units=units,
        season=Season((3, 1), (11, 30)),
        timer=Timer(days=(0, 3), minutes={"1": 25.0, "2": 25.0, "3": 40.0}),
        water=Water(2.1, "USD"),
        costs=Costs(given=True),
    )


def _zones(site: Site) -> gpd.GeoDataFrame:
    frame = site.hydrozones[["valve", "controller", "plants", "soil", "irrigation"]].copy()
    frame["soil"] = frame["soil"].fillna("sandy loam")
    frame["irrigation"] = frame["irrigation"].fillna("spray")
    frame["area_m2"] = site.hydrozones.area
    frame["sun_hours"] = [9.1, 6.4, 8.2, 3.3]
    frame["insolation"] = [21.4, 17.2, 20.0, 11.5]
    frame["sky_view"] = [0.93, 0.74, 0.9, 0.55]
    frame["plant_factor"] = [0.68, 0.68, 0.5, 0.55]
    frame["ks"], frame["kd"], frame["establishment"] = frame["plant_factor"], 1.0, 1.0
    frame["kmc"] = frame["kmc_computed"] = [0.98, 0.8, 0.95, 0.6]
    frame["kmc_range"] = ["average 1", "low 0.5-0.9", "average 1", "low 0.5-0.9"]
    frame["kl"] = frame["plant_factor"] * frame["kmc"]
    frame["need_score"] = [31.4, 24.9, 12.3, 9.6]
    for cause, shares in {
        "sun": [0.3, 0.2, 0.35, math.nan],
        "plants": [0.25, 0.3, 0.1, math.nan],
        "soil": [0.2, 0.25, 0.3, math.nan],
        "roots": [0.15, 0.15, 0.15, math.nan],
        "slope": [0.0, 0.0, 0.0, math.nan],
        "application": [0.1, 0.1, 0.1, math.nan],
    }.items():
        frame[f"need_share_{cause}"] = shares
    frame["need_ratio"] = [6.2, 4.1, 2.0, 1.01]
    frame["need_words"] = ["6.2 times as thirsty as an undemanding zone: full sun 30 %"] * 4
    frame["net_irrigation_mm"] = [512.0, 401.5, 220.3, 150.1]
    frame["etc_peak_mm_d"] = [4.9, 3.9, 3.2, 2.1]
    frame["root_depth_m"] = [0.2, 0.2, 0.4, 0.3]
    frame["taw_mm"] = [26.0, 26.0, 64.0, 39.0]
    frame["raw_mm"] = [13.0, 13.0, 32.0, 18.0]
    frame["precipitation_rate"] = [12.0, 12.0, 20.0, 38.0]
    frame["distribution_uniformity"] = [0.62, 0.7, 0.85, 0.65]
    frame["rain_share"] = [1.0, 1.0, 0.6, 1.0]
    frame["sensor_id"] = ["S1", "S1", "S2", "S2"]
    frame["control"] = ["bypass"] * 4
    frame["run_time_factor"] = [1.08, 0.86, 0.62, math.nan]
    frame["run_minutes"] = [27.0, 21.5, 24.8, 11.0]
    frame["today_minutes"] = [25.0, 25.0, 40.0, math.nan]
    frame["cycles"] = [2, 2, 1, 3]
    frame["cycle_minutes"] = [13.5, 10.8, 24.8, 3.7]
    frame["soak_minutes"] = [30.0, 45.0, 0.0, 30.0]
    frame["events"] = [38.2, 38.2, 21.0, 21.0]
    frame["today_events"] = [78.0] * 4
    frame["water_m3"] = [154.2, 81.9, 111.0, 7.9]
    frame["today_m3"] = [291.7, 198.0, 665.6, math.nan]
    frame["stress_days"] = [1.5, 0.5, 0.0, 0.0]
    frame["stress_mean"] = [0.4, 0.1, 0.0, 0.0]
    frame["today_stress_days"] = [0.0, 0.0, 0.0, math.nan]
    frame["today_stress_mean"] = [0.0, 0.0, 0.0, math.nan]
    frame["expected_rank"] = [0.91, 0.7, 0.62, 0.5]
    frame["p_driest_quarter"] = [0.874, 0.55, 0.381, 0.25]
    frame["p_wetter_half"] = [0.02, 0.1, 0.31, 0.5]
    frame["defaults"] = ["", "", "root_depth", "soil, irrigation, precipitation_rate"]
    frame["geometry"] = site.hydrozones.geometry
    frame.index.name = "zone"
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=site.crs)


def _sensors(site: Site, names: dict[str, str]) -> gpd.GeoDataFrame:
    points = gpd.GeoSeries([Point(-23.25, 17.5), Point(-24.0, -16.125)], crs=site.crs)
    wgs, source = points.to_crs(4326), points.to_crs(site.source_crs)
    return gpd.GeoDataFrame(
        {
            "zone": [names["A"], names["C"]],
            "valve": ["1", "3"],
            "controller": [names["controller"]] * 2,
            "governs": [(names["A"], names["B"]), (names["C"], names["D"])],
            "control": ["bypass", "on_demand"],
            "hardware": ["replacement", "replacement"],
            "x": points.x.to_numpy(),
            "y": points.y.to_numpy(),
            "source_x": source.x.to_numpy(),
            "source_y": source.y.to_numpy(),
            "lon": wgs.x.to_numpy(),
            "lat": wgs.y.to_numpy(),
            "depth_m": [0.075, 0.2],
            "depth_note": ["Turf: in the root zone.", "Shrubs: deeper, where the roots drink."],
            "expected_rank": [0.91, 0.62],
            "p_driest_quarter": [0.874, 0.381],
            "p_wetter_half": [0.02, 0.31],
            "p_driest_quarter_tested": [0.93, math.nan],
            "application_note": ["application assumed", "application measured with 24 cans"],
            "setback_ratio": [1.32, 0.78],
            "binding_setback": ["head", "zone edge"],
            "setback_note": ["", "Zone edge: 0.7 m instead of 0.9 m."],
            "reason": [names["reason"], names["reason"]],
            "zone_note": ["", "It lies in C and not in D, the thirstiest zone that it governs."],
            "threshold_low_mm": [13.0, 32.0],
            "threshold_low_fraction": [0.5, 0.5],
            "threshold_step_vwc": [0.065, 0.08],
            "threshold_vwc": [0.142, 0.206],
            "soak_wait_h": [24.0, 48.0],
            "threshold_note": ["Set at the reading a day after soaking."] * 2,
            "wire_m": [24.75, 36.12],
            "trench_m": [20.5, 30.0],
            "gauge_awg": [18, 16],
            "drop_v": [0.126, 0.116],
            "link": ["", ""],
        },
        geometry=points.to_numpy(),
        index=pd.Index(["S1", "S2"], name="sensor_id"),
        crs=site.crs,
    )


def _wire_routes(crs: pyproj.CRS, controller: str) -> gpd.GeoDataFrame:
    lines = [
        LineString([(-23.25, 17.5), (-7.0, 6.0), (-2.0, 5.0)]),
        LineString([(-23.25, 17.5), (-7.0, 6.0), (-2.0, 5.0)]),
        LineString([(-24.0, -16.125), (-7.0, -3.0), (-7.0, 6.0)]),
        LineString([(-24.0, -16.125), (-7.0, -3.0), (-7.0, 6.0), (-2.0, 5.0)]),
    ]
    return _frame(
        {
            "sensor_id": ["S1", "S1", "S2", "S2"],
            "controller": [controller] * 4,
            "kind": ["trench", "wire"] * 2,
            "conductors": [2, 2, 2, 2],
            "length_m": [line.length for line in lines],
            "crosses": ["", "", "paving", "paving"],
            "geometry": lines,
        },
        crs,
    )


def _ties(crs: pyproj.CRS) -> gpd.GeoDataFrame:
    rows = [
        ("S1", 1, (-4.0, 5.0), (-23.25, 17.5)),
        ("S1", 2, (-4.0, -6.0), (-23.25, 17.5)),
        ("S1", 3, (12.0, 5.0), (-23.25, 17.5)),
        ("S2", 1, (-4.0, -6.0), (-24.0, -16.125)),
        ("S2", 2, (-4.0, 5.0), (-24.0, -16.125)),
    ]
    lines = [LineString([start, end]) for _, _, start, end in rows]
    return _frame(
        {
            "sensor_id": [r[0] for r in rows],
            "tie": [r[1] for r in rows],
            "distance_m": [line.length for line in lines],
            "from_kind": ["building corner"] * 5,
            "from_x": [r[2][0] for r in rows],
            "from_y": [r[2][1] for r in rows],
            "angle_deg": [math.nan, 34.2, 31.0, math.nan, 41.0],
            "drms_m": [0.025, 0.025, 0.027, 0.02, 0.02],
            "side": ["left"] * 5,
            "geometry": lines,
        },
        crs,
    )


def _keepout(site: Site) -> gpd.GeoDataFrame:
    rows = [
        ("building", 1.5, site.buildings.geometry.buffer(1.5).union_all()),
        ("paving", 1.5, site.paving.geometry.buffer(1.5).union_all()),
        ("head", 1.5, site.fixtures.geometry.iloc[2:4].buffer(1.5).union_all()),
        ("downspout", 3.0, site.fixtures.geometry.iloc[4:5].buffer(3.0).union_all()),
        ("trunk", 2.0, site.trees.geometry.buffer(2.0).union_all()),
    ]
    return _frame(
        {
            "hazard": [r[0] for r in rows],
            "setback_m": [r[1] for r in rows],
            "geometry": [r[2] for r in rows],
        },
        site.crs,
    )


def _reserves(crs: pyproj.CRS) -> gpd.GeoDataFrame:
    places = [Point(-20.0, 17.5), Point(-26.0, 14.0), Point(-20.0, -16.0)]
    return _frame(
        {
            "sensor_id": ["S1", "S1", "S2"],
            "reserve": [1, 2, 1],
            "x": [p.x for p in places],
            "y": [p.y for p in places],
            "expected_rank": [0.9, 0.85, 0.7],
            "p_driest_quarter": [0.8, 0.7, 0.4],
            "p_wetter_half": [0.05, 0.1, 0.2],
            "setback_ratio": [1.2, 1.0, 0.7],
            "binding_setback": ["head", "head", "zone_edge"],
            "as_good": [True, False, False],
            "geometry": places,
        },
        crs,
    )


def _admissible(site: Site, zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    shapes = site.hydrozones.geometry.iloc[:3].buffer(-1.5)
    return _frame(
        {
            "zone": list(zones.index[:3]),
            "area_m2": list(shapes.area),
            "share": [0.8, 0.8, 0.7],
            "geometry": list(shapes),
        },
        site.crs,
    )


def _choices() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "feasible": [False, True, True],
            "groups": ["S1: A, B, C, D", "S1: A, B | S2: C, D", "S1: A | S2: C, D | S3: B"],
            "used": [1, 2, 3],
            "control": ["bypass"] * 3,
            "hardware": ["C1: add_on"] * 3,
            "water_m3": [402.0, 355.0, 349.0],
            "cost_per_year": [math.nan, 842.0, 866.0],
            "stress_days": [9.5, 1.5, 1.0],
            "value_of_next": [math.nan, -24.0, math.nan],
            "value_of_next_low": [math.nan, -31.0, math.nan],
            "value_of_next_high": [math.nan, -20.5, math.nan],
            "value_of_next_error": [math.nan, 2.3, math.nan],
            "next_pays": [math.nan, 0.0, math.nan],
            "gap": [math.nan, 0.0, 0.0],
            "verdict": ["leaves a zone too dry", "chosen", "dearer"],
            "chosen": [False, True, False],
        },
        index=pd.Index([1, 2, 3], name="n"),
    )


def _season() -> pd.DataFrame:
    years = [2016, 2017, 2018]
    baseline, plan = np.array([1165.0, 1110.0, 1190.0]), np.array([360.0, 330.0, 375.0])
    return pd.DataFrame(
        {
            "baseline_m3": baseline,
            "plan_m3": plan,
            "saved_m3": baseline - plan,
            "saved_fraction": 1 - plan / baseline,
            "skipped_fraction": [0.51, 0.58, 0.49],
            "stress_days": [0.5, 0.0, 1.5],
            "rain_mm": [1100.0, 1320.0, 980.0],
            "et0_mm": [1210.0, 1150.0, 1240.0],
        },
        index=pd.Index(years, name="year"),
    )


def _sun(grid: LocalGrid) -> SunShade:
    months = tuple(range(3, 12))
    x, y = np.meshgrid(grid.x, grid.y)
    lit = np.clip(0.55 + 0.4 * np.tanh(x / -25) + 0.05 * np.sin(y / 6), 0.05, 1.0)
    lit[(x > -4) & (x < 12) & (y > -6) & (y < 5)] = np.nan
    length = 12 - 0.2 * np.abs(np.arange(len(months)) - 4)
    return SunShade(
        grid=grid,
        months=months,
        sun_hours=lit[None] * length[:, None, None],
        beam_fraction=np.repeat(lit[None], len(months), axis=0),
        sky_view=np.where(np.isnan(lit), np.nan, 0.5 + 0.5 * lit),
    )


def _dryness(grid: LocalGrid, zones: gpd.GeoDataFrame) -> np.ndarray:
    x, y = np.meshgrid(grid.x, grid.y)
    inside = np.zeros(grid.shape, dtype=bool)
    for west, south, east, north in zones.geometry.bounds.to_numpy():
        inside |= (x > west) & (x < east) & (y > south) & (y < north)
    return np.where(inside, 1.0 - x / 80 + 0.1 * np.cos(y / 3), np.nan)


_ENDS = ("", "_low", "_high", "_scenario_low", "_scenario_high")


def _economics() -> dict:
    return {
        "currency": "USD",
        "capital": 1203.4,
        "saved_per_year": 1680.0,
        "saved_per_year_low": 1638.0,
        "saved_per_year_high": 1711.5,
        "price": 2.1,
        "yearly_cost": 120.34,
        **dict.fromkeys((f"saved_m3{end}" for end in _ENDS), 800.0),
        "saved_per_year_scenario_low": 1601.0,
        "saved_per_year_scenario_high": 1755.0,
        "payback_years": 0.62,
        "payback_years_low": 0.55,
        "payback_years_high": 0.8,
        "payback_years_scenario_low": 0.57,
        "payback_years_scenario_high": 0.77,
        **dict.fromkeys((f"payback_discounted_years{end}" for end in _ENDS), 0.7),
        "net_present_value": 13_127.5,
        "device": 550.0,
        "installation": 300.0,
        "trench": 303.0,
        "wire": 50.4,
        "budget": {
            "kind": "mwelo",
            "use": "residential",
            "reference": "the ordinance",
            "period": "year",
            "eto_mm": 1302.4,
            "area_m2": 912.5,
            "special_area_m2": 0.0,
            "et_adjustment": 0.55,
            "allowance_m3": 640.2,
            "estimated_m3": 655.9,
            "within": False,
            "zones": {"A": 400.0, "B": 255.9},
        },
        "ways": _ways(),
        "claim": "Against today's timer the plan saves 780 to 815 m³ a season.",
    }


def _ways() -> list[dict]:
    rows = (
        ("as today", 2, 800.0, 1203.4, 0.72, 1.5),
        ("within the limit", 3, 790.0, 1760.0, 1.06, 1.0),
        ("the plain way", 1, 640.0, 520.0, 0.39, 6.0),
        ("timer set right", 0, 410.0, 0.0, 0.0, 4.0),
        ("against a timer set right", 2, 390.0, 1203.4, 1.47, 1.5),
    )
    return [
        {
            "way": way,
            "sensors": sensors,
            "saved_m3": saved,
            "saved_per_year": 2.1 * saved,
            "capital": capital,
            "payback_years": years,
            "stress_days": stress,
        }
        for way, sensors, saved, capital, years, stress in rows
    ]


def _parts() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "item": ["Soil-moisture sensor", "Direct-burial wire", "Trench"],
            "quantity": [2.0, 60.9, 50.5],
            "unit": ["piece", "m", "m"],
            "note": ["", "two conductors", "by hand near marks"],
        }
    )


def _wordings(sensors: gpd.GeoDataFrame) -> dict[UnitsName, Wording]:
    """The same sentences in both systems of units; each tells which it is."""
    return {
        units: Wording(
            headline=f"Two sensors. The second saves {water} a year; a third would cost more.",
            answer=f"Two sensors: the sunny turf dries three times as fast; it is worth {water}.",
            claim=f"Against today's timer the plan saves {water} a season.",
            reasons=dict.fromkeys(sensors.index, f"Sunny, {apart} from the nearest hazard."),
            setback_notes={"S1": "", "S2": f"zone edge: {apart} gave way"},
            zone_notes={"S1": "", "S2": f"It lies in C and not in D: this uses {water} less."},
        )
        for units, water, apart in (("metric", "780 m³", "1.20 m"), ("us", "206,054 gal", "3.9 ft"))
    }


def make_plan(units: UnitsName = "metric", hostile: bool = False) -> Plan:
    """Make a plan with 4 zones and 2 sensors; hostile puts nasty text in every text column."""
    names = _names(hostile)
    crs = _crs()
    site = _site(names, crs, hostile)
    zones = _zones(site)
    sensors = _sensors(site, names)
    told = {} if hostile else _wordings(sensors)
    if told:
        sensors["reason"] = pd.Series(told[units].reasons)
        sensors["setback_note"] = pd.Series(told[units].setback_notes)
        sensors["zone_note"] = pd.Series(told[units].zone_notes)
    grid = LocalGrid(-42.0, 28.0, 0.5, 112, 168)
    plan = Plan(
        site=site,
        settings=_settings(units, names["site"]),
        zones=zones,
        sensors=sensors,
        choices=_choices(),
        rules=pd.DataFrame(
            {
                "n": [1, 4],
                "feasible": [False, True],
                "verdict": ["leaves a zone too dry", "dearer"],
                "water_m3": [402.0, 347.0],
                "cost_per_year": [math.nan, 905.0],
                "stress_days": [9.5, 1.0],
            },
            index=pd.Index(["one in the driest", "one in every zone"], name="rule"),
        ),
        wire_routes=_wire_routes(crs, names["controller"]),
        ties=_ties(crs),
        keepout=_keepout(site),
        reserves=_reserves(crs),
        admissible=_admissible(site, zones),
        rank=np.clip(_dryness(grid, zones) - 0.5, 0.0, 1.0),
        season=_season(),
        economics=_economics() | ({"claim": told[units].claim} if told else {}),
        parts=_parts(),
        sun=_sun(grid),
        dryness=_dryness(grid, zones),
        answer=told[units].answer if told else " ".join(HOSTILE),
        headline=told[units].headline if told else "",
        wordings=told,
        cautions=(
            "Call before you dig (811 in the US). Private lines are not marked.",
            "Hand-dig near marks and roots.",
            "Low-voltage wiring to local code; line voltage by a licensed electrician.",
        ),
        warnings=("Zone D: soil assumed (sandy loam).", *site.warnings),
        provenance={"version": "0.1.0", "inputs": {"property.gpkg": "0" * 64}},
        **decision_tables(names),
    )
    return with_nasty_text(plan) if hostile else plan
