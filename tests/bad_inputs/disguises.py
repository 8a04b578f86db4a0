"""Files that are not what they say: other formats, lost rows, broken pages, hostile contents."""

from __future__ import annotations

import gzip
import json
import os
import sqlite3
import zipfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.bad_inputs.base import Draft, case

disguise = partial(case, "disguise")


def _layers(title: str, content: bytes | str, **outcome) -> None:
    """Add a case where something else stands in place of the GeoPackage."""

    @disguise(title, **outcome)
    def _(d: Draft) -> None:
        d.later.append(lambda folder: (folder / "layers.gpkg").unlink())
        data = content.encode() if isinstance(content, str) else content
        d.later.append(lambda folder: (folder / "layers.gpkg").write_bytes(data))


def _after(title: str, step: Callable[[Path], None], **outcome) -> None:
    """Add a case where the written files are changed."""

    @disguise(title, **outcome)
    def _(d: Draft) -> None:
        d.later.append(step)


def _sql(*statements: str) -> Callable[[Path], None]:
    def step(folder: Path) -> None:
        base = sqlite3.connect(folder / "layers.gpkg")
        base.execute("PRAGMA synchronous = OFF")
        # Triggers of the spatial index call functions that only GDAL has.
        for (name,) in base.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        for statement in statements:
            base.execute(statement)
        base.commit()
        base.close()

    return step


_VRT = """<OGRVRTDataSource><OGRVRTLayer name="boundary">
<SrcDataSource>/vsicurl/http://192.0.2.1/secret.gpkg</SrcDataSource></OGRVRTLayer>
</OGRVRTDataSource>"""
_layers("a VRT named .gpkg", _VRT, refused=("virtual", "GeoPackage"))
_layers("a pipeline file named .gpkg", json.dumps({"type": "gdal_streamed_alg",
        "command_line": "gdal vector pipeline read /etc/passwd"}), refused="GeoPackage")  # fmt: skip
_layers("a GeoJSON with a ring that is not closed", json.dumps({
    "type": "FeatureCollection", "name": "boundary",
    "features": [{"type": "Feature", "properties": {}, "geometry": {
        "type": "Polygon", "coordinates": [[[8.5, 48.1], [8.6, 48.1], [8.6, 48.2], [8.5, 48.2]]]}}]}),
    refused=("a shape that cannot be read", "Close every ring"), says="layer")  # fmt: skip
_layers("a text named .gpkg", "boundary: see the plan\n", refused=("no GeoPackage", "Export"))
_layers("an empty .gpkg", b"", refused="an empty file")
_layers("a web page named .gpkg", "<!DOCTYPE html><html><body>404</body></html>",
        refused="a web page")  # fmt: skip
_layers("a pointer of a large-file store", "version https://git-lfs.github.com/spec/v1\n"
        "oid sha256:4d7a\nsize 123\n", refused="pointer")  # fmt: skip
_layers(
    "a packed .gpkg", gzip.compress(b"SQLite format 3\0" + bytes(500)), refused=("gzip", "Unpack")
)
_layers("noise named .gpkg", os.urandom(0) + bytes(range(256)) * 40, refused="GeoPackage")
_layers("XML whose entities explode", '<?xml version="1.0"?><!DOCTYPE k [<!ENTITY a "aaaaaaaa">'
        + "".join(f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(9))
        + ']><kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>&j;</name></Document></kml>',
        refused=("DOCTYPE", "entities"))  # fmt: skip
_layers("XML that reads another file", '<?xml version="1.0"?><!DOCTYPE k [<!ENTITY a SYSTEM '
        '"file:///etc/hostname">]><kml><Document><name>&a;</name></Document></kml>',
        refused=("DOCTYPE", "entities"))  # fmt: skip


def _zipped(folder: Path) -> None:
    data = (folder / "layers.gpkg").read_bytes()
    with zipfile.ZipFile(folder / "new", "w", zipfile.ZIP_DEFLATED) as pack:
        pack.writestr("layers.gpkg", data)
    (folder / "new").replace(folder / "layers.gpkg")


_after("a zip named .gpkg", _zipped, refused=("zip", "Unpack"))


def _bomb(folder: Path) -> None:
    with zipfile.ZipFile(folder / "trees.zip", "w", zipfile.ZIP_DEFLATED) as pack:
        pack.writestr("trees.geojson", b"0" * 20_000_000)


@disguise("a zip bomb as a layer", refused=("zip", "Unpack"), says="layer")
def _(d):
    d.tables('trees = "trees.zip"')
    d.later.append(_bomb)


def _cut(folder: Path) -> None:
    path = folder / "layers.gpkg"
    path.write_bytes(path.read_bytes()[:30_000])


_after("a truncated GeoPackage", _cut, refused=("cannot be read", "Export it again"))


def _torn(folder: Path) -> None:
    path = folder / "layers.gpkg"
    data = bytearray(path.read_bytes())
    for page in range(20, len(data) // 4096):
        data[page * 4096 : page * 4096 + 2048] = os.urandom(0) + b"\xa5" * 2048
    path.write_bytes(data)


_after("a GeoPackage with broken pages", _torn, refused=("cannot be read", "Export it again"))
_after("a database that is no GeoPackage", _sql("DROP TABLE gpkg_contents"), refused="GeoPackage")
_after("a stale count that would lose a row", _sql(
    "UPDATE gpkg_ogr_contents SET feature_count = 1 WHERE table_name = 'hydrozones'"),
    check=lambda s: len(s.hydrozones) == 2, repaired=("counts 1", "2"))  # fmt: skip
_after("a stale spatial index that would lose a building", _sql(
    "DELETE FROM rtree_buildings_geom"), repaired=("spatial index", "buildings"),
    check=lambda s: len(s.buildings) == 1)  # fmt: skip
_after("a layer listed that is not there", _sql("DROP TABLE trees"),
       refused=("trees", "GeoPackage"))  # fmt: skip
_after("a CRS listed that is not there", _sql(
    "UPDATE gpkg_geometry_columns SET srs_id = 99999 WHERE table_name = 'hydrozones'",
    "UPDATE gpkg_contents SET srs_id = 99999 WHERE table_name = 'hydrozones'"),
    refused="no coordinate reference system")  # fmt: skip
_after("shapes that are no shapes", _sql("UPDATE hydrozones SET geom = x'47500001'"),
       refused="geometry", says="layer")  # fmt: skip


def _journal(folder: Path) -> None:
    """Leave changes in the write-ahead log, as a program that is still open does."""
    path = folder / "layers.gpkg"
    base = sqlite3.connect(path)
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA wal_autocheckpoint = 0")
    for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        base.execute(f'DROP TRIGGER "{name}"')
    base.execute("DELETE FROM trees WHERE fid = 2")
    base.commit()
    kept = {s: Path(f"{path}{s}").read_bytes() for s in ("", "-wal")}
    base.close()
    for suffix, data in kept.items():
        Path(f"{path}{suffix}").write_bytes(data)
    Path(f"{path}-shm").unlink(missing_ok=True)


_after("a GeoPackage that is still open elsewhere", _journal, repaired=("-wal", "open"))


def _half_written(folder: Path) -> None:
    """Leave a file as a program does that dies while it writes: with a journal to roll back."""
    path = folder / "layers.gpkg"
    base = sqlite3.connect(path, isolation_level=None)
    base.execute("PRAGMA cache_size = 1")
    base.execute("BEGIN IMMEDIATE")
    base.execute("CREATE TABLE more (a)")
    base.executemany("INSERT INTO more VALUES (?)", [("x" * 2000,)] * 300)
    kept = {s: Path(f"{path}{s}").read_bytes() for s in ("", "-journal")}
    base.close()
    for suffix, data in kept.items():
        Path(f"{path}{suffix}").write_bytes(data)


_after("a GeoPackage whose writer died half way", _half_written,
       refused=("-journal", "Open it in the program"))  # fmt: skip


def _folder(folder: Path) -> None:
    (folder / "layers.gpkg").unlink()
    (folder / "layers.gpkg").mkdir()


_after("a folder named .gpkg", _folder, refused=("a folder", "layers.gpkg"))


def _pipe(folder: Path) -> None:
    (folder / "layers.gpkg").unlink()
    os.mkfifo(folder / "layers.gpkg")


_after("a pipe named .gpkg", _pipe, refused="layers.gpkg")


def _ring(folder: Path) -> None:
    (folder / "layers.gpkg").unlink()
    (folder / "layers.gpkg").symlink_to(folder / "layers.gpkg")


_after("a link to itself", _ring, refused=("layers.gpkg", "exist"))


def _link(folder: Path) -> None:
    away = folder.parent / f"{folder.name}-away"
    away.mkdir()
    (folder / "layers.gpkg").rename(away / "layers.gpkg")
    (folder / "layers.gpkg").symlink_to(away / "layers.gpkg")


_after("a link out of the folder", _link, repaired=("layers.gpkg", "outside", "link"))


@disguise("GeoJSON named .gpkg", repaired=("GeoJSON", "zones.gpkg"))
def _(d):
    frame = d.layers.pop("hydrozones")
    d.tables('hydrozones = "zones.gpkg"')
    d.later.append(
        lambda f: (
            frame.to_crs(4326).to_file(f / "z.geojson", driver="GeoJSON")
            or (f / "z.geojson").rename(f / "zones.gpkg")
        )
    )


@disguise("GeoJSON with a cut tail", refused=("cannot be read",), says="layer")
def _(d):
    frame = d.layers.pop("trees")
    d.tables('trees = "trees.geojson"')
    d.files["trees.geojson"] = frame.to_crs(4326).to_json()[:-150]


@disguise("GeoJSON in metres", refused=("do not exist", "trees"))
def _(d):
    frame = d.layers.pop("trees")
    d.tables('trees = "trees.geojson"')
    frame = frame.set_crs(None, allow_override=True)
    d.files["trees.geojson"] = frame.to_json()


@disguise("GeoJSON nested ten thousand deep", refused="cannot be read", says="layer")
def _(d):
    d.layers.pop("trees")
    d.tables('trees = "trees.geojson"')
    d.files["trees.geojson"] = '{"type":"FeatureCollection","features":' + "[" * 10_000


def _shapefile(without: str) -> Callable[[Draft], None]:
    def spoil(d: Draft) -> None:
        frame = d.layers.pop("hydrozones")
        frame = frame.rename(columns={"precipitation_rate": "rate"})
        d.tables('hydrozones = "zones.shp"')
        d.later.append(lambda f: frame.to_file(f / "zones.shp"))
        d.later.append(lambda f: (f / f"zones{without}").unlink())

    return spoil


for _part, _words in ((".dbf", ("zones.dbf", "missing")), (".shx", ("zones.shx", "missing")),
                      (".prj", ("no coordinate reference system",))):  # fmt: skip
    disguise(f"a shapefile without {_part}", refused=_words, says="layer")(_shapefile(_part))


@disguise("a shapefile whose table has other rows", refused=("rows", "shapes"), says="layer")
def _(d):
    frame = d.layers.pop("hydrozones")
    d.tables('hydrozones = "zones.shp"')

    def mix(folder: Path) -> None:
        frame.iloc[[0, 1, 1]].to_file(folder / "other.shp")
        frame.to_file(folder / "zones.shp")
        (folder / "other.dbf").replace(folder / "zones.dbf")

    d.later.append(mix)


@disguise("a table of text as a layer", refused=("CSV", "GeoPackage"), says="layer")
def _(d):
    d.layers.pop("trees")
    d.tables('trees = "trees.csv"')
    d.files["trees.csv"] = "x,y,height\n1,2,3\n"


@disguise("a picture as a layer", refused=("PNG", "GeoPackage"), says="layer")
def _(d):
    d.tables('trees = "trees.gpkg"')
    d.files["trees.gpkg"] = b"\x89PNG\r\n\x1a\n" + bytes(100)


@disguise("a raster as a layer", refused=("TIFF", "GeoPackage"), says="layer")
def _(d):
    d.tables('trees = "trees.gpkg"')
    d.files["trees.gpkg"] = b"II*\0" + bytes(100)


@disguise("a truncated FlatGeobuf", refused=("cannot be read", "trees.fgb"), says="layer")
def _(d):
    frame = d.layers.pop("trees")
    d.tables('trees = "trees.fgb"')

    def cut(folder: Path) -> None:
        frame.to_file(folder / "trees.fgb", driver="FlatGeobuf")
        path = folder / "trees.fgb"
        path.write_bytes(path.read_bytes()[:-120])

    d.later.append(cut)


@disguise("a sparse file of two gigabytes", refused=("MB", "at most"), says="layer")
def _(d):
    d.tables('trees = "trees.gpkg"')

    def grow(folder: Path) -> None:
        with (folder / "trees.gpkg").open("wb") as file:
            file.write(b"SQLite format 3\0")
            file.truncate(2_000_000_000)

    d.later.append(grow)


@disguise("a layer under a name much like ours", repaired=("tree", "not read"))
def _(d):
    d.layers["treez"] = d.layers.pop("trees")
