"""What each hydrozone's plants, soil and irrigation mean for its water, and its budget.

Both are written in the units in which they are published: inches, square feet, US gallons.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from siting.arrays import Floats
from siting.errors import Fault, InputError
from siting.site.columns import COEFFICIENTS
from siting.site.handbook import PLANT_KINDS, SOIL_CLASSES
from siting.site.settings import IRRIGATION, PLANTS, SOILS
from siting.units import FOOT_M, GALLON_M3, INCH_MM
from siting.water.balance import total_available_water
from siting.water.heads import IRRIGATION_KINDS
from siting.water.plants import (
    TURF_TABLES,
    establishment_factor,
    monthly_plant_factor,
    turf_table,
)
from siting.water.soil import (
    MOST_CLAY,
    ORGANIC_MATTER,
    greatest_rate,
    layered,
    saxton_rawls,
    soil_adjustment,
    surface_accumulation,
    texture_class,
)

if TYPE_CHECKING:
    import geopandas as gpd


#: Where the property does not say: common choices, no source. Both are named in `defaults`.
DEFAULT_SOIL: Final = "sandy loam"
DEFAULT_IRRIGATION: Final = "spray"
#: Columns of the monthly plant factors.
MONTH_COLUMNS: Final = tuple(f"plant_factor_{month}" for month in range(1, 13))


@dataclass
class _Zone:
    """One zone while its gaps are filled; remembers what was assumed."""

    name: str
    given: dict[str, Any]
    assumed: list[str]

    def number(self, column: str, default: float, *, note: str | None = None) -> float:
        """Return the number of a column, or the default, noted in `assumed`."""
        value = self.given.get(column)
        if value is None or not np.isfinite(float(value)):
            self.assumed.append(note or column)
            return default
        return float(value)

    def given_number(self, column: str, default: float) -> float:
        """Return the number of a column, or the default, which is not noted."""
        value = self.given.get(column)
        return float(value) if value is not None and np.isfinite(float(value)) else default

    def word(self, column: str, default: str) -> str:
        """Return the word of a column, or the default, noted in `assumed`."""
        value = self.given.get(column)
        if not isinstance(value, str) or not value:
            self.assumed.append(f"{column} {default}")
            return default
        return value


def zone_water(
    hydrozones: gpd.GeoDataFrame, *, latitude: float, hot_arid: bool = False
) -> pd.DataFrame:
    """Fill in what every zone's water depends on.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        As `siting.site.model.Site.hydrozones`: index `zone`; columns plants, soil, sand, clay [%],
        irrigation, precipitation_rate [mm/h], distribution_uniformity [-], root_depth [m],
        plant_factor [-], slope [%], and any column of `COEFFICIENTS`. Columns may be absent,
        unknown cells NaN or None.
    latitude : float
        North positive [deg].
    hot_arid : bool, default False
        Whether the climate is hot and dry: decides between published plant factors.

    Returns
    -------
    DataFrame
        Index as the zones; columns plant_factor_1 ... plant_factor_12 [-], depletion_fraction (at
        ETc 5 mm/d) [-], field_capacity, wilting_point [m³/m³], root_depth_m [m], taw_mm [mm],
        precipitation_rate [mm/h], distribution_uniformity [-], application_efficiency [-],
        intake_rate [mm/h], surface_accumulation [mm], greatest_rate [mm/h], drain_hours [h],
        soil_class (str), kd, establishment [-], kmc_given (NaN where it is to be computed) [-],
        defaults (str: what was assumed, comma-separated).

    Raises
    ------
    InputError
        With every word that is unknown and every number that is impossible.

    Notes
    -----
    The plant factor of a month is ks * kd * establishment: ks is the zone's own, or the published
    plant factor of its plants; kd (density) is 1 unless given; the establishment factor is that of
    `siting.water.plants.establishment_factor` where seasons_planted is given. The microclimate
    factor kmc is not in it: it comes from the sun.

    References
    ----------
    See `siting.water.plants`, `siting.water.soil` and `siting.water.heads`.
    """
    cells = hydrozones.to_numpy(dtype=object).tolist()
    zones = [
        _Zone(str(name), dict(zip(hydrozones.columns, row, strict=True)), [])
        for name, row in zip(hydrozones.index, cells, strict=True)
    ]
    faults = [fault for zone in zones for fault in _faults(zone)]
    if faults:
        raise InputError(faults)
    rows = [_row(zone, latitude=latitude, hot_arid=hot_arid) for zone in zones]
    return pd.DataFrame(rows, index=hydrozones.index.copy(), columns=list(_COLUMNS))


_COLUMNS: Final = (
    *MONTH_COLUMNS, "depletion_fraction", "field_capacity", "wilting_point", "root_depth_m",
    "taw_mm", "precipitation_rate", "distribution_uniformity", "application_efficiency",
    "intake_rate", "surface_accumulation", "greatest_rate", "drain_hours", "soil_class", "kd",
    "establishment", "kmc_given", "defaults",
)  # fmt: skip
_WHOLE: Final = 100.0
#: Lowest and highest value that a zone's number may have.
_LIMITS: Final = {
    "precipitation_rate": (0.1, 500.0, "mm/h"),
    "distribution_uniformity": (0.1, 1.0, ""),
    "root_depth": (0.02, 3.0, "m"),
    "plant_factor": (0.01, 1.5, ""),
    "slope": (0.0, 200.0, "%"),
    "sand": (0.0, 100.0, "%"),
    "clay": (0.0, 100.0, "%"),
    **{c.name: (c.low, c.high, c.unit) for c in COEFFICIENTS if c.kind in ("number", "length")},
}
_VOCABULARIES: Final = {
    "plants": PLANTS,
    "soil": SOILS,
    "irrigation": IRRIGATION,
    "subsoil": SOILS,
    "turf_table": tuple(TURF_TABLES),
}


def plant_factors(water: pd.DataFrame, months: Sequence[int] = range(1, 13)) -> Floats:
    """Return the plant factors of some months.

    Parameters
    ----------
    water : DataFrame
        As from `zone_water`, Z zones.
    months : sequence of int
        Calendar months, M of them.

    Returns
    -------
    ndarray, shape (Z, M)
        Plant factor [-].
    """
    columns = [water[MONTH_COLUMNS[month - 1]].to_numpy(dtype=np.float64) for month in months]
    return np.array(columns).T


def _faults(zone: _Zone) -> list[Fault]:
    """Return what is wrong with a zone."""
    wrong = _wrong_words(zone.given) + _wrong_numbers(zone.given)
    return [
        Fault("hydrozones", found, allowed, "Correct the zone.", feature=zone.name, column=column)
        for column, found, allowed in wrong
    ]


def _wrong_words(given: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return column, found and allowed of each unknown word; plants must be there."""
    wrong = []
    for column, vocabulary in _VOCABULARIES.items():
        value = given.get(column)
        absent = not isinstance(value, str)
        if (absent and column == "plants") or not (absent or value in vocabulary):
            wrong.append((column, str(value), ", ".join(vocabulary)))
    plants, table = given.get("plants"), given.get("turf_table")
    fits = [word for word, tables in TURF_TABLES.items() if plants in tables]
    if table in TURF_TABLES and table not in fits and str(plants).endswith("_turf"):
        wrong.append(("turf_table", f"{table} for {plants}", ", ".join(fits)))
    return wrong


def _wrong_numbers(given: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return column, found and allowed of each impossible number."""
    numbers = {
        column: float(given[column])
        for column in _LIMITS
        if column in given and given[column] is not None
    }
    wrong = []
    for column, number in numbers.items():
        low, high, unit = _LIMITS[column]
        if number < low or number > high:
            wrong.append((column, f"{number:g}", f"{low:g} to {high:g} {unit}".rstrip()))
    sand, clay = numbers.get("sand", 0.0), numbers.get("clay", 0.0)
    if sand + clay > _WHOLE:
        wrong.append(("sand, clay", f"{sand:g} + {clay:g} %", "together at most 100 %"))
    return wrong + _wrong_together(numbers)


def _wrong_together(numbers: dict[str, float]) -> list[tuple[str, str, str]]:
    """Return column, found and allowed of numbers that do not go together."""
    known = {column for column, number in numbers.items() if np.isfinite(number)}
    wrong = []
    if "plant_factor" in known and known & {"ks", "kd"}:
        wrong.append(("plant_factor", "plant_factor beside ks or kd", "plant_factor, or ks and kd"))
    held = {"field_capacity", "wilting_point"}
    if len(known & held) == 1:
        only = (known & held).pop()
        wrong.append((only, f"{only} alone", "field_capacity and wilting_point together"))
    elif held <= known and numbers["wilting_point"] >= numbers["field_capacity"]:
        wrong.append(("wilting_point", f"{numbers['wilting_point']:g}", "below field_capacity"))
    return wrong


def _row(zone: _Zone, *, latitude: float, hot_arid: bool) -> dict[str, object]:
    """Return the filled row of one zone."""
    kind = PLANT_KINDS[str(zone.given["plants"])]
    ground = _ground(zone)
    irrigation = IRRIGATION_KINDS[zone.word("irrigation", DEFAULT_IRRIGATION)]
    root_depth = zone.number("root_depth", kind.root_depth_m)
    slope = zone.number("slope", 0.0, note="slope flat")
    held = ground.over(root_depth)
    factors, kd, establishment = _factors(zone, latitude, hot_arid=hot_arid)
    row: dict[str, object] = dict(zip(MONTH_COLUMNS, factors.tolist(), strict=True))
    row |= {
        "depletion_fraction": zone.given_number("depletion_fraction", kind.depletion_fraction),
        "field_capacity": held[0],
        "wilting_point": held[1],
        "root_depth_m": root_depth,
        "taw_mm": float(total_available_water(*held, root_depth)),
        "precipitation_rate": zone.number("precipitation_rate", irrigation.precipitation_rate),
        "distribution_uniformity": zone.number(
            "distribution_uniformity", irrigation.distribution_uniformity
        ),
        "application_efficiency": zone.given_number(
            "application_efficiency", irrigation.efficiency
        ),
        "intake_rate": zone.given_number("intake_rate", ground.intake_rate),
        "surface_accumulation": surface_accumulation(ground.soil_class, slope),
        "greatest_rate": greatest_rate(ground.soil_class, slope),
        "drain_hours": ground.drain_hours,
        "soil_class": ground.soil_class,
        "kd": kd,
        "establishment": establishment,
        "kmc_given": zone.given_number("kmc", np.nan),
        "defaults": ", ".join(zone.assumed),
    }
    return row


def _factors(zone: _Zone, latitude: float, *, hot_arid: bool) -> tuple[Floats, float, float]:
    """Return the monthly plant factors, and the density and establishment factors in them."""
    plants = str(zone.given["plants"])
    own = zone.given_number("plant_factor", zone.given_number("ks", np.nan))
    kd = zone.given_number("kd", 1.0)
    seasons = zone.given_number("seasons_planted", np.inf)
    # Not by new_sod: a plan is for years, and the factor for the first seasons only.
    establishment = establishment_factor(seasons) if np.isfinite(seasons) else 1.0
    if np.isfinite(own):
        months = np.full(len(MONTH_COLUMNS), own)
    else:
        choice = zone.given.get("turf_table")
        table = choice if isinstance(choice, str) and choice else None
        name = turf_table(plants, hot_arid=hot_arid, choice=table)
        if table is None:
            zone.assumed.append(f"plant_factor {name}" if name else "plant_factor")
        months = monthly_plant_factor(plants, latitude=latitude, hot_arid=hot_arid, table=table)
    return months * kd * establishment, kd, establishment


@dataclass(frozen=True)
class Ground:
    """Soil of a zone: its surface, and what each layer holds.

    soil_class: texture class of the surface; field_capacity, wilting_point: of each layer, from the
    top [m³/m³]; thickness_m: of each layer, the last one goes as deep as roots do [m]; intake_rate:
    basic intake rate of the surface [mm/h]; drain_hours: from a soaking to field capacity: that of
    the slowest layer [h].
    """

    soil_class: str
    field_capacity: tuple[float, ...]
    wilting_point: tuple[float, ...]
    thickness_m: tuple[float, ...]
    intake_rate: float
    drain_hours: float

    def over(self, root_depth_m: float) -> tuple[float, float]:
        """Return field capacity and wilting point, mean over the root zone.

        root_depth_m: depth of the root zone [m]. Result: field capacity and wilting point, weighted
        by depth [m³/m³].
        """
        return (
            layered(self.field_capacity, self.thickness_m, root_depth_m=root_depth_m),
            layered(self.wilting_point, self.thickness_m, root_depth_m=root_depth_m),
        )


def _zone_soil(given: Mapping[str, Any]) -> Ground:
    """Return the soil that a row of soil columns describes.

    given: soil, sand, clay [%], organic_matter, gravel [%], compaction, field_capacity,
    wilting_point [m³/m³], subsoil, topsoil_depth [m], any may be absent, NaN or None. Result: its
    soil; `DEFAULT_SOIL` where nothing is known.
    """
    return _ground(_Zone("", dict(given), []))


def _ground(zone: _Zone) -> Ground:
    """Return the soil of a zone: measured water contents, else texture, else its class."""
    soil_class, field, wilting, intake = _surface_soil(zone)
    own = zone.given_number("field_capacity", np.nan)
    if np.isfinite(own):
        field, wilting = own, zone.given_number("wilting_point", np.nan)
    drain = SOIL_CLASSES[soil_class].drain_hours
    below, depth = zone.given.get("subsoil"), zone.given_number("topsoil_depth", np.nan)
    if not (isinstance(below, str) and below and np.isfinite(depth)):
        return Ground(soil_class, (field,), (wilting,), (1.0,), intake, drain)
    deep = SOIL_CLASSES[below]
    return Ground(
        soil_class,
        (field, deep.field_capacity),
        (wilting, deep.wilting_point),
        (depth, 1.0),
        intake,
        max(drain, deep.drain_hours),
    )


def _surface_soil(zone: _Zone) -> tuple[str, float, float, float]:
    """Return class, field capacity, wilting point and intake rate of the (upper) soil."""
    shares = [zone.given.get(column) for column in ("sand", "clay")]
    sand, clay = (np.nan if share is None else float(share) for share in shares)
    known = bool(np.isfinite(sand) and np.isfinite(clay))
    soil_class = texture_class(sand, clay) if known else zone.word("soil", DEFAULT_SOIL)
    soil = SOIL_CLASSES[soil_class]
    inside = {
        "organic_matter": zone.given_number("organic_matter", ORGANIC_MATTER),
        "density_factor": zone.given_number("compaction", 1.0),
        "gravel": zone.given_number("gravel", 0.0),
    }
    change = soil_adjustment(soil_class, **inside)
    intake = soil.intake_rate * change.intake
    if known and clay <= MOST_CLAY:
        water = saxton_rawls(sand, clay, **inside)
        return soil_class, float(water.field_capacity), float(water.wilting_point), intake
    field = soil.field_capacity * change.field_capacity
    return soil_class, field, soil.wilting_point * change.wilting_point, intake


#: A zone takes its soil from the map when at least this share of it is mapped.
_LEAST_MAPPED: Final = 0.5
#: What makes a soil known in the zone's own columns.
_OWN: Final = ("soil", "sand", "field_capacity")


def with_soil_map(
    hydrozones: gpd.GeoDataFrame, soils: gpd.GeoDataFrame | None
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Give each zone without a soil of its own the soil that the map shows there.

    Field capacity, wilting point and intake rate are area-weighted means of the polygons within the
    zone; the texture class, which decides drain time and what may stand on the surface, is that of
    the largest part. The zone's own soil, sand and clay, or field capacity always win.

    Parameters
    ----------
    hydrozones : GeoDataFrame
        Index `zone`; columns as for `siting.water.zones.zone_water`; any projected CRS.
    soils : GeoDataFrame or None
        Polygons in the same CRS; columns soil, sand, clay, organic_matter, compaction, gravel.

    Returns
    -------
    zones : GeoDataFrame
        With soil, field_capacity, wilting_point and intake_rate filled in; the input itself where
        there is no map.
    notes : tuple of str
        Which zones took their soil from the map, and from how many kinds of it.
    """
    if soils is None or soils.empty:
        return hydrozones, ()
    table = hydrozones.copy()
    for column in ("soil", "field_capacity", "wilting_point", "intake_rate"):
        if column not in table:
            table[column] = None if column == "soil" else np.nan
    known = [_filled(soil) for soil in soils.drop(columns="geometry").to_dict(orient="records")]
    notes = []
    for zone, row in hydrozones.iterrows():
        if any(_known(row.get(column)) for column in _OWN):
            continue
        parts = soils.geometry.intersection(row.geometry).area.to_numpy(dtype=float)
        share = parts.sum() / row.geometry.area
        if share < _LEAST_MAPPED:
            notes.append(f"zone {zone}: the soil map covers {share:.0%} of it and is not used")
            continue
        mean = _mean(known, parts)
        table.loc[zone, "soil"] = mean["soil"]
        for column in ("field_capacity", "wilting_point"):
            table.loc[zone, column] = mean[column]
        if not _known(row.get("intake_rate")):
            table.loc[zone, "intake_rate"] = mean["intake_rate"]
        kinds = int(np.count_nonzero(parts > 0))
        how = "" if kinds == 1 else f", the area-weighted mean of {kinds} polygons"
        notes.append(f"zone {zone}: soil from the soil map, mostly {mean['soil']}{how}")
    return table, tuple(notes)


def _filled(soil: dict[Any, Any]) -> dict[str, Any]:
    """Return what a polygon of the map holds and takes in."""
    found = _zone_soil({str(column): value for column, value in soil.items()})
    return {
        "soil": found.soil_class,
        "field_capacity": found.field_capacity[0],
        "wilting_point": found.wilting_point[0],
        "intake_rate": found.intake_rate,
    }


def _mean(
    known: list[dict[str, Any]], parts: np.ndarray[Any, np.dtype[np.float64]]
) -> dict[str, Any]:
    """Average the polygons by their area; the class is that of the largest part."""
    table = pd.DataFrame(known)
    by_class = pd.Series(parts).groupby(table["soil"].to_numpy()).sum()
    weights = parts / parts.sum()
    numbers = ("field_capacity", "wilting_point", "intake_rate")
    return {"soil": str(by_class.idxmax())} | {
        column: float(table[column].to_numpy(dtype=float) @ weights) for column in numbers
    }


def _known(value: object) -> bool:
    return isinstance(value, str) or bool(value is not None and np.isfinite(float(str(value))))


#: Gallons per inch and square foot as the ordinance writes it (exactly 144/231 = 0.6234).
ORDINANCE_GALLONS: Final = 0.62
#: The same as the programme writes it.
PROGRAMME_GALLONS: Final = 0.6233
#: Share of reference ET that the programme allows.
PROGRAMME_SHARE: Final = 0.70
#: ET adjustment factor by use: California Code of Regulations, Title 23, s. 491.
ET_ADJUSTMENT: Final = {"residential": 0.55, "non_residential": 0.45}
#: Largest share of the rain that may be counted.
RAIN_SHARE: Final = 0.25
_ORDINANCE: Final = "California Code of Regulations, Title 23, ss. 490-495 (model ordinance)"
_PROGRAMME: Final = "EPA landscape water budget (allowance as published; requirement from memory)"


def maximum_allowance(
    eto_in: float,
    area_ft2: float,
    *,
    special_ft2: float = 0.0,
    et_adjustment: float = 0.55,
) -> float:
    """Return the maximum applied water allowance of a year, MAWA.

    eto_in: reference ET of the year [in]; area_ft2: landscape area, special areas included [ft²];
    special_ft2: special landscape area: edible plants, playing fields, recycled water [ft²];
    et_adjustment: 0.55 for homes, 0.45 for others, 0.7 in the 2009 form [-]. Result:
    allowance [gal/year], no rain counted.

    California Code of Regulations, Title 23, s. 492.4: MAWA = (ETo - Eppt)(0.62)[(ETAF x LA) +
    ((1 - ETAF) x SLA)].

    >>> round(maximum_allowance(51.1, 50_000, et_adjustment=0.7))
    1108870
    """
    if min(eto_in, area_ft2, special_ft2) < 0 or special_ft2 > area_ft2:
        found = f"ETo {eto_in:g} in, area {area_ft2:g}, special area {special_ft2:g} ft2"
        allowed = "nothing negative; the special area within the landscape area"
        raise InputError([Fault("water budget", found, allowed, "Correct the numbers.")])
    share = et_adjustment * area_ft2 + (1.0 - et_adjustment) * special_ft2
    return eto_in * ORDINANCE_GALLONS * share


def estimated_use(
    eto_in: float,
    plant_factor: ArrayLike,
    area_ft2: ArrayLike,
    *,
    efficiency: ArrayLike,
) -> Floats:
    """Return the estimated total water use of each hydrozone in a year, ETWU.

    eto_in: reference ET of the year [in]; plant_factor, area_ft2, efficiency: plant factor (1 for
    special landscape areas) [-], area [ft²] and irrigation efficiency of each hydrozone: 0.75
    overhead, 0.81 drip [-]. Result: use; their sum is ETWU [gal/year].

    California Code of Regulations, Title 23, s. 492.4: ETWU = ETo x 0.62 x ETAF x area, with
    ETAF = PF / IE.

    >>> float(estimated_use(51.1, 1.0, 24_700, efficiency=0.71).round())
    1102177.0
    """
    factors = np.asarray(plant_factor, dtype=float) / np.asarray(efficiency, dtype=float)
    depth = eto_in * ORDINANCE_GALLONS
    return np.asarray(depth * factors * np.asarray(area_ft2, dtype=float))


def peak_month_allowance(eto_in: float, area_ft2: float) -> float:
    """Return the landscape water allowance of the peak month.

    eto_in: reference ET of the peak month [in]; area_ft2: landscape area [ft²]. Result: allowance
    [gal/month].

    EPA landscape water budget: 0.70 x ETo x area x 0.6233.

    >>> round(peak_month_allowance(6.0, 5000.0))
    13089
    """
    return PROGRAMME_SHARE * eto_in * area_ft2 * PROGRAMME_GALLONS


def peak_month_requirement(
    eto_in: float,
    coefficient: ArrayLike,
    area_ft2: ArrayLike,
    *,
    uniformity: ArrayLike,
    rain_in: float = 0.0,
) -> Floats:
    """Return the landscape water requirement of each hydrozone in the peak month.

    eto_in: reference ET of the peak month [in]; coefficient, area_ft2, uniformity: landscape
    coefficient [-], area [ft²] and low-quarter uniformity [-]; rain_in: rain of the month, of which
    a quarter is counted [in]. Result: requirement, at least 0 [gal/month].

    EPA landscape water budget (from memory): (ETo KL - Ra) A 0.6233 / DU.
    """
    need = eto_in * np.asarray(coefficient, dtype=float) - RAIN_SHARE * rain_in
    depth = np.maximum(need, 0.0) / np.asarray(uniformity, dtype=float)
    return np.asarray(depth * np.asarray(area_ft2, dtype=float) * PROGRAMME_GALLONS)


@dataclass(frozen=True)
class ClimateYear:
    """A mean year.

    eto_mm, rain_mm: reference ET and rain of the year [mm]; peak_month: month with most reference
    ET, 1 to 12; peak_eto_mm, peak_rain_mm: reference ET and rain of that month [mm].
    """

    eto_mm: float
    rain_mm: float
    peak_month: int
    peak_eto_mm: float
    peak_rain_mm: float


def climate_year(dates: pd.DatetimeIndex, eto: ArrayLike, rain: ArrayLike) -> ClimateYear:
    """Average daily weather to a mean year, gaps and part years included by their days.

    Parameters
    ----------
    dates : DatetimeIndex, length N
        The days.
    eto, rain : array_like, shape (N,)
        Reference ET [mm/d] and rain [mm].

    Returns
    -------
    ClimateYear
        Sums of the means of the twelve months; months without a day are left out.
    """
    table = pd.DataFrame({"eto": np.asarray(eto, float), "rain": np.asarray(rain, float)}, dates)
    month = dates.month
    mean = table.groupby(month).mean()
    length = pd.Series(pd.date_range("2001-01-01", "2001-12-31").month).value_counts().sort_index()
    sums = mean.mul(length.loc[mean.index] * 365.25 / 365.0, axis=0)
    peak = int(sums["eto"].to_numpy().argmax())
    return ClimateYear(
        eto_mm=float(sums["eto"].sum()),
        rain_mm=float(sums["rain"].sum()),
        peak_month=int(sums.index.to_numpy()[peak]),
        peak_eto_mm=float(sums["eto"].iloc[peak]),
        peak_rain_mm=float(sums["rain"].iloc[peak]),
    )


def water_budget(
    kind: str, zones: pd.DataFrame, *, year: ClimateYear, use: str = "residential"
) -> dict[str, Any]:
    """Return a property's water budget.

    Parameters
    ----------
    kind : {"mwelo", "epa"}
        The state ordinance's yearly budget, or the programme's budget of the peak month.
    zones : DataFrame
        Index `zone`; columns plants, area_m2, plant_factor (mean of the year) and kl (landscape
        coefficient of the peak month) [-], efficiency, distribution_uniformity [-].
    year : ClimateYear
        The mean year.
    use : {"residential", "non_residential"}
        Decides the ordinance's ET adjustment factor.

    Returns
    -------
    dict
        kind, use, reference, period, eto_mm, area_m2, special_area_m2 (zones of vegetables),
        et_adjustment (None for "epa"), allowance_m3, estimated_m3, within (bool), zones (mapping of
        zone to m³). No rain is counted in the ordinance's budget.
    """
    area = zones["area_m2"].to_numpy(dtype=float)
    special = (zones["plants"] == "vegetables").to_numpy()
    feet = area / FOOT_M**2
    if kind == "mwelo":
        adjustment: float | None = ET_ADJUSTMENT[use]
        eto = year.eto_mm / INCH_MM
        allowance = maximum_allowance(
            eto, feet.sum(), special_ft2=feet[special].sum(), et_adjustment=ET_ADJUSTMENT[use]
        )
        factor = np.where(special, 1.0, zones["plant_factor"].to_numpy(dtype=float))
        efficiency = np.where(special, 1.0, zones["efficiency"].to_numpy(dtype=float))
        parts = estimated_use(eto, factor, feet, efficiency=efficiency)
        period, depth, source = "year", year.eto_mm, _ORDINANCE
    else:
        adjustment, eto = None, year.peak_eto_mm / INCH_MM
        allowance = peak_month_allowance(eto, feet.sum())
        parts = peak_month_requirement(
            eto,
            zones["kl"].to_numpy(dtype=float),
            feet,
            uniformity=zones["distribution_uniformity"].to_numpy(dtype=float),
            rain_in=year.peak_rain_mm / INCH_MM,
        )
        period, depth, source = f"month {year.peak_month}", year.peak_eto_mm, _PROGRAMME
    return _report(
        {"kind": kind, "use": use, "reference": source, "period": period, "eto_mm": depth},
        area=float(area.sum()),
        special=float(area[special].sum()),
        adjustment=adjustment,
        allowance=allowance,
        parts=dict(zip([str(zone) for zone in zones.index], parts.tolist(), strict=True)),
    )


def _report(
    head: Mapping[str, object],
    *,
    area: float,
    special: float,
    adjustment: float | None,
    allowance: float,
    parts: Mapping[str, float],
) -> dict[str, Any]:
    """Put a budget together in cubic metres."""
    total = sum(parts.values())
    return {
        **head,
        "area_m2": area,
        "special_area_m2": special,
        "et_adjustment": adjustment,
        "allowance_m3": allowance * GALLON_M3,
        "estimated_m3": total * GALLON_M3,
        "within": bool(total <= allowance),
        "zones": {zone: gallons * GALLON_M3 for zone, gallons in parts.items()},
    }
