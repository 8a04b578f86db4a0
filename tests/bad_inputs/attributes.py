"""Attributes: numbers as text, other units, marks for nothing, words nobody knows, ids twice."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd

from tests.bad_inputs.base import Draft, at, case, line, spot

attribute = partial(case, "attributes")
ALL = ("layer", "feature", "column")
_TEXT = "text_numbers = true"


def _heights(title: str, *values, **outcome) -> None:
    """Add a case of building heights."""

    @attribute(title, **outcome)
    def _(d: Draft) -> None:
        shapes = [at(10 + 16 * k, 24, 14, 10) for k in range(len(values))]
        d.shapes("buildings", *shapes, height=list(values))


def _text_allowed(title: str, value: str, **outcome) -> None:
    """Add a case of a height as text that the property file allows."""

    @attribute(title, **outcome)
    def _(d: Draft) -> None:
        d.tables("buildings = { text_numbers = true }")
        d.put("buildings", "height", value)


_heights("height “30 ft”", "30 ft", refused=('"30 ft"', "a number", _TEXT), says=ALL)
_heights("height “6,5”", "6,5", refused=('"6,5"', _TEXT), says=ALL)
_heights("height “ 12 m ”", " 12 m ", refused=('" 12 m "', _TEXT), says=ALL)
_heights("numbers and texts in one column", "6.5", "ca. 7", refused=('"6.5"', '"ca. 7"'), says=ALL)
_heights("negative height", -5.0, refused=("-5 m", "from 0"), says=ALL)
_heights("absurd height", 4000.0, refused=("4000 m", "900"), says=ALL)
_heights("height -999", -999.0, refused=("-999", "mark for missing"), says=ALL)
_heights("height -9999", -9999.0, refused=("-9999", "mark for missing"), says=ALL)
_heights("height 9999", 9999.0, refused=("9999", "mark for missing"), says=ALL)
_heights("height NaN", float("nan"), refused=("no value", "default_height"), says=ALL)
_heights("height null", None, refused="no value", says=ALL)
_heights("height infinite", float("inf"), refused="inf", says=ALL)
_heights("height true", bool(1), refused=("True", "a number"), says=ALL)
_heights("height as a date", pd.Timestamp("2020-05-01"), refused=("2020", "a number"), says=ALL)
_heights("height 0", 0.0, repaired="0 m tall")
_text_allowed("“30 ft” where text is allowed", "30 ft", repaired="written as text",
              check=lambda s: abs(s.buildings.height[0] - 9.144) < 1e-9)  # fmt: skip
_text_allowed("“6,5” where text is allowed", "6,5", repaired="written as text",
              check=lambda s: s.buildings.height[0] == 6.5)  # fmt: skip
_text_allowed("“1,234” where text is allowed", "1,234", refused='"1,234"', says=ALL)
_text_allowed("“12 furlongs” where text is allowed", "12 furlongs", refused="furlongs", says=ALL)
_text_allowed("“1.234,5” where text is allowed", "1.234,5", refused="1.234,5", says=ALL)
_text_allowed("“5-7 m” where text is allowed", "5-7 m", refused="5-7 m", says=ALL)


@attribute("houses as tall as feet would make them", refused=("as if", "feet", "units_in"),
           says=("layer", "column"))  # fmt: skip
def _(d):
    d.shapes("buildings", at(10, 24, 9, 8), at(22, 24, 8, 8), height=[24.0, 28.0])


@attribute("feet without a unit in a property of US units", refused=("feet or metres", "trees: height",
           'units_in = "ft"'))  # fmt: skip
def _(d):
    d.swap("[weather]", 'units = "us"\n[weather]')


@attribute("lengths without a unit in a property of US units, metres stated", check=lambda s:
           sorted(s.trees["height"]) == [6.0, 8.0], handled="believed")  # fmt: skip
def _(d):
    d.swap("[weather]", 'units = "us"\nunits_in = "m"\n[weather]')


@attribute("heights that levels contradict", refused=("levels", "feet", "units_in"), says="layer")
def _(d):
    d.shapes("buildings", at(5, 20, 24, 19), at(31, 20, 24, 19), height=[20.0, 30.0], levels=[2, 3])


@attribute("trees as tall as feet would make them", refused=("as if", "feet", "units_in"),
           says=("layer", "column"))  # fmt: skip
def _(d):
    d.put("trees", "height", 55.0, 60.0)
    d.put("trees", "crown_diameter", 30.0, 35.0)


@attribute("trunks in inches", refused=("12, 14 m", "units_in"), says=ALL)
def _(d):
    d.put("trees", "trunk_diameter", 12.0, 14.0)


@attribute("trunks in inches under feet", refused=("as if they were in inches", "_in"),
           says=("layer", "column"))  # fmt: skip
def _(d):
    d.swap("[weather]", 'units_in = "ft"\n[weather]')
    d.shapes("trees", spot(27, 9), spot(55, 30), trunk_diameter=[8.0, 14.0])


@attribute("trunk thicker than the crown", refused=("trunk", "crown"), says=ALL)
def _(d):
    d.put("trees", "trunk_diameter", 5.5, 0.2)


@attribute("crown that begins above the top", refused="crown_base at or above", says=ALL)
def _(d):
    d.put("trees", "crown_base", 9.0, 2.0)


@attribute("crown far wider than the tree is tall", repaired=("crown", "times"))
def _(d):
    d.put("trees", "crown_diameter", 40.0, 4.0)


@attribute("light through a crown in percent", refused=("20", "fraction"), says=ALL)
def _(d):
    d.put("trees", "transmissivity", 20.0, 0.2)


@attribute("wall without height", refused=("no value", "a height"), says=ALL)
def _(d):
    d.shapes("walls", line((2, 22), (30, 22)), line((2, 23), (5, 23)), height=[2.0, None])


@attribute("walls without the column height", refused=("no such column", "height"), says="column")
def _(d):
    d.shapes("walls", line((2, 22), (30, 22)), name=["a"])


@attribute("zone id given twice", refused=('zone "1" on 2 features', "own id"), says=ALL)
def _(d):
    d.put("hydrozones", "zone", "1", "1")


@attribute("zone ids that differ in spaces only", refused='zone "1" on 2 features', says=ALL)
def _(d):
    d.put("hydrozones", "zone", "1", " 1 ")


@attribute("zone ids that look alike", refused=("look alike", "a1"), says=("layer", "column"))
def _(d):
    d.put("hydrozones", "zone", "a1", "A1")
    d.swap('"1" = 30, "2" = 30', '"a1" = 30, "A1" = 30')


@attribute("zone ids as fractions", refused=("1.5", "timer"))
def _(d):
    d.put("hydrozones", "zone", 1.5, 2.5)


@attribute("zone ids as whole numbers", check=lambda s: list(s.hydrozones.index) == ["1", "2"],
           handled="1.0 is zone 1")  # fmt: skip
def _(d):
    d.put("hydrozones", "zone", 1.0, 2.0)


@attribute("zone without id", refused=("no zone id", "Fill it in"), says=ALL)
def _(d):
    d.put("hydrozones", "zone", "1", None)


@attribute("ids in other scripts", check=lambda s: "Größe 水" in s.hydrozones.index,
           handled="kept as they are")  # fmt: skip
def _(d):
    d.put("hydrozones", "zone", "Größe 水", "2")
    d.swap('"1" = 30', '"Größe 水" = 30')


@attribute("id with a line break and control characters", refused=("control", "zone"), says=ALL)
def _(d):
    d.put("hydrozones", "zone", "a\nb\x07", "2")
    d.swap('"1" = 30, ', "")


@attribute("id that turns the reading direction", refused=("control", "zone"), says="column")
def _(d):
    d.put("hydrozones", "zone", "a\u202eb", "2")
    d.swap('"1" = 30, ', "")


@attribute("id of a hundred thousand characters", refused=("characters", "at most"), says=ALL)
def _(d):
    d.put("hydrozones", "zone", "9" * 100_000, "2")
    d.swap('"1" = 30, ', "")


@attribute("valve on two zones", refused=('valve "7" on 2 features', "Merge"), says=ALL)
def _(d):
    d.put("hydrozones", "valve", "7", "7")
    d.swap('"1" = 30, "2" = 30', '"7" = 30')


@attribute("unknown plants", refused=('"schrubs"', 'Write "shrubs"'), says=ALL)
def _(d):
    d.put("hydrozones", "plants", "schrubs", "trees")


@attribute("unknown soil", refused=('"sandy lome"', 'Write "sandy loam"'), says=ALL)
def _(d):
    d.put("hydrozones", "soil", "sandy lome", "loam")


@attribute("plants missing", refused=("no value", "shrubs"), says=ALL)
def _(d):
    d.put("hydrozones", "plants", "shrubs", None)


@attribute("plants as numbers", refused=('"3"', "shrubs"), says=ALL)
def _(d):
    d.put("hydrozones", "plants", 3, 4)


@attribute("unknown irrigation", refused=('"sprai"', 'Write "spray"'), says=ALL)
def _(d):
    d.put("hydrozones", "irrigation", "sprai", "drip")


@attribute("unknown kind of fixture", refused=('"controler"', 'Write "controller"'), says=ALL)
def _(d):
    d.put("fixtures", "kind", "controler")


@attribute("unknown controller", refused=('"C2"', "controller of the fixtures"), says=ALL)
def _(d):
    d.put("fixtures", "name", "C1")
    d.put("hydrozones", "controller", "C2", "C1")


@attribute("zones without the column plants", refused=("no such column", "plants"), says="column")
def _(d):
    d.layers["hydrozones"] = d.layers["hydrozones"].drop(columns="plants")


@attribute("misspelt column", refused=("root_dpeth", "Rename"), says="column")
def _(d):
    d.put("hydrozones", "root_dpeth", 0.3, 0.3)


@attribute("two columns for one thing", refused=("height_ft and height_m", "one column"))
def _(d):
    d.layers["buildings"] = d.layers["buildings"].drop(columns="height").assign(
        height_ft=16.0, height_m=5.0
    )  # fmt: skip


@attribute("roots in centimetres", refused=("30 m", "units_in"), says=ALL)
def _(d):
    d.put("hydrozones", "root_depth", 30.0, 30.0)


@attribute("application in inches per hour", repaired="precipitation_rate_in_h")
def _(d):
    d.put("hydrozones", "precipitation_rate", 1.4, 1.4)


@attribute("intake in inches per hour", repaired="intake_rate_in_h")
def _(d):
    d.put("hydrozones", "intake_rate", 0.6, 0.6)


@attribute("application 0", refused=("0 mm/h", "0.5"), says=ALL)
def _(d):
    d.put("hydrozones", "precipitation_rate", 0.0, 20.0)


@attribute("uniformity in percent", refused=("65", "fraction"), says=ALL)
def _(d):
    d.put("hydrozones", "distribution_uniformity", 65.0, 70.0)


@attribute("sand and clay as fractions", refused=("fractions", "100"), says=ALL)
def _(d):
    d.put("hydrozones", "sand", 0.6, 0.5)
    d.put("hydrozones", "clay", 0.1, 0.2)


@attribute("sand and clay above 100 % together", refused="above 100 %", says=ALL)
def _(d):
    d.put("hydrozones", "sand", 80.0, 50.0)
    d.put("hydrozones", "clay", 40.0, 20.0)


@attribute("sand without clay", refused="one of sand and clay", says=ALL)
def _(d):
    d.put("hydrozones", "sand", 60.0, 50.0)


@attribute("soil that holds less than it wilts at", refused=("wilting_point", "field_capacity"),
           says=ALL)  # fmt: skip
def _(d):
    d.put("hydrozones", "field_capacity", 0.1, 0.3)
    d.put("hydrozones", "wilting_point", 0.2, 0.1)


@attribute("flag “maybe”", refused=('"maybe"', "yes or no"), says=ALL)
def _(d):
    d.put("hydrozones", "new_sod", "maybe", "yes")


@attribute("a long text where a word belongs", refused=("...", "plants"), says=ALL)
def _(d):
    d.put("hydrozones", "plants", "grass " * 20_000, "trees")


def _json_rows(folder: Path, rows: list[dict], shapes: list) -> None:
    frame = gpd.GeoDataFrame(geometry=shapes, crs=32617).to_crs(4326)
    features = [
        {"type": "Feature", "properties": row, "geometry": shape}
        for row, shape in zip(rows, (g.__geo_interface__ for g in frame.geometry), strict=True)
    ]
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (folder / "houses.geojson").write_text(text, encoding="utf-8")


def _json_case(title: str, rows: list[dict], **outcome) -> None:
    @attribute(title, **outcome)
    def _(d: Draft) -> None:
        del d.layers["buildings"]
        d.tables('buildings = "houses.geojson"')
        shapes = [at(10 + 16 * k, 24, 14, 10) for k in range(len(rows))]
        d.later.append(lambda folder: _json_rows(folder, rows, shapes))


_json_case("numbers and texts in GeoJSON", [{"height": 5.5}, {"height": "ca. 7"}],
           refused='"ca. 7"', says=ALL)  # fmt: skip
_json_case("numbers and numbers as texts in GeoJSON", [{"height": 5.5}, {"height": "6"}],
           repaired="mixed types", check=lambda s: set(s.buildings.height) == {5.5, 6.0})  # fmt: skip
_json_case("a list as a value", [{"height": [5, 6]}], refused=("5", "a number"), says=ALL)
_json_case("a table as a value", [{"height": {"m": 5}}], refused="a number", says=ALL)
_json_case("two columns that differ in case", [{"height": 5.0, "HEIGHT": 16.0}],
           refused=("one column", "HEIGHT"), says="column")  # fmt: skip


@attribute("every tree of another unknown word", refused=("and", "more"), says="layer")
def _(d):
    count = 300
    kinds = [f"thing {k}" for k in range(count)]
    d.shapes("fixtures", *[spot(1 + k / 100, 1) for k in range(count)], kind=kinds)


@attribute("can readings without numbers", refused=("depth", "a number"), says=ALL)
def _(d):
    d.shapes("cans", spot(6, 6), spot(8, 6), depth=["6 mm", "7 mm"])


@attribute("cans without readings", refused=("neither of the columns", "depth"), says="layer")
def _(d):
    d.shapes("cans", spot(6, 6), name=["a"])
