"""What can be drawn, what is asked of each thing in plain words, and a GIS's forms of it.

One list for every way in: the drawing page makes its forms of it, a GeoPackage its own. A question
is about a column of a layer, whose range and words stand in `siting.site.columns`. A desktop GIS
reads a layer's style from the table `layer_styles`: drop-downs with the trade's words, ranges,
values that a new thing starts with, and a question for a heading.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from xml.sax.saxutils import quoteattr

import pyogrio

from siting.files import add_styles
from siting.palette import MARKS, NEED
from siting.site.columns import COLUMNS, Column
from siting.site.settings import VECTOR_LAYERS

Shape = Literal["area", "line", "point", "circle"]
Words = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Question:
    """One field of a form: a column of the layer, and how it is asked.

    words: what may be chosen -> how it reads; small: a length told in inches (or millimetres)
    rather than feet; usual: what a new thing gets, said as an assumption; unsaid: what holds where
    it is left empty; needed: whether no plan can be made without it.
    """

    name: str
    asks: str
    words: Words = ()
    small: bool = False
    usual: str | float | bool | None = None
    unsaid: str = ""
    needed: bool = False


@dataclass(frozen=True)
class Thing:
    """A kind of thing to draw.

    layer: of the property; says: its name on a button; sets: columns that follow from the kind;
    mark: its colour, a key of `siting.palette.MARKS` or `NEED`.
    """

    name: str
    layer: str
    says: str
    shape: Shape
    mark: str
    asks: tuple[Question, ...] = ()
    sets: tuple[tuple[str, str], ...] = ()
    hint: str = ""


PLANT_WORDS: Final[Words] = (
    ("cool_season_turf", "Lawn: fescue, rye, bluegrass (cool season)"),
    ("warm_season_turf", "Lawn: bermuda, zoysia, St. Augustine (warm season)"),
    ("groundcover", "Groundcover"),
    ("shrubs", "Shrubs"),
    ("trees", "Trees"),
    ("perennials", "Perennials"),
    ("annuals", "Annual flowers"),
    ("vegetables", "Vegetables"),
    ("desert_plants", "Desert plants"),
    ("mixed", "A mix of these"),
)
SOIL_WORDS: Final[Words] = (
    ("sand", "Sand: falls apart in the hand"),
    ("loamy sand", "Loamy sand"),
    ("sandy loam", "Sandy loam: gritty, just holds together"),
    ("loam", "Loam: soft, holds together"),
    ("silt loam", "Silt loam: smooth as flour"),
    ("silt", "Silt"),
    ("sandy clay loam", "Sandy clay loam"),
    ("clay loam", "Clay loam: makes a short ribbon"),
    ("silty clay loam", "Silty clay loam"),
    ("sandy clay", "Sandy clay"),
    ("silty clay", "Silty clay"),
    ("clay", "Clay: sticky, makes a long ribbon"),
)
WATERING_WORDS: Final[Words] = (
    ("spray", "Spray heads: fixed fans"),
    ("rotor", "Rotors: one turning stream"),
    ("rotary_nozzle", "Rotary nozzles: many turning streams"),
    ("impact", "Impact heads"),
    ("bubbler", "Bubblers"),
    ("drip", "Drip line or emitters"),
)
BURIED_WORDS: Final[Words] = (
    ("gas", "Gas"),
    ("electric", "Electric"),
    ("cable", "Telephone or cable"),
    ("water", "Water"),
    ("sewer", "Sewer or septic"),
    ("irrigation", "Irrigation pipe"),
    ("lighting", "Lighting wire"),
    ("other", "Something else"),
)
_NAME: Final = Question("name", "A name, if it has one")
_CONTROLLER: Final = Question("controller", "Which controller, where there are several?")
_VALVE: Final = Question("valve", "Which valve (station) waters it?", unsaid="a valve of its own")

#: In the order in which a property is best drawn. Usual values: common practice, no source.
THINGS: Final = (
    Thing("boundary", "boundary", "Property line", "area", "boundary",
          hint="Trace the edge of the property, corner by corner."),
    Thing("building", "buildings", "Building", "area", "building", (
        Question("height", "How high is its roof above the ground?"),
        Question("levels", "Or: how many storeys?", usual=1,
                 unsaid="its height must be told; a storey is taken as 3 m (10 ft)"),
    ), hint="Trace the walls. Buildings outside the property cast shade too."),
    Thing("zone", "hydrozones", "Planted zone", "area", "zone", (
        Question("zone", "Its name", needed=True),
        Question("plants", "What grows here?", PLANT_WORDS, needed=True),
        _VALVE,
        Question("irrigation", "How is it watered?", WATERING_WORDS, unsaid="spray heads"),
        Question("soil", "What is the soil?", SOIL_WORDS, unsaid="sandy loam, and doubted"),
        Question("precipitation_rate", "How fast does water come down, if it was measured?",
                 unsaid="what is usual for such heads"),
        Question("slope", "How steep is it, in percent?", unsaid="level"),
        Question("new_sod", "Was the lawn laid this year?"),
        Question("in_play", "Do people play on it?"),
        _CONTROLLER,
    ), hint="One zone is ground of the same plants on the same valve. Sun and shade are computed."),
    Thing("paving", "paving", "Paving", "area", "paving", hint="Drives, terraces, walks."),
    Thing("tree", "trees", "Tree", "circle", "crown", (
        Question("crown_diameter", "How wide is its crown?", needed=True),
        Question("height", "How high is it?", unsaid="its crown's width over 0.6"),
        Question("evergreen", "Does it keep its leaves in winter?", unsaid="no matter in summer"),
        Question("trunk_diameter", "How thick is the trunk at breast height?", small=True,
                 unsaid="told from the crown"),
    ), hint="Press at the trunk, then at the edge of the crown."),
    Thing("wall", "walls", "Wall or fence", "line", "building_edge", (
        Question("height", "How high is it?", usual=1.8, needed=True),
        Question("transmissivity", "How much light comes through, 0 to 1?", usual=0),
    )),
    Thing("hedge", "walls", "Hedge", "line", "crown_edge", (
        Question("height", "How high is it?", usual=1.5, needed=True),
        Question("transmissivity", "How much light comes through, 0 to 1?", usual=0.1),
    )),
    Thing("controller", "fixtures", "Controller", "point", "controller", (_NAME,),
          (("kind", "controller"),), "The timer that opens the valves."),
    Thing("valve_box", "fixtures", "Valve box", "point", "valve_box", (
        Question("valve", "Which valves are in it?"), _NAME), (("kind", "valve_box"),)),
    Thing("head", "fixtures", "Sprinkler head", "point", "head", (
        Question("valve", "Which valve is it on?"),
        Question("wetted_radius", "How far does it throw?"),
    ), (("kind", "head"),)),
    Thing("downspout", "fixtures", "Downspout", "point", "downspout", (_NAME,),
          (("kind", "downspout"),), "Where the roof's water comes down: no sensor near it."),
    Thing("path", "paths", "Trodden path", "line", "traffic", (_NAME,)),
    Thing("buried", "utilities", "Buried line", "line", "utility", (
        Question("kind", "What is it?", BURIED_WORDS),
    ), hint="Only what you know of. Have the lines marked before anyone digs (811 in the US)."),
    Thing("other", "fixtures", "Anything else", "point", "other", (
        Question("kind", "What is it?", (
            ("backflow", "Backflow preventer"), ("meter", "Water meter"),
            ("hydrant", "Hydrant"), ("light", "Light"), ("other", "Something else"),
        ), usual="other", needed=True), _NAME)),
)  # fmt: skip


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
