"""What can be drawn, and what is asked of each thing, in plain words.

One list for every way in: the drawing page makes its forms of it, a GeoPackage its own. A question
is about a column of a layer, whose range and words stand in `siting.site.columns`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

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
