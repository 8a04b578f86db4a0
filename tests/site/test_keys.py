"""The keys of the property file: each declared once, and read, explained and listed from that."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from siting.errors import Findings, InputError
from siting.site.property import changed_property, read_keys, read_property
from siting.site.settings import TABLES, Timer, key, keys
from siting.site.template import new_property
from siting.site.toml import Key, TomlFile, TomlTable
from tests.site.test_property import BARE, write
from tests.test_docs import script

ROOT = Path(__file__).parents[2]
EVERY = [(table, one) for table in TABLES for one in table.keys]
NUMBERS = [
    (f"{table.name}.{one.name}", one)
    for table, one in EVERY
    if one.kind == "number" and table.name not in ("", "timer")
]


@dataclass(frozen=True)
class Pond:
    """A table that no property file has."""

    depth_m: float = key(1.5, least=0.2, most=9, says="of the pond")
    fish: int = key(3, most=40, says="how many")
    kind: str = key("fresh", words=("fresh", "salt"), says="of water")
    lined: bool = key(default=True, says="with a sheet")


def pond(**values: object) -> tuple[dict[str, object], list[str]]:
    """Return what is read of a pond, and its faults."""
    findings = Findings()
    table = TomlTable(TomlFile("p.toml", {}, findings, {}), values, "pond")
    return read_keys(table, Pond), [str(fault) for fault in findings.faults]


def test_a_field_is_all_that_a_new_key_takes():
    read, faults = pond(depth_ft=10, fish=4, kind="Salt", lined=False)
    assert faults == []
    assert Pond(**read) == Pond(pytest.approx(3.048), 4, "salt", lined=False)
    assert pond() == ({}, [])


def test_every_fault_of_a_new_key_is_told_at_once():
    read, faults = pond(depth_m=10, fish=2.5, kind="sallt", lind=True)
    assert read == {}
    told = (
        ("pond.depth_m", "10", "a number from 0.2 to 9"),
        ("pond.fish", "2.5", "a whole number from 0 to 40"),
        ("pond.kind", '"sallt"', 'Write "salt"'),
        ("pond.lind", "in [pond]: depth_m, fish, kind, lined", "Did you mean lined?"),
    )
    assert len(faults) == len(told)
    for fault, words in zip(faults, told, strict=True):
        assert all(word in fault for word in words), fault


@pytest.mark.parametrize(("dotted", "one"), NUMBERS, ids=[dotted for dotted, _ in NUMBERS])
def test_a_number_is_taken_within_its_range_in_every_spelling(tmp_path, dotted, one):
    settings = read_property(write(tmp_path, BARE))
    table = dotted.rpartition(".")[0]
    for spelling, factor in one.factors.items():
        inside = one.least if one.whole else (one.least + 0.4 * (one.most - one.least)) / factor
        changed = changed_property(settings, {f"{table}.{spelling}": inside})
        held = changed
        for part in table.split("."):
            if isinstance(held, tuple):
                held = next(item for item in held if item.kind == part)
            else:
                held = getattr(held, part)
        assert getattr(held, one.name) == pytest.approx(inside * factor), spelling
        beyond = (one.most * 1.1 + 1) / factor
        with pytest.raises(InputError, match=re.escape(f"{table}.{spelling}")) as caught:
            changed_property(
                settings, {f"{table}.{spelling}": int(beyond) if one.whole else beyond}
            )
        assert one.allowed in str(caught.value)


def test_defaults_are_among_what_is_allowed():
    for table, one in EVERY:
        value = table.default(one)
        if one.kind == "number" and value is not None:
            assert one.least <= value <= one.most, one.name
        if one.kind == "word" and value is not None:
            assert value in one.words, one.name
        if one.kind == "words":
            assert set(value) <= set(one.words), one.name


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_template_has_every_key_of_which_there_is_an_example(tmp_path, units):
    text = new_property(tmp_path / "p", units=units)[0].read_text("utf-8")
    for table, one in EVERY:
        value = table.default(one)
        if one.shown or value is not None:
            assert one.example(value, us=units == "us") in text, one.name
            if one.either == "" or one == next(k for k in table.keys if k.either == one.either):
                assert one.says in text, one.name
    assert not [line for line in text.splitlines() if len(line) > 120]


def test_the_documentation_lists_every_key_and_the_pages_name_no_other():
    page = script()._keys()
    for table, one in EVERY:
        assert f"## `[{table.name}]`" in page or not table.name
        assert f"| `{next(iter(one.factors))}`" in page
        assert one.says in page
    rows = re.findall(
        r"^\| (`\[.*?)\|", (ROOT / "siting/docs/pages/use.md").read_text("utf-8"), re.MULTILINE
    )
    written = {name for _, one in EVERY for name in one.factors}
    tables = {f"[{table.name}]" for table in TABLES} | {"[water.bills]"}
    assert len(rows) >= 8
    for name in re.findall(r"`([^`]+)`", "".join(rows)):
        table, _, single = name.rpartition(" ")
        assert single in tables | written | {"_in"}, name
        assert not table or table in tables, name


def test_the_written_keys_stand_in_their_table_with_their_defaults():
    text = (ROOT / "siting/docs/pages/use.md").read_text("utf-8")
    told = []
    for row in re.findall(r"^\| `\[(\w+)\] (\w+)`(.*)\|$", text, re.MULTILINE):
        name, written, meaning = row
        table, one = next((t, k) for t, k in EVERY if t.name == name and written in k.factors)
        told += [
            (one.written(table.default(one)).strip('"'), value)
            for value in re.findall(r"([\w.]+)`?,? where not given", meaning)
        ]
    assert len(told) >= 2
    assert [known for known, _ in told] == [value for _, value in told]


def test_changing_a_key_removes_what_may_not_stand_beside_it(tmp_path):
    text = BARE + '[timer]\ndays = ["Mon"]\ndepth_mm = { "_1" = 8 }\n[water]\nprice = 2\n'
    settings = read_property(write(tmp_path, text))
    changes = {
        "timer.every_n_days": 3,
        "timer.depth_in": {"_1": 0.5},
        "water.tiers": [{"price_per_kgal": 8.0}],
    }
    changed = changed_property(settings, changes)
    # A valve's name may begin like the ending of a key.
    assert changed.timer == Timer(every_n_days=3, depth_mm={"_1": pytest.approx(12.7)})
    assert (changed.water.price, len(changed.water.tiers)) == (None, 1)
    back = changed_property(changed, {"water.price_per_ccf": 5.0, "timer.minutes": {"_1": 20}})
    assert back.water.tiers == ()
    assert back.timer == Timer(every_n_days=3, minutes={"_1": 20})


def test_a_key_that_belongs_to_two_tables_is_told_both(tmp_path):
    with pytest.raises(InputError, match=r"It belongs in the table \[weather\] or \[analysis\]"):
        read_property(write(tmp_path, BARE + "[setbacks]\nseed = 3\n"))


def test_types_say_how_a_key_is_read():
    assert [one.kind for one in keys(Pond)] == ["number", "number", "word", "flag"]
    assert [one.whole for one in keys(Pond)] == [False, True, False, False]
    assert keys(Pond)[0].factors == {"depth_m": 1.0, "depth_ft": 0.3048}
    assert Key("life", default=10.0).example() == "life = 10"
