"""What a property file may say: the words of its vocabulary, and each key declared once.

A field that is made by `key` is a key of the property file. `siting.site.property` reads it,
`siting.site.template` explains it in a new file, and the documentation's page of keys lists it, all
from what is said here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

from siting.site.handbook import PLANT_KINDS, SOIL_CLASSES
from siting.site.toml import Key
from siting.units import FOOT_M, GALLON_M3, INCH_MM, LENGTH_UNITS_M, UnitsName

#: Formats of a weather file; the readers are in `siting.climate.readers`.
WEATHER_FORMATS: Final = (
    "daily", "ghcn", "tmy2", "tmy3", "epw", "psm3", "pvgis", "crn", "normals", "stand_in",
)  # fmt: skip
#: Public sources of weather; they are in `siting.climate.readers`.
WEATHER_SOURCES: Final = ("nasa_power", "acis_prism")
#: What a plan is for: as today, or every zone within its limit.
AIMS: Final = ("as_today", "within_limit")
PLANTS: Final = tuple(PLANT_KINDS)
#: USDA texture classes.
SOILS: Final = tuple(SOIL_CLASSES)
#: Published sets of monthly turf coefficients, by where they were measured.
TURF_TABLES: Final = ("florida", "south_florida", "california", "arizona", "new_mexico")
IRRIGATION: Final = ("spray", "rotor", "rotary_nozzle", "impact", "bubbler", "drip")
FIXTURES: Final = (
    "controller",
    "valve_box",
    "head",
    "downspout",
    "backflow",
    "meter",
    "hydrant",
    "light",
    "other",
)
VECTOR_LAYERS: Final = (
    "boundary",
    "hydrozones",
    "buildings",
    "trees",
    "walls",
    "paving",
    "fixtures",
    "cans",
    "soils",
    "paths",
    "utilities",
)
#: Heights of everything that shades; of the bare ground.
RASTER_LAYERS: Final = ("surface", "terrain")
#: Only to look at: an aerial photo behind the map.
PICTURE_LAYERS: Final = ("aerial",)
#: Published water budgets, and the uses that the state ordinance tells apart.
BUDGETS: Final = ("mwelo", "epa")
BUDGET_USES: Final = ("residential", "non_residential")
CONTROL_KINDS: Final = ("bypass", "on_demand")
#: A module beside the existing 24 V AC timer; a timer with sensor inputs in its place.
HARDWARE_KINDS: Final = ("add_on", "replacement")
WEEKDAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTHS: Final = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
#: What turns a volume into m³, by the ending of its key.
VOLUMES_M3: Final = {
    "_m3": 1.0,
    "_kgal": 1000 * GALLON_M3,
    "_gal": GALLON_M3,
    "_ccf": 100 * FOOT_M**3,
}
#: The other spellings of a key, by the unit in which ours ends.
_SPELLED: Final = {
    "_per_m": {"_per_m": 1.0, "_per_ft": 1 / FOOT_M},
    "_mm": {"_mm": 1.0, "_in": INCH_MM},
    "_m": {"_m": 1.0, "_ft": FOOT_M},
    "_m3": VOLUMES_M3,
}
_LENGTHS: Final = {"": 1.0} | {f"_{unit}": size for unit, size in LENGTH_UNITS_M.items()}
_AWAY: Final[dict[str, Any]] = {"most": 100, "spelled": _LENGTHS, "unit": "m"}
_PRICE: Final[dict[str, Any]] = {
    "most": 1e6,
    "spelled": {"": 1.0} | {f"_per{end}": 1 / VOLUMES_M3[end] for end in ("_m3", "_kgal", "_ccf")},
    "unit": "currency/m³",
}
_COST: Final[dict[str, Any]] = {"most": 1e7, "unit": "currency"}


def key(default: Any = None, *, kind: str = "", **told: Any) -> Any:  # noqa: ANN401  (as `field`)
    """Return a field of a dataclass that is a key of the property file.

    default: MISSING where nothing holds without it; kind, told: as in `siting.site.toml.Key`, and
    told by the field's type where that says it.
    """
    return field(default=default, metadata={"key": Key(kind=kind, default=default, **told)})


@cache
def keys(table: type) -> tuple[Key, ...]:
    """Return the keys that the fields of a dataclass declare, in their order."""
    return tuple(
        replace(
            told,
            name=one.name,
            kind=told.kind or _kind(str(one.type), told.words),
            whole=str(one.type).startswith("int"),
            spelled=told.spelled or _spelled(one.name),
            default=None if one.default is MISSING else one.default,
        )
        for one in fields(table)
        if (told := one.metadata.get("key"))
    )


def _spelled(name: str) -> dict[str, float]:
    """Return how a key may be written whose name ends in a unit, and the factors to ours."""
    for unit, ends in _SPELLED.items():
        if name.endswith(unit):
            return {name.removesuffix(unit) + end: factor for end, factor in ends.items()}
    return {}


#: How a key is read, by how its field's type begins.
_BY_TYPE: Final = {
    "int": "number",
    "float": "number",
    "bool": "flag",
    "str": "text",
    "tuple[str, str]": "window",
    "tuple[str": "names",
    "tuple[int, int]": "day",
    "tuple[int": "weekdays",
    "tuple[Tier": "tiers",
    "Bills": "bills",
    "Mapping[str, float]": "valves",
}


def _kind(written: str, words: tuple[str, ...]) -> str:
    """Return how a key is read whose field has this type; "own" is left to a reader of its own."""
    if words:
        return "words" if written.startswith("tuple") else "word"
    return next((kind for start, kind in _BY_TYPE.items() if written.startswith(start)), "own")


@dataclass(frozen=True)
class LayerSource:
    """Where one layer is read from, and which of its columns mean what: `[layers.NAME]`.

    path: absolute; columns: our name -> the file's, "" says that the file has no such column;
    vocabulary: our name of a column -> the file's words for ours, plain (`plain_word`) -> as ours;
    length_unit: of its lengths, one of `siting.units.LENGTH_UNITS_M`, and column_units where one
    differs; optional: whether the layer may be absent from the file; unit_stated: whether the user
    stated length_unit.
    """

    path: Path = key(
        MISSING,
        spelled={"file": 1.0},
        says="the file; the one that [layers] names where it is not given",
        shown='"trees.geojson"',
    )
    layer: str | None = key(says="the layer within the file", shown='"Trees 2024"')
    columns: Mapping[str, str] = field(default_factory=dict)
    vocabulary: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    length_unit: str = "m"
    column_units: Mapping[str, str] = field(default_factory=dict)
    crs: str | None = key(
        says="where the file does not say it, as a table with shapes (WKT) does not",
        shown='"EPSG:2236"',
    )
    text_numbers: bool = key(default=False, says='take numbers written as text, such as "12.13 m"')
    default_height: float | None = key(
        least=0.1,
        most=300,
        spelled=_LENGTHS,
        unit="m",
        says="height of the buildings of which none is known",
        shown=("6", "20"),
    )
    optional: bool = False
    unit_stated: bool = False


@dataclass(frozen=True)
class WeatherSource:
    """Where the weather comes from: `[weather]`.

    path: the weather file, absolute, or where fetched weather is kept, `Path()` for a stand-in;
    format: None has it told from the file.
    """

    path: Path = key(
        MISSING,
        spelled={"file": 1.0},
        required=True,
        says="daily: date, tmin_c, tmax_c, rain_mm and what else is known",
        shown='"weather.csv"',
    )
    elevation_m: float | None = key(
        kind="own",
        least=-450,
        most=6000,
        spelled={"elevation_m": 1.0, "elevation_ft": FOOT_M, "elevation": 1.0},
        required=True,
        says="height of the weather station above the sea",
        shown="0",
    )
    format: str | None = key(
        kind="own",
        words=WEATHER_FORMATS,
        says="daily, ghcn, crn, normals; tmy2, tmy3, epw, psm3, pvgis with rain_file; or stand_in",
        shown='"daily"',
    )
    fetch: str | None = key(
        kind="own",
        words=WEATHER_SOURCES,
        says="public source; fetched with `--fetch-weather` only, and kept in the file",
    )
    rain_file: Path | None = key(says="measured daily rain to go with a typical year")
    station: str | None = key(says="the one to take from a file that holds several")
    trust_units: bool = key(
        default=False, says="take values that look like another unit's as they are", rare=True
    )
    wind_height_m: float | None = key(
        least=0.5, most=200, says="height at which wind was measured, if the file does not say"
    )
    years: int = key(
        30, least=1, most=200, says="years to make of monthly normals, or to fetch", rare=True
    )
    first_year: int = key(2001, least=1850, most=2200, says="first of those years", rare=True)
    seed: int = key(
        1, most=2**32 - 1, says="start of the random numbers they are made with", rare=True
    )
    wet_day_mm: float = key(
        0.0, most=5, says="least rain of a day that the normals count as wet", rare=True
    )


@dataclass(frozen=True)
class Season:
    """When the system may run, first and last (month, day): `[season]`."""

    start: tuple[int, int] = key((1, 1), says="first day on which the system may run (month-day)")
    end: tuple[int, int] = key((12, 31), says="last day; it may lie in the next year")


@dataclass(frozen=True)
class Timer:
    """What runs today, the baseline of every savings claim: `[timer]`.

    days: weekdays, Monday is 0, None when every_n_days rules, which counts from the season's first
    day [d]; start: "HH:MM"; minutes, depth_mm: valve -> run time [min] or depth per event [mm].
    """

    days: tuple[int, ...] | None = key(
        either="days", says="days on which it runs", shown='["Mon", "Thu"]'
    )
    every_n_days: int | None = key(
        least=1, most=60, either="days", says="runs every so many days of the season", shown="3"
    )
    start: str = key("04:00", kind="time", says="time of day")
    minutes: Mapping[str, float] | None = key(
        most=1440, either="amount", says="run time of each valve", shown='{ "1" = 20, "2" = 35 }'
    )
    depth_mm: Mapping[str, float] | None = key(
        most=200,
        either="amount",
        says="depth of water of each valve's run",
        shown=('{ "1" = 10 }', '{ "1" = 0.4 }'),
    )


@dataclass(frozen=True)
class Tier:
    """A step of the price of water: up to which use of a month it holds, and its price."""

    up_to_m3: float = key(math.inf, most=1e9, says="use of a month up to which it holds")
    price: float = key(0.0, **_PRICE, required=True, says="price within it")


@dataclass(frozen=True)
class Bills:
    """Metered water by month.

    monthly_m3: month, 1 to 12 -> metered use [m³]; everything: whether the meter counts indoor use
    too. The least month is then taken as indoor use (the minimum-month method, common practice).
    """

    monthly_m3: Mapping[int, float]
    everything: bool = False

    @property
    def outdoor_m3(self) -> dict[int, float]:
        """Month -> what went to the landscape [m³]."""
        indoor = min(self.monthly_m3.values()) if self.everything else 0.0
        return {month: used - indoor for month, used in self.monthly_m3.items()}


@dataclass(frozen=True)
class Water:
    """What water costs: `[water]`.

    price: None when neither a price nor tiers were given [currency/m³]; tiers: rising, empty with
    one price; bills: metered use, which scales the baseline; budget: a published one to report.
    """

    price: float | None = key(
        **_PRICE, either="price", says="price of water", shown=("2.10", "8.00")
    )
    currency: str = key("USD", says="of every price here")
    other_use_m3: float = key(
        0.0, most=1e7, says="monthly use of the same meter that fills the lower tiers first"
    )
    tiers: tuple[Tier, ...] = key(
        (),
        either="price",
        says="a price that rises with a month's use",
        shown=(
            "[{ up_to_m3 = 25, price = 1.2 }, { price = 3 }]",
            "[{ up_to_kgal = 6, price_per_kgal = 4.5 }, { price_per_kgal = 11 }]",
        ),
    )
    bills: Bills | None = key(
        says="metered use by month; scales the baseline",
        shown=('{ unit = "m3", jul = 85 }', '{ unit = "kgal", jul = 22 }'),
    )
    budget: str | None = key(
        words=BUDGETS,
        says="report a water budget: mwelo (year) or epa (peak month)",
        shown='"mwelo"',
    )
    budget_use: str = key(
        "residential", words=BUDGET_USES, says="who uses the water: residential or non_residential"
    )

    @property
    def priced(self) -> bool:
        """Whether water has a price at all."""
        return self.price is not None or bool(self.tiers)


@dataclass(frozen=True)
class Costs:
    """What a sensor costs: `[costs]`; given: whether the user stated it.

    The defaults for device and installation are the middle of what the trade pays (common
    practice, no source); payback is only claimed when the user stated them.
    """

    device: float = key(275.0, **_COST, says="one sensor with its control unit")
    installation: float = key(150.0, **_COST, says="putting one in")
    trench_per_m: float = key(6.0, most=1e5, says="digging and closing the trench of its wire")
    wire_per_m: float = key(0.8, most=1e5, says="wire")
    life_years: float = key(10.0, least=0.5, most=100, says="how long a sensor lasts")
    given: bool = False
    discount_rate: float = key(
        0.03, most=0.5, unit="fraction", says="interest a year, for the discounted payback"
    )


@dataclass(frozen=True)
class Hardware:
    """A kind of control hardware, as `[hardware.add_on]`: what one controller's worth costs.

    sensors: 1 is one sensor on the common wire, which holds the whole controller; control: kinds
    it can run; controllers: the only ones that can take it, None means all; given: whether the
    user stated any of it.
    """

    kind: str
    sensors: int = key(
        MISSING, least=1, most=100, says="most per controller; 1 = on the common wire"
    )
    timer: float = key(MISSING, **_COST, says="the timer itself, once per controller")
    timer_installation: float = key(MISSING, **_COST, says="putting the timer in")
    device: float = key(MISSING, **_COST, says="each sensor with its module")
    installation: float = key(MISSING, **_COST, says="digging in each sensor")
    control: tuple[str, ...] = key(MISSING, words=CONTROL_KINDS, says="kinds of control it can run")
    controllers: tuple[str, ...] | None = key(
        says="only these can take it; every one where it is not given", shown='["C1"]'
    )
    given: bool = False

    @property
    def per_controller(self) -> float:
        """Cost once per controller [currency]."""
        return self.timer + self.timer_installation

    @property
    def per_sensor(self) -> float:
        """Cost of each sensor, without trench and wire [currency]."""
        return self.device + self.installation


#: Defaults. Common practice, no source: 150 to 400 for a device and 100 to 200 for its
#: installation. A module is priced in the middle ([costs] device and installation say otherwise);
#: a timer with inputs at the upper end, and each sensor on it at the lower. An add-on module
#: interrupts valves that the old timer switches, so it can only skip; starting takes the timer.
HARDWARE: Final = (
    Hardware("add_on", 12, 0.0, 0.0, 275.0, 150.0, ("bypass",)),
    Hardware("replacement", 4, 400.0, 200.0, 150.0, 100.0, ("bypass", "on_demand")),
)


@dataclass(frozen=True)
class Control:
    """What kinds of control to consider, and within which limits: `[control]`.

    allowed_days: weekdays, Monday is 0, None means every day; allowed_window: first and last
    "HH:MM", which may pass midnight.
    """

    kinds: tuple[str, ...] = key(
        CONTROL_KINDS, words=CONTROL_KINDS, says="kinds of control to consider"
    )
    max_sensors: int = key(6, least=1, most=1000, says="most sensors to consider")
    # The mean over a zone's ground; as today, a zone that has more today may keep them.
    max_stress_days: float = key(
        5.0, most=366, says="days of stress allowed in a zone in the worst season out of ten"
    )
    # "as_today": the property gets no more water than today, and no zone is left shorter of it than
    # today, or than the limit where that takes no more money; "within_limit": every zone is held to
    # the limit, whatever water that takes. Without a timer the limit rules.
    aim: str = key(
        "as_today",
        words=AIMS,
        says="as_today never uses more; within_limit heals what today leaves dry",
        shown='"within_limit"',
        rare=True,
    )
    allowed_days: tuple[int, ...] | None = key(
        says="days on which local rules allow watering", shown='["Tue", "Sat"]'
    )
    allowed_window: tuple[str, str] | None = key(
        says="hours in which they allow it", shown='["20:00", "08:00"]'
    )
    # Trade settings are 3 to 25 mm (1/8 to 1 in), and discs dry in one to three days (common
    # practice, no source).
    rain_shutoff_mm: float = key(
        6.35,
        least=0.5,
        most=100,
        says="a rain shut-off skips an event from this much rain on ...",
        rare=True,
    )
    rain_shutoff_days: int = key(
        2, least=1, most=14, says="... fallen over this many days", rare=True
    )
    # Standard deviation [m³/m³], once the threshold was set by a soaking in place.
    sensor_error: float = key(
        0.014,
        least=0.001,
        most=0.10,
        spelled={"sensor_error_percent": 0.01},
        says="how far a set sensor is off for good, in % of the soil's volume",
        rare=True,
    )

    @property
    def window_minutes(self) -> float | None:
        """Minutes allowed on a watering day; None without a rule."""
        if self.allowed_window is None:
            return None
        first, last = (60 * int(t[:2]) + int(t[3:]) for t in self.allowed_window)
        return float((last - first) % 1440 or 1440)


@dataclass(frozen=True)
class Setbacks:
    """Least distance of a sensor from each kind of hazard: `[setbacks]` [m].

    A trunk keeps its root protection radius, see `siting.place.placement`.
    """

    # 5 ft, as in the University of Florida extension's advice on burying soil-moisture sensors.
    building: float = key(1.524, **_AWAY, says="from a wall")
    paving: float = key(1.524, **_AWAY, says="from paving")
    boundary: float = key(1.524, **_AWAY, says="from the property line")
    head: float = key(1.524, **_AWAY, says="from a sprinkler head")
    # 3 ft: the same advice, from memory.
    zone_edge: float = key(0.9144, **_AWAY, says="from the edge of its zone")
    # 10 ft: common practice, no source.
    downspout: float = key(3.048, **_AWAY, says="from a downspout")
    # 3 ft: common practice, no source.
    traffic: float = key(0.9144, **_AWAY, says="from a path that people tread")
    # 24 in: the wider of the tolerance zones of 18 and 24 in beside a marked line that state laws
    # set (from memory).
    utility: float = key(0.6096, **_AWAY, says="from a pipe or cable in the ground")
    # 3 ft: common practice, no source.
    low_spot: float = key(
        0.9144, **_AWAY, says="from hollows and flow paths (needs a terrain raster)"
    )
    # 25: common practice, no source.
    slope_percent: float = key(
        25.0, least=1, most=1000, says="no sensor on steeper ground (needs a terrain raster)"
    )


@dataclass(frozen=True)
class Analysis:
    """How finely to compute: `[analysis]`.

    scenarios: the first of them is the property as described.
    """

    resolution: float = key(
        0.5, least=0.1, most=5, spelled=_LENGTHS, unit="m", says="side of a cell of the computation"
    )
    scenarios: int = key(64, least=1, most=200, says="how many sets of uncertain values are tried")
    seed: int = key(
        1, most=2**32 - 1, says="start of the random numbers; the same seed gives the same plan"
    )
    sun_minutes: int = key(10, least=1, most=60, says="step of the sun", rare=True)


_HOURS: Final[dict[str, Any]] = {"most": 1000.0, "unit": "h"}


@dataclass(frozen=True)
class Measuring:
    """What it takes to measure before anyone digs: `[measuring]`.

    Common practice, no source: what a crew takes on an ordinary lot, without the way there.
    """

    hour: float = key(45.0, **_COST, says="an hour of work")
    can_test: float = key(0.7, **_HOURS, says="setting out, running and reading the cans of a zone")
    probe_walk: float = key(0.7, **_HOURS, says="probing a zone, two days after a watering")
    jar_test: float = key(0.5, **_HOURS, says="digging, shaking and reading jars of its soil")
    season_log: float = key(3.0, **_HOURS, says="reading a season's log and planning again")
    drone_flight: float = key(0.5, **_HOURS, says="being there, and bringing the picture in")
    drone_price: float = key(200.0, **_COST, says="what the flight itself costs")


class EvidenceKind(NamedTuple):
    """What one kind of evidence is.

    called: in words; high: what a high value means where the file does not say; trust: correlation
    of a value with the true dryness of its place, where the file does not say; basis: where that
    comes from.
    """

    called: str
    high: str
    trust: float
    basis: str


#: Kinds of evidence. What is known of each is that it follows the soil's water loosely, and worse
#: from property to property than where it was studied; the numbers are this project's judgement.
EVIDENCE_KINDS: Final = {
    "probe": EvidenceKind(
        "probe walk", "wet", 0.75,
        "Judgement: places keep their order from day to day (Vachaud et al. 1985, Soil Sci. Soc. "
        "Am. J. 49); less here for the probe's own error.",
    ),
    "vegetation": EvidenceKind(
        "vegetation index", "wet", 0.5,
        "Judgement: greenness also follows species, feeding and mowing.",
    ),
    "temperature": EvidenceKind(
        "surface temperature", "dry", 0.6,
        "Judgement: a canopy short of water is warmer (Idso et al. 1981, Agric. Meteorol. 24; "
        "Jackson et al. 1981, Water Resour. Res. 17, from memory), and so is a thin one.",
    ),
    "brightness": EvidenceKind(
        "brightness of a photo", "dry", 0.4,
        "Judgement: brown patches are bright, and so are worn and mown ones.",
    ),
    "conductivity": EvidenceKind(
        "apparent conductivity", "wet", 0.4,
        "Judgement: it follows water, clay and salt at once (Corwin and Lesch 2005, Comput. "
        "Electron. Agric. 46, from memory).",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class EvidenceSource:
    """What the ground itself says, one file: `[[evidence]]`.

    path: absolute; high and trust: of `EVIDENCE_KINDS` where they are not given.
    """

    path: Path = key(
        MISSING,
        spelled={"file": 1.0},
        required=True,
        says="a filled table of a probe walk, or a GeoTIFF",
        shown='"walk.csv"',
    )
    kind: str = key(
        MISSING,
        required=True,
        words=tuple(EVIDENCE_KINDS),
        says="what was read",
        shown='"probe"',
    )
    date: str = key("", kind="own", says="when, where the table does not say", shown='"2026-07-02"')
    high: str = key(
        None,
        words=("wet", "dry"),
        says="what a high value means; usual: dry for temperature and brightness, else wet",
        shown='"wet"',
    )
    trust: float = key(
        None,
        least=0.05,
        most=0.95,
        says="correlation of a reading with the true dryness of its place",
        shown="0.75",
    )

    @property
    def told(self) -> EvidenceKind:
        """What its kind is."""
        return EVIDENCE_KINDS[self.kind]

    @property
    def raster(self) -> bool:
        """Whether it is a GeoTIFF; else it is a table."""
        return self.kind != "probe"


@dataclass(frozen=True)
class PropertyFile:
    """A property file, read and checked; every path absolute.

    timer: None when it is not known what runs today; factors: of other packages to use -> their
    options; values: the file's own tables, as written, for what-if questions; changes: what was put
    in their place, dotted key -> value.
    """

    path: Path
    name: str = key(
        MISSING,
        required=True,
        says="any text; it heads the map and the crew sheet",
        shown='"My property"',
    )
    layers: Mapping[str, LayerSource] = key(
        MISSING,
        required=True,
        says='the drawing; or a table [layers]: layer name = "file:layer"',
        shown='"property.gpkg"',
    )
    weather: WeatherSource = WeatherSource(Path())
    units: UnitsName = key(
        "metric",
        words=("metric", "us"),
        says="how results are shown: metric or us",
        shown=('"metric"', '"us"'),
    )
    language: str = key(
        "en",
        kind="text",
        says="what the crew reads: en, es, fr or pt, or with a country for its marks, as es-MX",
        shown='"en"',
    )
    country: str = key(
        "",
        kind="text",
        says="where the property lies, as US or AU: whom to call before digging",
        shown='"US"',
    )
    season: Season = Season()
    timer: Timer | None = None
    water: Water = Water()
    costs: Costs = Costs()
    control: Control = Control()
    hardware: tuple[Hardware, ...] = HARDWARE
    setbacks: Setbacks = Setbacks()
    analysis: Analysis = Analysis()
    measuring: Measuring = Measuring()
    evidence: tuple[EvidenceSource, ...] = ()
    factors: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    values: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)
    changes: Mapping[str, Any] = field(default_factory=dict, compare=False)


class Table(NamedTuple):
    """A table of the property file.

    name: dotted, "" is the top; live: whether a new property file has it, or only as an example.
    """

    name: str
    keys: tuple[Key, ...]
    says: str = ""
    live: bool = True
    usual: Hardware | None = None

    def default(self, one: Key) -> Any:  # noqa: ANN401  (of any type)
        """Return what holds where a key is not given."""
        return one.default if self.usual is None else getattr(self.usual, one.name)


_UNITS_IN: Final = Key(
    "units_in",
    kind="own",
    shown=('"m"', '"ft"'),
    says="unit of the columns' lengths where no header says it",
)
#: The key of `[hardware]` itself.
KINDS: Final = Key(
    "kinds", kind="words", words=HARDWARE_KINDS, default=HARDWARE_KINDS, says="what may be bought"
)
#: Every table with keys of its own, in the order in which a new property file has them.
TABLES: Final = (
    Table("", (*keys(PropertyFile), _UNITS_IN)),
    Table("weather", keys(WeatherSource)),
    Table("season", keys(Season)),
    Table("timer", keys(Timer), "what runs today; savings are only claimed against it", live=False),
    Table("water", keys(Water), "what water costs", live=False),
    Table("costs", keys(Costs), "payback is only claimed when these are given", live=False),
    Table(
        "hardware", (KINDS,), "the trade's usual prices are taken where none are given", live=False
    ),
    Table(
        "hardware.add_on",
        keys(Hardware),
        "a module beside the 24 V AC timer: it can only skip",
        live=False,
        usual=HARDWARE[0],
    ),
    Table(
        "hardware.replacement",
        keys(Hardware),
        "a timer with sensor inputs: it can skip or start",
        live=False,
        usual=HARDWARE[1],
    ),
    Table("control", keys(Control), "which control to consider, and within which limits"),
    Table("setbacks", keys(Setbacks), "least distance of a sensor from each hazard"),
    Table("analysis", keys(Analysis), "how finely to compute"),
    Table(
        "measuring",
        keys(Measuring),
        "what measuring takes, to weigh what it is worth",
        live=False,
    ),
)
#: What may stand there several times.
EVIDENCE: Final = Table(
    "[evidence]",
    keys(EvidenceSource),
    "what the ground itself says of where it is dry; once per file",
    live=False,
)
