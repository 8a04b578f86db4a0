"""Edit forms of a new property's GeoPackage, so that a GIS asks for columns and nobody types them.

A desktop GIS reads a layer's style from the table `layer_styles`: drop-downs with the trade's
words, ranges, values that a new thing starts with, and a question for a heading.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final
from xml.sax.saxutils import quoteattr

import pyogrio

from siting.draw.forms import THINGS, Question, Words
from siting.files import add_styles
from siting.palette import MARKS, NEED
from siting.site.columns import COLUMNS, Column
from siting.site.settings import VECTOR_LAYERS

_FINITE: Final = 1e9
#: Colour of a layer where its things have several.
_COLOURS: Final = {"hydrozones": NEED[3], "fixtures": MARKS["head"], "walls": MARKS["crown_edge"]}


def add_forms(path: Path) -> None:
    """Add a style with an edit form to every layer of a new property's GeoPackage."""
    headers = {
        name: [str(field) for field in pyogrio.read_info(path, layer=name)["fields"]]
        for name in VECTOR_LAYERS
    }
    styles = {name: form(name, found) for name, found in headers.items()}
    add_styles(path, styles, says="forms of siting")


def form(layer: str, headers: Iterable[str]) -> str:
    """Return a layer's style with its edit form, as the GIS writes one."""
    fields, aliases, defaults, needs = [], [], [], []
    for header in headers:
        column = _column(layer, header)
        question = _question(layer, column.name)
        factor = column.endings.get(header.removeprefix(column.name), 1.0)
        unit = header.removeprefix(column.name).strip("_").replace("_", " ") or column.unit
        asks = question.asks if question else column.name.replace("_", " ").capitalize()
        if unit and column.kind in {"number", "length"}:
            asks += f" [{unit}]"
        name = quoteattr(header)
        fields.append(f"<field name={name}>{_widget(column, question, factor)}</field>")
        aliases.append(f"<alias field={name} name={quoteattr(asks)}/>")
        usual = question.usual if question else None
        if usual is not None:
            number = isinstance(usual, int | float) and not isinstance(usual, bool)
            told = f"{float(usual) / factor:g}" if number else f"'{usual}'"
            defaults.append(f'<default field={name} expression="{told}" applyOnUpdate="0"/>')
        if column.required or (question and question.needed and column.name != "crown_diameter"):
            needs.append(
                f'<constraint field={name} constraints="1" notnull_strength="1"'
                ' unique_strength="0" exp_strength="0"/>'
            )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
        '<qgis version="3.22.0" styleCategories="Symbology|Fields|Forms">'
        f"{_symbol(layer)}"
        f"<fieldConfiguration>{''.join(fields)}</fieldConfiguration>"
        f"<aliases>{''.join(aliases)}</aliases><defaults>{''.join(defaults)}</defaults>"
        f"<constraints>{''.join(needs)}</constraints>"
        "<editorlayout>generatedlayout</editorlayout></qgis>"
    )


def _column(layer: str, header: str) -> Column:
    """Return the column that a header of the template means."""
    return next(
        column
        for column in COLUMNS[layer]
        if header in {column.name + ending for ending in column.endings}
    )


def _question(layer: str, name: str) -> Question | None:
    """Return how a column is asked about; None where only its name is known."""
    things = [thing for thing in THINGS if thing.layer == layer]
    # The kinds of fixtures are things of their own on the page, and one drop-down in a GIS.
    if layer == "fixtures" and name == "kind":
        return Question(name, "What is it?", _fixture_words(), needed=True)
    asked = [question for thing in things for question in thing.asks if question.name == name]
    return asked[0] if asked else None


def _fixture_words() -> Words:
    words = {dict(thing.sets)["kind"]: thing.says for thing in THINGS if thing.sets}
    more = next(thing for thing in THINGS if thing.name == "other").asks[0].words
    return tuple((words | dict(more)).items())


def _widget(column: Column, question: Question | None, factor: float) -> str:
    """Return the part of the form that holds a column's value."""
    words: Words = question.words if question else ()
    if column.words and not words:
        words = tuple((word, word.replace("_", " ")) for word in column.words)
    if words:
        rows = "".join(
            f'<Option type="Map"><Option name={quoteattr(says)} value={quoteattr(word)}'
            ' type="QString"/></Option>'
            for word, says in words
        )
        return _config("ValueMap", f'<Option name="map" type="List">{rows}</Option>')
    if column.kind == "flag":
        return _config("CheckBox", "")
    if column.kind not in {"number", "length"}:
        return _config("TextEdit", '<Option name="IsMultiline" value="false" type="bool"/>')
    least, most = (
        max(min(value / factor, _FINITE), -_FINITE) for value in (column.low, column.high)
    )
    return _config(
        "Range",
        '<Option name="AllowNull" value="true" type="bool"/>'
        f'<Option name="Min" value="{least:g}" type="double"/>'
        f'<Option name="Max" value="{most:g}" type="double"/>'
        '<Option name="Precision" value="3" type="int"/>'
        '<Option name="Step" value="1" type="double"/>'
        '<Option name="Style" value="SpinBox" type="QString"/>',
    )


def _config(kind: str, options: str) -> str:
    inner = f'<Option type="Map">{options}</Option>' if options else "<Option/>"
    return f'<editWidget type="{kind}"><config>{inner}</config></editWidget>'


def _symbol(layer: str) -> str:
    """Return how a layer is drawn: in the colours of the drawing page."""
    thing = next((thing for thing in THINGS if thing.layer == layer), None)
    colour = _COLOURS.get(layer) or (MARKS[thing.mark] if thing else MARKS["other"])
    red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
    shape = {"area": "fill", "line": "line"}.get(thing.shape if thing else "", "marker")
    shape = "fill" if layer == "soils" else shape
    rgb = f"{red},{green},{blue}"
    alpha = 0 if layer == "boundary" else 85
    name, options = {
        "fill": ("SimpleFill", {"color": f"{rgb},{alpha}", "outline_color": f"{rgb},255"}),
        "line": ("SimpleLine", {"line_color": f"{rgb},255", "line_width": "0.7"}),
        "marker": ("SimpleMarker", {"color": f"{rgb},255", "size": "2.6"}),
    }[shape]
    told = "".join(
        f'<Option name="{key}" value="{value}" type="QString"/>' for key, value in options.items()
    )
    return (
        '<renderer-v2 type="singleSymbol" symbollevels="0" enableorderby="0" forceraster="0">'
        f'<symbols><symbol name="0" type="{shape}" alpha="1" clip_to_extent="1" force_rhr="0">'
        f'<layer class="{name}" enabled="1" locked="0" pass="0"><Option type="Map">{told}</Option>'
        "</layer></symbol></symbols></renderer-v2>"
    )
