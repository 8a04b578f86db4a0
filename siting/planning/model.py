"""The plan: everything that was decided for a property, as frozen tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from siting.arrays import Floats
from siting.decide.decision import Printed
from siting.errors import SitingError
from siting.place.placement import Placement
from siting.site.model import Site
from siting.site.settings import PropertyFile
from siting.sun.position import SunShade
from siting.units import UnitsName, show
from siting.zones.survey import Survey

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True)
class Basis:
    """Everything that a what-if need not compute again.

    Parameters
    ----------
    survey : Survey
        Sun, water and weather.
    hazards : GeoDataFrame
        As from `siting.place.setbacks.setback_hazards`.
    placements : list of Placement
        Best point of every zone.
    warnings : tuple of str
        What was repaired or assumed.
    tags : mapping of str to str
        Zone -> tag of the sensor that is buried there.
    printed : Printed or None
        What is set in the field; None until it is decided.
    """

    survey: Survey
    hazards: gpd.GeoDataFrame
    placements: list[Placement]
    warnings: tuple[str, ...] = ()
    tags: Mapping[str, str] = field(default_factory=dict)
    printed: Printed | None = None


@dataclass(frozen=True)
class Elsewhere:
    """A sensor moved to the thirstiest zone that it governs.

    home, thirstiest: where it lies, and where it could; alone: whether it governs every zone of the
    property; open_ground: whether any ground of the thirstiest zone meets every setback; cost,
    water_m3: how much more a year it would cost, and use, from there, infinite where no setting
    keeps every zone within its limit [currency, m³].
    """

    home: str
    thirstiest: str
    alone: bool
    open_ground: bool
    cost: float
    water_m3: float


#: Options of pandas: no text is cut, and no dollar sign starts a formula.
_WHOLE_TEXT: Final = ("display.max_colwidth", None, "display.html.use_mathjax", False)


def summary_html(
    name: str, headline: str, sensors: pd.DataFrame, *, units: UnitsName, caution: str = ""
) -> str:
    """Return what a notebook shows of a plan.

    units {"metric", "us"}: how to show lengths. Returns HTML without scripts, styles or links.
    """
    table = pd.DataFrame(
        {
            "zone": sensors["zone"],
            "valve": sensors["valve"],
            "governs": [", ".join(str(zone) for zone in zones) for zones in sensors["governs"]],
            "depth": [show(1000 * d, "depth", units) for d in sensors["depth_m"]],
            "latitude": [f"{value:.7f}" for value in sensors["lat"]],
            "longitude": [f"{value:.7f}" for value in sensors["lon"]],
        },
        index=sensors.index,
    )
    with pd.option_context(*_WHOLE_TEXT):
        body = table.to_html(escape=True, border=0, index_names=False, na_rep="–")
    foot = f"<p><small>{escape(caution)}</small></p>" if caution else ""
    return f"<h3>{escape(name)}</h3><p>{escape(headline)}</p>{body}{foot}"


@dataclass(frozen=True)
class Wording:
    """The sentences of a plan that hold amounts, in one system of units.

    Parameters
    ----------
    headline, answer, claim : str
        As `Plan.headline`, `Plan.answer` and the claim of `Plan.economics`.
    reasons, setback_notes, zone_notes : mapping of str to str
        By sensor: why here, what gave way (or ""), and why not in the thirstiest zone (or "").
    """

    headline: str
    answer: str
    claim: str
    reasons: Mapping[str, str]
    setback_notes: Mapping[str, str]
    zone_notes: Mapping[str, str]


def _empty(*columns: str) -> gpd.GeoDataFrame:
    """Return a layer without features; its CRS is not known."""
    return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[])


@dataclass(frozen=True)
class Plan:
    """Everything that was decided for a property. Writes nothing; `siting.handoff` does.

    Every geometry is in the site's working CRS (metres). What a column of `zones`, `sensors`,
    `choices`, `rules`, `controls`, `regret`, `timer_table`, `sensitivity`, `measuring`, `season`,
    `ties`, `reserves` and `parts`, or a value of `decision` and `economics` means, and its unit,
    stands in `siting.planning.tables.RESULT`, the page of results in the documentation; below is
    what the tables have beyond it.

    Parameters
    ----------
    site : Site
        The checked property.
    settings : PropertyFile
        What the user asked for.
    zones : GeoDataFrame
        Index `zone` as in ``site.hydrozones``; need_share_sun, _plants, _soil, _roots, _slope,
        _application; defaults (str: comma-separated); geometry.
    sensors : GeoDataFrame
        Index `sensor_id` ("S1", "S2", ... from north-west in reading order); governs (tuple of
        zones), x, y (working CRS), source_x, source_y (property CRS), threshold_low_mm,
        threshold_low_fraction, threshold_step_vwc, threshold_vwc, threshold_note,
        threshold_withheld (str: after commissioning, why no threshold is handed out, or ""; may be
        absent), test_cans (int: cans to place in a can test, or that were read; 0 where none would
        help), geometry (Point).
    choices : DataFrame
        One row per allowed number of sensors, index `n` (1..max).
    rules : DataFrame
        The plain way and the plain rules beside it, index `rule`.
    wire_routes : GeoDataFrame
        Columns sensor_id, controller, kind ("trench" or "wire"), conductors (in it), length_m,
        crosses (str: "paving", "tree roots", "planted bed", comma-separated, or ""), paved_m,
        priced_m (metres of open trench of the same price), geometry (LineString).
    ties : GeoDataFrame
        Columns sensor_id, from_x, from_y (working CRS), offset (bool: the shortest tape from a
        straight edge), geometry (LineString from the fixed point to the sensor).
    keepout : GeoDataFrame
        Columns hazard, setback_m, geometry: where a sensor must not be buried, by reason.
    reserves : GeoDataFrame
        Columns sensor_id, x, y (working CRS), geometry (Point): where to dig when the shovel meets
        rock, at least 2 m from the sensor and from each other.
    admissible : GeoDataFrame
        Columns zone, area_m2, share (of the zone), geometry: ground that meets every setback;
        zones without any are left out.
    rank : ndarray, shape (rows, columns)
        Area rank of dryness among the admissible ground of each zone, mean over scenarios, NaN
        outside the zones; empty where it was not drawn.
    moved : ndarray, shape (rows, columns)
        By what readings of the ground made it drier than the map alone had it, 1 is as it was;
        empty without readings.
    season : DataFrame
        Index `year`.
    economics : mapping
        With budget: the published water budget that the user asked for, or None; see
        `siting.water.zones.water_budget`.
    parts : DataFrame
        Parts list.
    sun : SunShade
        Monthly sun, base scenario.
    dryness : ndarray, shape (rows, columns)
        Dryness relative to the property's mean, NaN outside the zones.
    answer : str
        "How many sensors, and why" in one paragraph: the decision, why, where, what is claimed.
    headline : str
        The decision and what it saves, in two or three sentences.
    cautions : tuple of str
        What every hand-off must carry.
    warnings : tuple of str
        Everything repaired, assumed or not met.
    provenance : mapping
        Inputs' sha256, versions, options.
    controls : DataFrame
        Every kind of control beside the plan, index `kind`.
    regret : DataFrame
        What each number of sensors and each plain rule costs beyond the best of them, index
        `option`.
    timer_table : DataFrame
        What to type into any timer, index `zone`; percent_1 to percent_12 (seasonal adjustment; 0
        out of season), run_minutes_1 to run_minutes_12.
    sensitivity : DataFrame
        What moves the result, index `input`, the greatest swing first.
    measuring : DataFrame
        What measuring first would be worth, the most worthwhile first.
    decision : mapping
        How exact the choice is; with limits (zone -> d), plain_homes, plain_drier (zone -> d).
    basis : object
        What `siting.planning.make.replan` needs; not for reading.
    wordings : mapping of units to Wording
        The sentences that hold amounts in each system of units; see `wording`.
    do_now : tuple of str
        After a visit to the field: what to do now, a line for each sensor, the most urgent first.
        Shown on the map and the crew's sheets; not in plan.json.
    """

    site: Site
    settings: PropertyFile
    zones: gpd.GeoDataFrame
    sensors: gpd.GeoDataFrame
    choices: pd.DataFrame
    rules: pd.DataFrame
    wire_routes: gpd.GeoDataFrame
    ties: gpd.GeoDataFrame
    keepout: gpd.GeoDataFrame
    season: pd.DataFrame
    economics: Mapping[str, Any]
    parts: pd.DataFrame
    sun: SunShade
    dryness: Floats
    answer: str
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    provenance: Mapping[str, Any] = field(default_factory=dict)
    reserves: gpd.GeoDataFrame = field(
        default_factory=lambda: _empty(
            "sensor_id",
            "reserve",
            "x",
            "y",
            "expected_rank",
            "p_driest_quarter",
            "p_wetter_half",
            "setback_ratio",
            "binding_setback",
        )
    )
    admissible: gpd.GeoDataFrame = field(default_factory=lambda: _empty("zone", "area_m2", "share"))
    rank: Floats = field(default_factory=lambda: np.empty((0, 0)))
    moved: Floats = field(default_factory=lambda: np.empty((0, 0)))
    controls: pd.DataFrame = field(default_factory=pd.DataFrame)
    regret: pd.DataFrame = field(default_factory=pd.DataFrame)
    timer_table: pd.DataFrame = field(default_factory=pd.DataFrame)
    sensitivity: pd.DataFrame = field(default_factory=pd.DataFrame)
    measuring: pd.DataFrame = field(default_factory=pd.DataFrame)
    decision: Mapping[str, Any] = field(default_factory=dict)
    basis: object = field(default=None, repr=False, compare=False)
    wordings: Mapping[UnitsName, Wording] = field(default_factory=dict)
    headline: str = ""
    do_now: tuple[str, ...] = ()

    def wording(self, units: UnitsName) -> Wording:
        """Return the sentences that hold amounts in one system of units.

        Parameters
        ----------
        units : {"metric", "us"}
            Which system.

        Returns
        -------
        Wording
            As planned; where the plan brings none, those of the plan's own units.
        """
        return self.wordings.get(units) or Wording(
            headline=self.headline or self.answer,
            answer=self.answer,
            claim=str(self.economics["claim"]),
            reasons=dict(self.sensors["reason"]),
            setback_notes=dict(self.sensors["setback_note"]),
            zone_notes=dict(self.sensors["zone_note"]),
        )

    def to_crs(self, crs: object = None) -> dict[str, gpd.GeoDataFrame]:
        """Return the layers of the plan in another CRS.

        Parameters
        ----------
        crs : object, optional
            Anything that geopandas takes as a CRS; the property's own by default.

        Returns
        -------
        dict of str to GeoDataFrame
            zones, sensors, wire_routes, ties, keepout, reserves, admissible, buildings and
            boundary. Columns keep their values: `x` and `y` are of the working CRS.
        """
        site = self.site
        boundary = gpd.GeoDataFrame({"name": [site.name]}, geometry=[site.boundary], crs=site.crs)
        names = ("zones", "sensors", "wire_routes", "ties", "keepout", "reserves", "admissible")
        layers: dict[str, gpd.GeoDataFrame] = {name: getattr(self, name) for name in names}
        layers |= {"buildings": site.buildings, "boundary": boundary}
        wanted = site.source_crs if crs is None else crs
        return {
            name: (layer.set_crs(site.crs) if layer.crs is None else layer).to_crs(wanted)
            for name, layer in layers.items()
        }

    def to_xarray(self) -> xr.Dataset:
        """Return sun, dryness and rank as labelled arrays that know where they lie.

        Returns
        -------
        xarray.Dataset
            sun_hours and beam_fraction (month, y, x), sky_view, dryness and rank (y, x), with units
            in `attrs`; `spatial_ref` carries the working CRS and the affine transform as the CF
            conventions and rioxarray have them. Needs the extra `notebook`.

        Raises
        ------
        SitingError
            When xarray is not installed.
        """
        try:
            import xarray as xr  # noqa: PLC0415 - an extra, and slow to import
        except ImportError:
            msg = 'to_xarray needs xarray: pip install "siting[notebook]"'
            raise SitingError(msg) from None
        sun, grid = self.sun, self.sun.grid
        rank = self.rank if self.rank.shape == grid.shape else np.full(grid.shape, np.nan)
        flat, monthly = ("y", "x"), ("month", "y", "x")
        arrays = {
            "sun_hours": (monthly, sun.sun_hours, "h/d", "Direct sun"),
            "beam_fraction": (monthly, sun.beam_fraction, "1", "Share of the clear-sky beam"),
            "sky_view": (flat, sun.sky_view, "1", "Share of the diffuse light"),
            "dryness": (flat, self.dryness, "1", "Dryness relative to the property's mean"),
            "rank": (flat, rank, "1", "Area rank of dryness among admissible ground"),
        }
        moved = grid.transform.to_gdal()
        place = self.site.crs.to_cf() | {
            "spatial_ref": self.site.crs.to_wkt(),
            "GeoTransform": " ".join(f"{value:.17g}" for value in moved),
        }
        return xr.Dataset(
            {
                name: (
                    dims,
                    values,
                    {"units": unit, "long_name": says, "grid_mapping": "spatial_ref"},
                )
                for name, (dims, values, unit, says) in arrays.items()
            },
            coords={
                "month": ("month", list(sun.months)),
                "y": ("y", grid.y, {"units": "m", "standard_name": "projection_y_coordinate"}),
                "x": ("x", grid.x, {"units": "m", "standard_name": "projection_x_coordinate"}),
                "spatial_ref": ((), 0, place),
            },
            attrs={"title": self.site.name, "Conventions": "CF-1.8"},
        )

    def __repr__(self) -> str:
        """Return one line: the tables have theirs, and would flood a notebook."""
        homes = ", ".join(f"{tag} in {zone}" for tag, zone in self.sensors["zone"].items())
        count = f"{len(self.sensors)} sensor{'' if len(self.sensors) == 1 else 's'}"
        return f"<Plan of {self.site.name}: {count} ({homes}) for {len(self.zones)} hydrozones>"

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the headline and the sensors."""
        units = self.settings.units
        caution = self.cautions[0] if self.cautions else ""
        return summary_html(
            self.site.name,
            self.wording(units).headline,
            self.sensors,
            units=units,
            caution=caution,
        )
