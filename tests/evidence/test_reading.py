"""Files of evidence: tables as people fill them, rasters of any CRS and cell, what is refused."""

import resource

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from openpyxl import Workbook
from rasterio.transform import Affine, from_origin
from shapely.geometry import Point, box

from siting.errors import Findings, InputError
from siting.site.evidence import FEWEST_CELLS, OpenGround, open_ground, read_evidence
from siting.site.property import read_property
from siting.site.settings import EvidenceSource
from tests.small_property import CRS, EAST, NORTH, square, write_property

UTM = pyproj.CRS.from_user_input(CRS)
TO_DEGREES = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)


def ground(*, zones=None, covered=None):
    zones = zones or {"A": square(4, 4), "B": square(24, 4)}
    return OpenGround(UTM, UTM, gpd.GeoSeries(zones, crs=CRS), covered or shapely.Polygon())


def read(path, kind, where=None, **told):
    usual = {"high": "wet", "trust": 0.5, "date": "2026-07-02"}
    findings = Findings()
    found = read_evidence(
        [EvidenceSource(path, kind, **(usual | told))], where or ground(), findings
    )
    return found, findings


def raster(path, values, *, cell=0.5, west=EAST, north=NORTH + 25, crs=CRS, **profile):
    """Write one band over the property, 45 x 25 m."""
    transform = profile.pop("transform", from_origin(west, north, cell, cell))
    options = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1,
               "dtype": values.dtype, "crs": crs, "transform": transform} | profile  # fmt: skip
    with rasterio.open(path, "w", **options) as file:
        file.write(values, 1)
    return path


def slope(cell=0.5):
    """Values that rise to the east, one a metre."""
    columns, rows = int(45 / cell), int(25 / cell)
    return np.tile(((np.arange(columns) + 0.5) * cell).astype("float32"), (rows, 1))


def test_a_filled_table_of_a_walk(tmp_path):
    path = tmp_path / "walk.csv"
    lon, lat = TO_DEGREES.transform(EAST + 5, NORTH + 6)
    far = TO_DEGREES.transform(EAST + 21, NORTH + 6)
    path.write_text(
        "place;zone;lon;lat;date;reading 1;reading 2\n"
        f"P1;A;{lon:.8f};{lat:.8f};2026-07-02;21,5;22,5\n"
        f"P1;A;{lon:.8f};{lat:.8f};2026-07-09;18;\n"
        f"P2;A;{far[0]:.8f};{far[1]:.8f};2026-07-02;30%;30%\n"
        "P3;A;;;2026-07-02;;\n"
    )
    found, findings = read(path, "probe")
    assert findings.faults == []
    assert findings.warnings == [
        "walk.csv: 1 of 3 readings lie outside the zones and were left out."
    ]
    assert [one.date for one in found] == ["2026-07-02", "2026-07-09"]
    assert [one.value.tolist() for one in found] == [[-22.0], [-18.0]]
    assert found[0].x == pytest.approx([EAST + 5], abs=0.01)
    tense, _ = read(path, "probe", high="dry")
    assert tense[0].value.tolist() == [22.0]


def test_a_workbook_in_the_propertys_own_coordinates(tmp_path):
    book = Workbook()
    book.active.append(["x", "y", "reading"])
    book.active.append([EAST + 6, NORTH + 7, 17.5])
    book.save(tmp_path / "walk.xlsx")
    [one], findings = read(tmp_path / "walk.xlsx", "probe")
    assert (one.date, one.value.tolist()) == ("2026-07-02", [-17.5])
    assert not findings.faults
    assert not findings.warnings


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("place,reading\nP1,20\n", "no columns of places"),
        ("lon,lat,date\n-84,32,2026-07-02\n", "no a column reading"),
        ("x,y,reading\n1,2,wet\n", '"wet"'),
        ("x,y,reading\n,,20\n", "no place in rows 2"),
        ("x,y,reading\n1,2,20\n", "places that all lie outside the zones"),
        ("x,y,date,reading\n1,2,3/4/2026,20\n", '"3/4/2026"'),
        ("x,y,reading\n1,2,\n", "no reading"),
    ],
)
def test_tables_that_are_refused_in_words(tmp_path, text, said):
    (tmp_path / "walk.csv").write_text(text)
    found, findings = read(tmp_path / "walk.csv", "probe")
    assert found == ()
    assert any(said.removeprefix("no a ") in fault.found for fault in findings.faults)


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326", "EPSG:3857"])
def test_a_raster_of_any_crs(tmp_path, crs):
    values, transform, cell = slope(), from_origin(EAST, NORTH + 25, 0.5, 0.5), 0.5
    path = raster(tmp_path / "here.tif", values)
    if crs != CRS:
        from rasterio.warp import calculate_default_transform, reproject

        bounds = (EAST, NORTH, EAST + 45, NORTH + 25)
        transform, width, height = calculate_default_transform(CRS, crs, 90, 50, *bounds)
        moved = np.full((height, width), -9.0, dtype="float32")
        reproject(values, moved, src_transform=from_origin(EAST, NORTH + 25, cell, cell),
                  src_crs=CRS, dst_transform=transform, dst_crs=crs, dst_nodata=-9)  # fmt: skip
        path = raster(tmp_path / "there.tif", moved, crs=crs, transform=transform, nodata=-9)
    [one], findings = read(path, "vegetation")
    assert not findings.faults
    assert len(one.x) > 2 * FEWEST_CELLS
    # High is wet, and the value is the distance from the west edge.
    assert -one.value == pytest.approx(one.x - EAST, abs=1.0)
    inside = shapely.contains_xy(shapely.union_all(ground().zones.to_numpy()), one.x, one.y)
    assert inside.all()


def test_a_turned_raster_and_a_photo(tmp_path):
    turned = (
        Affine.translation(EAST - 5, NORTH + 40) @ Affine.rotation(-20) @ Affine.scale(0.5, -0.5)
    )
    path = raster(tmp_path / "turned.tif", np.ones((160, 160), "float32"), transform=turned)
    with rasterio.open(path, "r+") as file:
        x, _ = file.transform @ np.array(np.meshgrid(np.arange(160) + 0.5, np.arange(160) + 0.5))
        file.write((x - EAST).astype("float32"), 1)
    [one], _ = read(path, "temperature", high="dry")
    assert one.value == pytest.approx(one.x - EAST, abs=1.0)
    photo = tmp_path / "photo.tif"
    with rasterio.open(photo, "w", driver="GTiff", width=90, height=50, count=3, dtype="uint8",
                       crs=CRS, photometric="RGB",
                       transform=from_origin(EAST, NORTH + 25, 0.5, 0.5)) as file:  # fmt: skip
        file.write(np.stack([slope(), 2 * slope(), 3 * slope()]).astype("uint8"))
    [one], _ = read(photo, "brightness", high="dry")
    assert one.value == pytest.approx(2 * (one.x - EAST), abs=2)
    _, findings = read(photo, "vegetation")
    assert findings.faults[0].found == "a picture, not values"


def test_roofs_paving_and_crowns_are_masked(tmp_path):
    trees = gpd.GeoDataFrame(
        {"crown_diameter": [6.0], "crown": [None]}, geometry=[Point(EAST + 7, NORTH + 7)], crs=CRS
    )
    house = gpd.GeoDataFrame(geometry=[box(EAST + 14, NORTH, EAST + 18, NORTH + 25)], crs=CRS)
    none = gpd.GeoDataFrame(geometry=[], crs=CRS)
    zones = gpd.GeoDataFrame(geometry=[square(4, 4)], index=["A"], crs=CRS)
    frames = {"trees": trees, "buildings": house, "paving": none, "hydrozones": zones}
    [one], _ = read(
        raster(tmp_path / "here.tif", slope()), "vegetation", open_ground(UTM, UTM, frames)
    )
    assert np.hypot(one.x - EAST - 7, one.y - NORTH - 7).min() > 2.5
    assert one.x.max() < EAST + 14


def test_clouds_and_half_a_property(tmp_path):
    clouds = slope()
    clouds[:, 10:30] = -1.0  # over half of zone A
    [one], findings = read(raster(tmp_path / "clouds.tif", clouds, nodata=-1), "vegetation")
    assert findings.warnings == [
        "clouds.tif: it has values on 23% of the open ground of zone A; the rest keeps what the "
        "map says."
    ]
    assert not ((one.x > EAST + 5.5) & (one.x < EAST + 14.5)).any()
    west = raster(tmp_path / "west.tif", slope()[:, :40])
    [one], findings = read(west, "vegetation")
    assert one.x.max() < EAST + 20
    assert findings.warnings == ["west.tif: it has no values there for B; it was not used in them."]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("nowhere", "no value on any zone: it lies elsewhere"),
        ("no crs", "no coordinate reference system"),
        ("satellite", "cells of 10.0 m, too coarse: no zone has 20 of them"),
        ("hidden", "no value on any zone"),
        ("hole", "% of the cells exactly -9999, far from all others"),
        ("text", "a file that cannot be read as a raster"),
        ("huge block", "a block of 268 MB"),
    ],
)
def test_rasters_that_are_refused_in_words(tmp_path, name, said):
    path = tmp_path / "it.tif"
    if name == "nowhere":
        raster(path, slope(), west=EAST + 2_000)
    elif name == "no crs":
        raster(path, slope(), crs=None)
    elif name == "satellite":
        raster(path, np.ones((9, 9), "float32"), cell=10, west=EAST - 20, north=NORTH + 60)
    elif name == "hidden":
        raster(path, np.full((50, 90), -1, "float32"), nodata=-1)
    elif name == "hole":
        holes = slope()
        holes[:20] = -9999
        raster(path, holes)
    elif name == "text":
        path.write_text("not a raster")
    else:
        with rasterio.open(path, "w", driver="GTiff", width=10_000, height=10_000, count=1,
                           dtype="float32", crs=CRS, sparse_ok=True, tiled=True,
                           blockxsize=8192, blockysize=8192,
                           transform=from_origin(EAST, NORTH + 25, 0.5, 0.5)):  # fmt: skip
            pass
    found, findings = read(path, "vegetation")
    assert found == ()
    assert [said in fault.found for fault in findings.faults] == [True]


def test_a_raster_of_three_gigabytes_takes_little_memory(tmp_path):
    """28,000 x 28,000 cells of 5 cm, tiled, of which the zones are a few."""
    path = tmp_path / "huge.tif"
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=28_000,
        height=28_000,
        count=1,
        dtype="float32",
        crs=CRS,
        sparse_ok=True,
        tiled=True,
        transform=from_origin(EAST - 700, NORTH + 700, 0.05, 0.05),
    ) as file:
        window = rasterio.windows.Window(14_000, 13_500, 900, 500)
        file.write(slope(0.05), 1, window=window)  # fmt: skip
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    [one], findings = read(path, "vegetation")
    assert len(one.x) > 100
    assert not findings.faults
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 250_000  # [kB]


def test_the_keys_of_a_property_file(tmp_path):
    path = write_property(tmp_path / "p")
    (path.parent / "walk.csv").write_text("x,y,reading\n")
    text = path.read_text()
    path.write_text(
        text + '[[evidence]]\nfile = "walk.csv"\nkind = "probe"\ndate = 2026-07-02\n'
        '[[evidence]]\nfile = "walk.csv"\nkind = "conductivity"\nhigh = "dry"\ntrust = 0.3\n'
    )
    walk, other = read_property(path).evidence
    assert (walk.date, walk.high, walk.trust, walk.raster) == ("2026-07-02", "wet", 0.75, False)
    assert (other.date, other.high, other.trust, other.raster) == ("", "dry", 0.3, True)
    path.write_text(
        text + '[[evidence]]\nfile = "walk.csv"\nkind = "dowsing"\ntrust = 3\ndate = "soon"\n'
        '[[evidence]]\nfile = "gone.csv"\nkind = "probe"\nfoo = 1\n'
    )
    with pytest.raises(InputError) as refused:
        read_property(path)
    said = str(refused.value)
    for part in ("dowsing", "0.05 to 0.95", "soon", "gone.csv", "foo"):
        assert part in said
