"""What a property file may say, as frozen values: settings, and the words of its vocabulary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from siting.units import UnitsName

#: Formats of a weather file; the readers are in `siting.climate.readers`.
WEATHER_FORMATS: Final = ("daily", "ghcn", "tmy2", "tmy3", "epw", "psm3", "normals")
#: Public sources of weather; they are in `siting.climate.readers`.
WEATHER_SOURCES: Final = ("nasa_power", "acis_prism")


@dataclass(frozen=True)
class LayerSource:
    """Where one layer is read from, and which of its columns mean what.

    Parameters
    ----------
    path : Path
        The file, absolute.
    layer : str or None
        The layer within the file; None means the only one.
    columns : mapping of str to str
        Our column name -> the file's column name; "" says that the file has no such column.
    length_unit : str
        Unit of the lengths in the layer's columns, one of `siting.units.LENGTH_UNITS_M`.
    column_units : mapping of str to str
        Our column name -> its unit, where it differs from `length_unit`.
    text_numbers : bool
        Whether numbers written as text, such as "12.13 m", are taken as numbers.
    default_height : float or None
        Height of a building of unknown height [m].
    optional : bool
        Whether the layer may be absent from the file.
    unit_stated : bool
        Whether the user stated `length_unit`.
    """

    path: Path
    layer: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    length_unit: str = "m"
    column_units: Mapping[str, str] = field(default_factory=dict)
    text_numbers: bool = False
    default_height: float | None = None
    optional: bool = False
    unit_stated: bool = False


@dataclass(frozen=True)
class WeatherSource:
    """Where the weather comes from.

    Parameters
    ----------
    path : Path
        The weather file, absolute; where fetched weather is kept.
    elevation_m : float or None
        Height of the station above the sea; None takes what the file says [m].
    format : str or None
        One of `WEATHER_FORMATS`; None has it told from the file.
    rain_file : Path or None
        Measured daily rain to go with a typical year, absolute.
    station : str or None
        The station to take from a file that holds several.
    wind_height_m : float or None
        Height of the wind measurement, where the file does not say it [m].
    years, first_year, seed : int
        Calendar years to generate from normals or to fetch, the first of them, and the seed of the
        random numbers [years].
    wet_day_mm : float
        Least rain of a day that the normals count as wet [mm].
    trust_units : bool
        Whether values that look like those of another unit are taken as they are.
    fetch : str or None
        One of `WEATHER_SOURCES`: fetched only when asked for at run time, and kept in `path`.
    """

    path: Path
    elevation_m: float | None = None
    format: str | None = None
    rain_file: Path | None = None
    station: str | None = None
    wind_height_m: float | None = None
    years: int = 30
    first_year: int = 2001
    seed: int = 1
    wet_day_mm: float = 0.0
    trust_units: bool = False
    fetch: str | None = None


@dataclass(frozen=True)
class Season:
    """When the system may run; the end may lie in the next year.

    start, end: first and last (month, day).
    """

    start: tuple[int, int] = (1, 1)
    end: tuple[int, int] = (12, 31)


@dataclass(frozen=True)
class Timer:
    """What runs today: the baseline of every savings claim.

    Parameters
    ----------
    days : tuple of int or None
        Weekdays, Monday is 0; None when `every_n_days` rules.
    every_n_days : int or None
        Interval [d], counted from the season's first day.
    start : str
        Time of day, "HH:MM".
    minutes : mapping of str to float or None
        Run time per valve [min].
    depth_mm : mapping of str to float or None
        Depth per event and valve [mm], where the run time is unknown.
    """

    days: tuple[int, ...] | None = None
    every_n_days: int | None = None
    start: str = "04:00"
    minutes: Mapping[str, float] | None = None
    depth_mm: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Tier:
    """A step of the price of water.

    up_to_m3: use of a month up to which it holds, inf on the last tier [m³]; price: price within it
    [currency/m³].
    """

    up_to_m3: float
    price: float


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
    """What water costs.

    Parameters
    ----------
    price : float or None
        Price [currency/m³]; None when neither a price nor tiers were given.
    currency : str
        Code of the currency of every price.
    tiers : tuple of Tier
        Steps of a month's price, rising; empty with one price.
    other_use_m3 : float
        Use of the same meter that fills the lower tiers first, indoors for instance [m³/month].
    bills : Bills or None
        Metered use; it scales the baseline.
    budget : str or None
        "mwelo" (the state ordinance's yearly allowance and estimated use), "epa" (the programme's
        allowance and requirement of the peak month), or None.
    budget_use : str
        "residential" or "non_residential".
    """

    price: float | None = None
    currency: str = "USD"
    tiers: tuple[Tier, ...] = ()
    other_use_m3: float = 0.0
    bills: Bills | None = None
    budget: str | None = None
    budget_use: str = "residential"

    @property
    def priced(self) -> bool:
        """Whether water has a price at all."""
        return self.price is not None or bool(self.tiers)


@dataclass(frozen=True)
class Costs:
    """What a sensor costs.

    The defaults for device and installation are the middle of what the trade pays (common
    practice, no source); payback is only claimed when the user stated them.

    Parameters
    ----------
    device, installation : float
        Cost of each sensor [currency].
    trench_per_m, wire_per_m : float
        Cost of a metre [currency/m].
    life_years : float
        Life of everything bought [years].
    given : bool
        Whether the user gave [costs].
    discount_rate : float
        Interest by the year, as a fraction [-].
    """

    device: float = 275.0
    installation: float = 150.0
    trench_per_m: float = 6.0
    wire_per_m: float = 0.8
    life_years: float = 10.0
    given: bool = False
    discount_rate: float = 0.03


@dataclass(frozen=True)
class Hardware:
    """A kind of control hardware, with what one controller's worth of it costs and can carry.

    Parameters
    ----------
    kind : str
        One of `siting.site.settings.HARDWARE_KINDS`.
    sensors : int
        Most sensors of one controller; 1 is one sensor on the common wire, which holds the whole
        controller.
    timer, timer_installation : float
        Cost once per controller [currency].
    device, installation : float
        Cost of each sensor with its module [currency].
    control : tuple of str
        Kinds of control it can run.
    controllers : tuple of str or None
        The only controllers that can take it; None means all.
    given : bool
        Whether the user stated any of it.
    """

    kind: str
    sensors: int
    timer: float
    timer_installation: float
    device: float
    installation: float
    control: tuple[str, ...]
    controllers: tuple[str, ...] | None = None
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
    """What kinds of control to consider, and within which limits.

    Parameters
    ----------
    aim : str
        "as_today": the property gets no more water than today, and no zone is left shorter of it
        than today, or than the limit where that takes no more money; "within_limit": every zone is
        held to the limit, whatever water that takes. Without a timer the limit rules.
    kinds : tuple of str
        Kinds of sensor control to consider.
    max_sensors : int
        Most sensors.
    max_stress_days : float
        Stress days allowed in a zone (the mean over its ground) in the worst season out of ten; as
        today, a zone that has more today may keep them [d per season].
    sensor_error : float
        What is left of a sensor's error once its threshold was set by a soaking in place, standard
        deviation [m³/m³].
    allowed_days : tuple of int or None
        Weekdays on which local rules allow watering, Monday is 0; None means every day.
    allowed_window : tuple of str or None
        First and last time of day at which watering is allowed, "HH:MM"; it may pass midnight.
    rain_shutoff_mm, rain_shutoff_days : float, int
        A rain shut-off skips an event when at least this much fell over this many days before it.
        Trade settings are 3 to 25 mm (1/8 to 1 in), and discs dry in one to three days (common
        practice, no source).
    """

    aim: str = "as_today"
    kinds: tuple[str, ...] = ("bypass", "on_demand")
    max_sensors: int = 6
    max_stress_days: float = 5.0
    sensor_error: float = 0.014
    allowed_days: tuple[int, ...] | None = None
    allowed_window: tuple[str, str] | None = None
    rain_shutoff_mm: float = 6.35
    rain_shutoff_days: int = 2

    @property
    def window_minutes(self) -> float | None:
        """Minutes allowed on a watering day; None without a rule."""
        if self.allowed_window is None:
            return None
        first, last = (60 * int(t[:2]) + int(t[3:]) for t in self.allowed_window)
        return float((last - first) % 1440 or 1440)


@dataclass(frozen=True)
class Setbacks:
    """Least distance of a sensor from each kind of hazard.

    A trunk keeps its root protection radius, see `siting.place.placement`.

    Parameters
    ----------
    building, paving, boundary, head : float
        5 ft, as in the University of Florida extension's advice on burying soil-moisture
        sensors [m].
    zone_edge : float
        3 ft: the same advice, from memory [m].
    downspout : float
        10 ft: common practice, no source [m].
    traffic : float
        From paths, 3 ft: common practice, no source [m].
    utility : float
        24 in: the wider of the tolerance zones of 18 and 24 in beside a marked line that state laws
        set (from memory) [m].
    low_spot : float
        From low spots and flow paths, 3 ft: common practice, no source [m].
    slope_percent : float
        Steepest ground, 25: common practice, no source [%].
    """

    building: float = 1.524
    paving: float = 1.524
    boundary: float = 1.524
    head: float = 1.524
    zone_edge: float = 0.9144
    downspout: float = 3.048
    traffic: float = 0.9144
    utility: float = 0.6096
    low_spot: float = 0.9144
    slope_percent: float = 25.0


@dataclass(frozen=True)
class Analysis:
    """How finely to compute.

    Parameters
    ----------
    resolution : float
        Side of a raster cell [m].
    scenarios : int
        Number of scenarios, the first of which is the property as described.
    seed : int
        Seed of the random numbers.
    sun_minutes : int
        Step of the sun [min].
    """

    resolution: float = 0.5
    scenarios: int = 64
    seed: int = 1
    sun_minutes: int = 10


@dataclass(frozen=True)
class PropertyFile:
    """A property file, read and checked; every path absolute.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        The property's name.
    layers : mapping of str to LayerSource
        Where each layer of the base map is read from.
    weather : WeatherSource
        Where the weather comes from.
    units : {"metric", "us"}
        Units of everything shown.
    season : Season
        When the system may run.
    timer : Timer or None
        What runs today.
    water, costs : Water, Costs
        What water and what a sensor costs.
    control : Control
        What kinds of control to consider.
    hardware : tuple of Hardware
        What controllers may be fitted with.
    setbacks : Setbacks
        Least distances from hazards.
    analysis : Analysis
        How finely to compute.
    factors : mapping of str to mapping
        Factors of other packages to use -> their options.
    values : mapping
        The file's own tables, as written, for what-if questions.
    changes : mapping
        What was put in their place: dotted key -> value.
    """

    path: Path
    name: str
    layers: Mapping[str, LayerSource]
    weather: WeatherSource
    units: UnitsName = "metric"
    season: Season = Season()
    timer: Timer | None = None
    water: Water = Water()
    costs: Costs = Costs()
    control: Control = Control()
    hardware: tuple[Hardware, ...] = HARDWARE
    setbacks: Setbacks = Setbacks()
    analysis: Analysis = Analysis()
    factors: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    values: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)
    changes: Mapping[str, Any] = field(default_factory=dict, compare=False)


#: What a plan is for: as today, or every zone within its limit.
AIMS: Final = ("as_today", "within_limit")
PLANTS: Final = (
    "cool_season_turf",
    "warm_season_turf",
    "groundcover",
    "shrubs",
    "trees",
    "perennials",
    "annuals",
    "vegetables",
    "desert_plants",
    "mixed",
)
#: USDA texture classes.
SOILS: Final = (
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
)
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
WEEKDAYS: Final = (
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
)
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
