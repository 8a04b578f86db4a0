"""The checked property: its layers in one local metric CRS, and the raster laid over it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from siting.arrays import Floats

if TYPE_CHECKING:
    import geopandas as gpd
    import pyproj
    from affine import Affine
    from shapely.geometry.base import BaseGeometry

#: Without a terrain the lowest height is near 0, or the heights are above the sea [m].
DATUM_LIMIT_M: Final = 20.0
#: A reading so near to a zone still counts for it [m].
BESIDE_M: Final = 0.5


class LocalGrid(NamedTuple):
    """A north-up raster in the working CRS.

    Parameters
    ----------
    west, north : float
        Outer corner of the first cell [m].
    resolution : float
        Cell size [m].
    rows, columns : int
        Shape; row 0 is the northernmost.
    """

    west: float
    north: float
    resolution: float
    rows: int
    columns: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.columns

    @property
    def x(self) -> Floats:
        """Easting of the cell centres, shape (columns,) [m]."""
        return self.west + (np.arange(self.columns, dtype=np.float64) + 0.5) * self.resolution

    @property
    def y(self) -> Floats:
        """Northing of the cell centres, shape (rows,), falling [m]."""
        return self.north - (np.arange(self.rows, dtype=np.float64) + 0.5) * self.resolution

    @property
    def transform(self) -> Affine:
        """Affine transform from column and row to easting and northing, as rasterio takes it."""
        from rasterio.transform import from_origin  # noqa: PLC0415 - only where it is asked for

        made: Affine = from_origin(self.west, self.north, self.resolution, self.resolution)
        return made

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north [m]."""
        south = self.north - self.rows * self.resolution
        east = self.west + self.columns * self.resolution
        return self.west, south, east, self.north


@dataclass(frozen=True)
class HeightRaster:
    """Heights on a north-up raster in the working CRS.

    Parameters
    ----------
    heights : ndarray, shape (rows, columns)
        Row 0 is the northernmost; NaN where the file had no data [m].
    west, north : float
        Edges of the raster [m].
    cell_x, cell_y : float
        Width and height of a cell [m].
    """

    heights: Floats
    west: float
    north: float
    cell_x: float
    cell_y: float


@dataclass(frozen=True)
class Evidence:
    """What was read of the ground on one day: a probe walk, or a raster's cells.

    Parameters
    ----------
    kind : str
        What was read, in words.
    date : str
        YYYY-MM-DD, or "".
    x, y : ndarray, shape (N,)
        Where, working CRS [m].
    value : ndarray, shape (N,)
        Higher is drier; any unit.
    trust : float
        Correlation of a reading with the true dryness of its place, 0..1.
    alike : bool
        Whether neighbouring readings are off alike (a raster), or each by itself (a probe).
    file : str
        Where it comes from.
    """

    kind: str
    date: str
    x: Floats
    y: Floats
    value: Floats
    trust: float
    alike: bool = False
    file: str = ""


@dataclass(frozen=True)
class Site:
    """A property whose layers have been read, repaired and checked.

    All layers are GeoDataFrames in `crs`, a transverse Mercator centred on the property, in metres,
    true north up (scale error below 1e-6 within 5 km). Absent layers are empty frames with the
    right columns. Unknown numbers are NaN, unknown words None; later stages fill defaults.

    Parameters
    ----------
    name : str
        The property's name.
    crs, source_crs : pyproj.CRS
        Working CRS; the property's own CRS, in which results are handed back.
    longitude, latitude : float
        Centre of the boundary, WGS 84 [deg].
    boundary : shapely geometry
        Polygon or MultiPolygon.
    hydrozones : GeoDataFrame
        Index `zone` (str, natural order); columns valve (str), controller (str or None), plants
        (str), soil (str or None), sand, clay [%], irrigation (str or None), precipitation_rate
        [mm/h], distribution_uniformity (0..1), root_depth [m], plant_factor, slope [%], those
        of `siting.site.columns.COEFFICIENTS` that the file has, new_sod (bool), in_play (bool:
        a pitch or green, through which no trench is dug), rain_share (0..1: share of the rain that
        reaches the ground; 1 in the open), geometry.
    buildings : GeoDataFrame
        Columns height [m], feature (str: id in the file), geometry (Polygon/MultiPolygon).
    trees : GeoDataFrame
        Columns height, crown_diameter, trunk_diameter [m], transmissivity (0..1, leaf-on),
        crown_base [m], transmissivity_bare (0..1), evergreen (True, False or None), feature,
        geometry (Point at the trunk), crown (Polygon or None: the drawn crown).
    paving : GeoDataFrame
        Columns feature, geometry (Polygon).
    fixtures : GeoDataFrame
        Columns kind (str), valve (str or None), name (str or None), wetted_radius [m] and
        nozzle_flow [L/min] (of heads; NaN where unknown), feature, geometry (Point).
    cans : GeoDataFrame
        Columns depth [mm] or volume [mL] (NaN where not read), mouth_diameter [m] and minutes [min]
        (NaN where not given), feature, geometry (Point).
    soils : GeoDataFrame or None
        A soil map: columns soil (str or None), sand, clay, organic_matter, gravel [%], compaction,
        feature, geometry (Polygon).
    walls : GeoDataFrame or None
        Free-standing walls, fences and hedges: columns height [m], transmissivity (0..1), feature,
        geometry (LineString/MultiLineString).
    paths, utilities : GeoDataFrame or None
        Columns kind (str or None), feature, geometry (LineString): paths that people tread, and
        pipes and cables in the ground, where they are drawn.
    surface, terrain : HeightRaster or None
        Heights of everything that shades; of the bare ground.
    evidence : tuple of Evidence
        What the ground itself says of where it is dry.
    warnings : tuple of str
        Everything that was repaired or assumed, in plain words.
    sources : tuple of str
        Absolute paths of the files read, for provenance.
    """

    name: str
    crs: pyproj.CRS
    source_crs: pyproj.CRS
    longitude: float
    latitude: float
    boundary: BaseGeometry
    hydrozones: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    paving: gpd.GeoDataFrame
    fixtures: gpd.GeoDataFrame
    cans: gpd.GeoDataFrame
    soils: gpd.GeoDataFrame | None = None
    walls: gpd.GeoDataFrame | None = None
    paths: gpd.GeoDataFrame | None = None
    utilities: gpd.GeoDataFrame | None = None
    surface: HeightRaster | None = None
    terrain: HeightRaster | None = None
    evidence: tuple[Evidence, ...] = ()
    warnings: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
