"""The JSON Schema of the property file: the keys that are read, no more and no fewer."""

import tomllib
from pathlib import Path

import jsonschema
import pytest

from siting.site.settings import TABLES
from siting.site.template import new_property, property_schema

ROOT = Path(__file__).parents[2]
SCHEMA = property_schema()
VALID = jsonschema.Draft202012Validator(SCHEMA)


def part(schema, dotted):
    for name in filter(None, dotted.split(".")):
        schema = schema["properties"][name]
    return schema


def test_schema_has_the_keys_that_are_read_and_no_others():
    inner = {table.name for table in TABLES}
    for table in TABLES:
        properties = part(SCHEMA, table.name)["properties"]
        spellings = {spelling for key in table.keys for spelling in key.factors}
        tables = {
            name.rpartition(".")[2]
            for name in inner
            if name and name.rpartition(".")[0] == table.name
        }
        more = {"evidence", "factors"} if not table.name else set()
        assert set(properties) == spellings | tables | more, table.name
        for key in table.keys:
            for spelling in key.factors:
                assert key.says in properties[spelling]["description"]
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("path", sorted((ROOT / "data").glob("*/property.toml")), ids=str)
def test_demo_properties_fit(path):
    VALID.validate(tomllib.loads(path.read_text("utf-8")))


@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_new_property_file_fits_with_every_example_switched_on(tmp_path, units):
    new_property(tmp_path / "yard", units=units)
    text = (tmp_path / "yard" / "property.toml").read_text("utf-8")
    VALID.validate(tomllib.loads(text))
    for table in TABLES:
        for key in table.keys:
            if key.name == "aim" or not (key.shown or key.default is not None):
                continue
            line = key.example(table.default(key), us=units == "us")
            values = tomllib.loads(line)
            [(name, value)] = values.items()
            told = part(SCHEMA, table.name)["properties"][name]
            jsonschema.Draft202012Validator(told).validate(value)


@pytest.mark.parametrize(
    "wrong",
    [
        {"water": {"prize": 2.0}}, {"units": "imperial"}, {"control": {"max_sensors": 0}},
        {"setbacks": {"head_ft": 400}}, {"layers": {"trees": {"colums": {}}}},
        {"timer": {"minutes": {"1": 2000}}}, {"season": {"start": "March"}},
    ],
    ids=str,
)  # fmt: skip
def test_what_the_reader_refuses_the_schema_refuses(wrong):
    sound = {"name": "A", "layers": "a.gpkg", "weather": {"file": "w.csv", "elevation_m": 5}}
    VALID.validate(sound)
    with pytest.raises(jsonschema.ValidationError):
        VALID.validate(sound | wrong)
