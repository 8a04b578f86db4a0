"""Start a property: a commented property file and empty layers, or a bundled demo."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
import pyogrio
import pyproj

from siting.errors import Fault, InputError, SitingError
from siting.site.columns import COLUMNS, Column
from siting.site.settings import VECTOR_LAYERS
from siting.units import UnitsName

_GEOMETRY: Final = {
    "trees": "Point",
    "walls": "MultiLineString",
    "fixtures": "Point",
    "cans": "Point",
    "paths": "MultiLineString",
    "utilities": "MultiLineString",
}
_DTYPES: Final = {
    "text": "str",
    "word": "str",
    "flag": "bool",
    "number": "float64",
    "length": "float64",
}
#: Headers that carry their unit, for people who measure in feet and inches.
_US_NAMES: Final = {
    "height": "height_ft",
    "crown_diameter": "crown_diameter_ft",
    "crown_base": "crown_base_ft",
    "trunk_diameter": "trunk_diameter_in",
    "root_depth": "root_depth_in",
    "precipitation_rate": "precipitation_rate_in_h",
    "depth": "depth_in",
    "mouth_diameter": "mouth_diameter_in",
    "wetted_radius": "wetted_radius_ft",
    "nozzle_flow": "nozzle_flow_gpm",
}
_WEATHER: Final = "date,tmin_c,tmax_c,rain_mm,rs_mj_m2,rh_min,rh_max,wind_m_s\n"
#: GeoPackages carry a date of change; a fixed one makes the file the same every time.
_STAMP: Final = "2000-01-01T00:00:00.000Z"
_TOML: Final = """\
# A property for `siting`. Lines that begin with # are notes or examples; remove the # to use one.
name = "My property"            # any text; it heads the map and the crew sheet
units = "{units}"{pad}# how results are shown: metric or us
layers = "property.gpkg"        # the drawing; or a table [layers]: layer name = "file:layer"
# units_in = "{length}"{length_pad}# unit of the columns' lengths where no header says it
## Only boundary and hydrozones have to be drawn. What shades: buildings; trees (evergreen yes or
## no; transmissivity in leaf and transmissivity_bare out of leaf, 0 dark to 1 clear); and walls:
## lines for free-standing walls, fences and hedges, with their height and transmissivity.

[weather]
file = "weather.csv"            # daily: date, tmin_c, tmax_c, rain_mm and what else is known
{elevation} = 0{elevation_pad}# height of the weather station above the sea
# format = "daily"              # or ghcn, normals; or tmy2, tmy3, epw, psm3 with a rain_file
# years = 30                    # how many years to make when the file holds monthly normals
# seed = 1                      # of the random numbers they are made with

[season]
start = "01-01"                 # first day on which the system may run (month-day)
end = "12-31"                   # last day; it may lie in the next year

# [timer]                       # what runs today; savings are only claimed against it
# days = ["Mon", "Thu"]         # or every_n_days = 3
# start = "04:00"               # time of day
# minutes = {{ "1" = 20, "2" = 35 }} # run time of each valve; or {depth} = {{ "1" = {amount} }}

# [water]
# {price}{price_pad}# per {volume}; or tiers = [{{ {tier}, price = 1.2 }}, {{ price = 3 }}]
# currency = "USD"              # used for every price here
# budget = "mwelo"              # report a water budget: "mwelo" (year) or "epa" (peak month)
# budget_use = "residential"    # or "non_residential"

# [costs]                       # payback is only claimed when these are given
# device = 275                  # one sensor with its control unit
# installation = 150            # putting one in
# {trench}{trench_pad}# digging and closing, per {metre}
# {wire}{wire_pad}# wire, per {metre}
# life_years = 10               # how long a sensor lasts
# discount_rate = 0.03          # interest a year, for the discounted payback

# [hardware]                    # the trade's usual prices are taken where none are given
# kinds = ["add_on", "replacement"] # what may be bought
# [hardware.add_on]             # a module beside the 24 V AC timer that is there: it can only skip
# sensors = 12                  # most per controller; 1 = on the common wire, for all valves
# [hardware.replacement]        # a timer with sensor inputs: it can skip or start
# sensors = 4                   # its inputs
# timer = 400                   # the timer itself
# timer_installation = 200      # putting the timer in
# device = 150                  # each sensor on it
# installation = 100            # digging in each sensor
# controllers = ["C1"]          # only these can take it; every one where it is not given

[control]
kinds = ["bypass", "on_demand"] # kinds of control to consider
max_sensors = 6                 # most sensors to consider
max_stress_days = 5             # days of stress allowed in a zone in the worst season out of ten
# aim = "within_limit"          # heal what today leaves dry; as_today never uses more than today
# allowed_days = ["Tue", "Sat"] # days on which local rules allow watering
# allowed_window = ["20:00", "08:00"] # hours in which they allow it
# {shutoff}{shutoff_pad}# a rain shut-off skips from this much rain on ...
# rain_shutoff_days = 2         # ... over this many days
# sensor_error_percent = 1.4    # how far a set sensor is off for good, in % of the soil's volume

[setbacks]                      # least distance of a sensor from each hazard, in {metres}
{setbacks}slope_percent = 25              # no sensor on steeper ground (needs a terrain raster)

[analysis]
resolution = 0.5                # cell of the computation, in metres
scenarios = 64                  # how many sets of uncertain values are tried
seed = 1                        # start of the random numbers; the same seed gives the same plan
"""
_SETBACKS: Final = (
    ("building", 1.5, 5, "from a wall"),
    ("paving", 1.5, 5, "from paving"),
    ("boundary", 1.5, 5, "from the property line"),
    ("head", 1.5, 5, "from a sprinkler head"),
    ("zone_edge", 0.9, 3, "from the edge of its zone"),
    ("downspout", 3.0, 10, "from a downspout"),
    ("traffic", 0.9, 3, "from a path that people tread"),
    ("utility", 0.6, 2, "from a pipe or cable in the ground"),
    ("low_spot", 0.9, 3, "from hollows and flow paths (needs a terrain raster)"),
)
_COLUMN: Final = 32
_SHOWN: Final = ("price", "trench", "wire", "other", "tier", "shutoff")


def new_property(
    folder: Path, *, units: UnitsName = "metric", crs: str = "EPSG:4326"
) -> tuple[Path, ...]:
    """Start a property in a folder.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    units : {"metric", "us"}
        "us" writes keys and columns that carry feet, inches and gallons in their names.
    crs : str
        CRS of the empty layers; any that pyproj understands.

    Returns
    -------
    tuple of Path
        property.toml, property.gpkg and weather.csv.

    Raises
    ------
    InputError
        When one of the files is there already, the CRS is not known, or the folder cannot be
        written. Nothing is changed then.
    """
    folder = Path(folder).absolute()
    names = ("property.toml", "property.gpkg", "weather.csv")
    faults = [
        Fault(name, "a file of this name in the folder", "a folder without it", _ELSEWHERE)
        for name in names
        if (folder / name).exists()
    ]
    projection = _crs(crs, faults)
    if faults or projection is None:
        raise InputError(faults)
    try:
        _write_all(folder, names, units, projection)
    except OSError as error:
        found = f"a folder that cannot be written ({error.strerror or error})"
        fault = Fault(folder.name, found, "a folder that you may write", "Choose another folder.")
        raise InputError([fault]) from error
    return tuple(folder / name for name in names)


_ELSEWHERE: Final = "Choose another folder, or move the file away; nothing was overwritten."


def _crs(text: str, faults: list[Fault]) -> pyproj.CRS | None:
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        mend = "Write an EPSG code, as in EPSG:4326."
        faults.append(Fault("--crs", f'"{text}"', "a coordinate reference system", mend))
        return None


def _write_all(folder: Path, names: tuple[str, ...], units: UnitsName, crs: pyproj.CRS) -> None:
    """Write everything beside the folder first, so that a failure leaves no half of it."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".siting-", dir=folder.parent) as temporary:
        made = Path(temporary)
        (made / names[0]).write_text(_toml(units), encoding="utf-8", newline="\n")
        _write_layers(made / names[1], units, crs)
        (made / names[2]).write_text(_WEATHER, encoding="utf-8", newline="\n")
        folder.mkdir(exist_ok=True)
        for name in names:
            shutil.move(made / name, folder / name)


def _write_layers(path: Path, units: UnitsName, crs: pyproj.CRS) -> None:
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _STAMP})
    try:
        for name in VECTOR_LAYERS:
            shape = _GEOMETRY.get(name, "MultiPolygon")
            pyogrio.write_dataframe(
                _empty(COLUMNS[name], units, crs), path, layer=name, geometry_type=shape
            )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _empty(columns: tuple[Column, ...], units: UnitsName, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return a frame without rows whose columns have the right types."""
    names = _US_NAMES if units == "us" else {}
    data = {names.get(c.name, c.name): pd.Series(dtype=_DTYPES[c.kind]) for c in columns}
    return gpd.GeoDataFrame(data, geometry=gpd.GeoSeries([], crs=crs), crs=crs)


#: What differs between the two property files.
_WORDS: Final[dict[UnitsName, dict[str, str]]] = {
    "metric": {
        "length": "m",
        "elevation": "elevation_m",
        "depth": "depth_mm",
        "amount": "10",
        "price": "price = 2.10",
        "volume": "m³",
        "trench": "trench_per_m = 6",
        "wire": "wire_per_m = 0.8",
        "metre": "metre",
        "metres": "metres",
        "other": "other_use_m3 = 15",
        "tier": "up_to_m3 = 25",
        "bill_unit": "m3",
        "shutoff": "rain_shutoff_mm = 6",
    },
    "us": {
        "length": "ft",
        "elevation": "elevation_ft",
        "depth": "depth_in",
        "amount": "0.4",
        "price": "price_per_kgal = 8.00",
        "volume": "1,000 US gallons",
        "trench": "trench_per_ft = 1.80",
        "wire": "wire_per_ft = 0.25",
        "metre": "foot",
        "metres": "feet",
        "other": "other_use_kgal = 4",
        "tier": "up_to_kgal = 6",
        "bill_unit": "kgal",
        "shutoff": "rain_shutoff_in = 0.25",
    },
}


def _toml(units: UnitsName) -> str:
    words = _WORDS[units] | {"units": units}
    pads = {
        "pad": f'units = "{units}"',
        "length_pad": f'# units_in = "{words["length"]}"',
        "elevation_pad": f"{words['elevation']} = 0",
        **{f"{key}_pad": f"# {words[key]}" for key in _SHOWN},
        "bill_pad": f'# unit = "{words["bill_unit"]}"',
    }
    spaces = {name: " " * max(_COLUMN - len(text), 1) for name, text in pads.items()}
    return _TOML.format(**words, **spaces, setbacks=_setback_lines(us=units == "us"))


def _setback_lines(*, us: bool) -> str:
    lines = []
    for name, metres, feet, note in _SETBACKS:
        key = f"{name}_ft = {feet}" if us else f"{name} = {metres}"
        lines.append(f"{key.ljust(_COLUMN)}# {note}\n")
    return "".join(lines)


DEMOS: Final = {
    "campus": "a mixed campus-like landscape of 1.5 ha, where several sensors pay",
    "yard": "a small yard in the southern hemisphere, where one sensor is enough",
    "fields": "sports grounds of 3.3 ha with four fields, a stand and a row of poplars",
    "court": "a courtyard that its own roofs shade, with a lawn on the street",
}


def demo_property(name: str = "campus") -> Path:
    """Return the property file of a bundled demo.

    Parameters
    ----------
    name : str
        One of `DEMOS`.

    Returns
    -------
    Path
        The property file, in the installed package or in a checkout's ``data`` folder.

    Raises
    ------
    SitingError
        When there is no such demo, or the installation lacks it.
    """
    if name not in DEMOS:
        msg = f"no demo is called {name!r}; there are {', '.join(DEMOS)}"
        raise SitingError(msg)
    package = Path(__file__).parents[1]
    for folder in (package / "_demo" / name, package.parent / "data" / name):
        if (folder / "property.toml").is_file():
            return folder / "property.toml"
    msg = f"this installation of siting lacks its demo {name!r}; install it again"
    raise SitingError(msg)
