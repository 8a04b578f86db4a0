"""The portfolio's map: no network, safe with any name, the same numbers as the tables."""

import json
import re
import time

import pyarrow.parquet as pq
import pytest

pytest.importorskip("distributed")

from siting.portfolio import page
from siting.portfolio.model import Tile
from siting.portfolio.page import ranked, write_page
from siting.portfolio.store import SCHEMAS, TABLES, Store, fault_rows, to_tables
from tests import chromium

HOSTILE = "</script><img src=x onerror=\"document.title='hit'\"> \u2028 & 'quoted'"


def made_up(folder, count):
    """Write results of properties that nobody planned, on a grid, one with a hostile name."""
    store = Store(folder, "key")
    ids = tuple(f"P{number:05d}" for number in range(count))
    for number, name in enumerate(ids):
        rows = fault_rows(name, "input", [])
        rows["properties"][0] |= {
            "name": HOSTILE if number == 3 else f"Lot {number}",
            "status": "planned",
            "currency": "USD",
            "lon": -105.2 + 0.001 * (number % 40),
            "lat": 39.6 + 0.0008 * (number // 40),
            "value_of_second": None if number % 7 == 0 else float(number % 50),
            "saved_m3": 10.0,
            "sensors": 1 + number % 3,
        }
        rows["faults"] = []
        store.write_part(name, to_tables(rows))
    store.write_tile(Tile("000000", ids, None))
    return folder


def data_of(path):
    text = path.read_text("utf-8")
    raw = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)[1]
    return json.loads(raw)


def test_every_property_is_on_the_map(tmp_path):
    data = data_of(write_page(made_up(tmp_path, 200), title="Town"))
    table = ranked(tmp_path)
    assert len(data["points"]) == 200
    assert [point[6] for point in data["points"]] == table["property"].tolist()
    known = table["value_of_second"].notna()
    shown = [point[2] is not None for point in data["points"]]
    assert shown == known.tolist()


def test_many_properties_are_put_together_but_none_is_lost(tmp_path, monkeypatch):
    monkeypatch.setattr(page, "_MOST", 100)
    data = data_of(write_page(made_up(tmp_path, 500), title="City"))
    assert len(data["points"]) <= 20 + 121
    assert sum(point[7] for point in data["points"]) == 500
    assert sum(point[3] for point in data["points"]) == pytest.approx(5000.0)


def test_same_results_same_bytes(tmp_path):
    made_up(tmp_path, 30)
    first = write_page(tmp_path, title="Town").read_bytes()
    assert write_page(tmp_path, title="Town").read_bytes() == first


def test_no_address_and_no_raw_name(tmp_path):
    path = write_page(made_up(tmp_path, 30), title=HOSTILE)
    text = path.read_text("utf-8")
    assert "://" not in text
    assert "<img" not in text
    assert text.count("</script>") == 2
    assert "default-src 'none'" in text


def test_empty_portfolio(tmp_path):
    (tmp_path / "properties").mkdir()
    for table in TABLES:
        (tmp_path / table).mkdir(exist_ok=True)
        pq.write_table(SCHEMAS[table].empty_table(), tmp_path / table / "tile-000000.parquet")
    data = data_of(write_page(tmp_path, title="Nothing"))
    assert data["points"] == []


@pytest.mark.browser
@pytest.mark.skipif(not (chromium.CHROMIUM and chromium.DRIVER), reason="no chromium here")
def test_map_in_a_browser(tmp_path):
    path = write_page(made_up(tmp_path, 200), title="Town")
    driver = chromium.start(chromium.DESK, tmp_path / "profile")
    try:
        driver.get(path.as_uri())
        time.sleep(0.5)
        assert driver.title == "Town"
        assert "200 properties in view" in driver.find_element("id", "count").text
        picture = "const c = document.getElementById('map'); return c.toDataURL().length"
        whole = driver.execute_script(picture)
        driver.find_element("id", "in").click()
        assert driver.execute_script(picture) != whole
        assert "200" not in driver.find_element("id", "count").text
        driver.find_element("id", "all").click()
        driver.find_element("id", "find").send_keys("P00003")
        panel = driver.find_element("id", "panel")
        assert "onerror" in panel.text
        assert panel.find_elements("tag name", "img") == []
        driver.find_elements("css selector", "#top button")[0].click()
        assert "49 USD/year" in panel.text
        assert driver.title == "Town"
        assert driver.get_log("browser") == []
        asked = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
        addresses = {
            a["params"]["request"]["url"]
            for a in asked
            if a["method"] == "Network.requestWillBeSent"
        }
        web = {a for a in addresses if a.startswith(("http:", "https:", "ws:", "wss:"))}
        assert path.as_uri() in addresses
        assert not web
        driver.save_screenshot(str(tmp_path / "map.png"))
    finally:
        driver.quit()
