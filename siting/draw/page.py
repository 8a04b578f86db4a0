"""The drawing page: one HTML file that needs no network, for a property that is new or there."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from siting.draw.drawing import drawing_of
from siting.draw.forms import THINGS, Question, Thing
from siting.files import write_text
from siting.palette import INK, MARKS, NEED
from siting.site.columns import COLUMNS, Column
from siting.units import UnitsName

#: The page's name in a property's folder.
NAME: Final = "draw.html"
_SCRIPTS: Final = ("plane.js", "state.js", "picture.js", "page.js")
_ZONE: Final = NEED[3]


def write_page(folder: Path, *, units: UnitsName = "metric") -> tuple[Path, tuple[str, ...]]:
    """Write the drawing page into a folder, with the property that is there.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    units : {"metric", "us"}
        What a new drawing is measured in; a property that is there says its own.

    Returns
    -------
    tuple of Path and tuple of str
        The page, and what of the property could not be opened, in plain words.

    Raises
    ------
    InputError
        When the folder's property file cannot be read at all.
    """
    folder = Path(folder).absolute()
    opened: dict[str, Any] | None = None
    notes: tuple[str, ...] = ()
    if (folder / "property.toml").is_file():
        opened, notes = drawing_of(folder / "property.toml")
        units = opened["siting_drawing"]["units"]
    page = {
        "key": hashlib.sha256(str(folder).encode()).hexdigest()[:16],
        "name": folder.name,
        "units": units,
        "next": _next(folder, there=opened is not None),
        "ink": INK,
        "things": [_thing(thing) for thing in THINGS],
        "opened": opened,
        "licences": _licences(),
    }
    return write_text(folder / NAME, _html(page)), notes


def _next(folder: Path, *, there: bool) -> str:
    """Return what to type once a drawing is saved."""
    if there:
        return f'move it into {folder.name}, write layers = "drawing.geojson" in property.toml'
    return f"siting new {folder.name} --from drawing.geojson"


def _thing(thing: Thing) -> dict[str, Any]:
    """Return a kind of thing as the page's scripts want it."""
    colour = _ZONE if thing.mark == "zone" else MARKS[thing.mark]
    return {
        "name": thing.name,
        "layer": thing.layer,
        "says": thing.says,
        "shape": thing.shape,
        "hint": thing.hint,
        "sets": dict(thing.sets),
        "colour": colour,
        "fill": f"{colour}{'00' if thing.mark == 'boundary' else '55'}",
        "asks": [_question(question, thing.layer) for question in thing.asks],
    }


def _question(question: Question, layer: str) -> dict[str, Any]:
    """Return a question with the range of its column."""
    column = column_of(layer, question.name)
    least, most = column.low, column.high
    return {
        "name": question.name,
        "asks": question.asks,
        "kind": "text" if column.kind == "word" else column.kind,
        "words": [list(pair) for pair in question.words],
        "small": question.small,
        "usual": question.usual,
        "unsaid": question.unsaid,
        "needed": question.needed,
        "unit": column.unit,
        "least": least if abs(least) < float("inf") else -1e9,
        "most": most if most < float("inf") else 1e9,
    }


def column_of(layer: str, name: str) -> Column:
    """Return a column of a layer."""
    return next(column for column in COLUMNS[layer] if column.name == name)


def _asset(name: str) -> str:
    return files("siting").joinpath(name).read_text(encoding="utf-8")


def _licences() -> str:
    """Return the licences of everything that the page carries."""
    names = (
        "handoff/assets/leaflet-1.9.4.LICENSE",
        "draw/assets/terra-draw-1.35.0.LICENSE",
        "draw/assets/world.LICENSE",
    )
    return "\n\n".join(_asset(name).strip() for name in names)


def _html(page: dict[str, Any]) -> str:
    """Return the page with everything inside and a policy that allows nothing else."""
    # The world's coasts are numbers of ours, and are not parsed to be written again.
    data = as_json(page)[:-1] + ',"world":' + _asset("draw/assets/world.json").strip() + "}"
    boot = (
        'const PAGE = JSON.parse(document.getElementById("page-data").textContent);\n'
        "PAGE.of = Object.fromEntries(PAGE.things.map((thing) => [thing.name, thing]));"
    )
    vendored = (
        "handoff/assets/leaflet-1.9.4.js",
        "draw/assets/terra-draw-1.35.0.js",
        "draw/assets/terra-draw-leaflet-adapter-1.0.3.js",
    )
    own = [_asset(f"draw/assets/{name}") for name in _SCRIPTS]
    script = "\n;\n".join([*(_asset(name) for name in vendored), boot, *own])
    colours = {**INK, "line-strong": "#7c8894", "caution-edge": INK["caution_edge"]}
    root = ":root {" + "".join(f" --{name}: {colour};" for name, colour in colours.items()) + " }\n"
    parts = {
        "title": escape(f"Draw {page['name']}"),
        "leaflet_css": re.sub(r"url\([^)]*\)", "none", _asset("handoff/assets/leaflet-1.9.4.css")),
        "css": root + _asset("draw/assets/page.css"),
        "data": data,
        "script": script,
    }
    pattern = re.compile(r"@(" + "|".join(parts) + r")@")
    html = pattern.sub(lambda match: parts[match[1]], _asset("draw/assets/page.html"))
    digest = hashlib.sha256(f"\n{script}\n".encode()).digest()
    # Leaflet and the pen set styles from their scripts; nothing of a user goes into them.
    policy = (
        f"default-src 'none'; script-src 'sha256-{base64.b64encode(digest).decode()}'; "
        "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    return html.replace("@policy@", policy, 1)


def as_json(values: object) -> str:
    r"""Return values as JSON that may stand inside a script element.

    >>> as_json({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(values, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text
