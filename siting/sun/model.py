"""What the sun engine hands on."""

from __future__ import annotations

from dataclasses import dataclass

from siting.arrays import Floats, Ints
from siting.site.model import LocalGrid


@dataclass(frozen=True)
class SunPositions:
    """Sun positions that stand for a season: one representative day per month.

    Parameters
    ----------
    month : ndarray of int, shape (N,)
        Month 1..12.
    elevation, azimuth : ndarray of float, shape (N,)
        True elevation above the horizon and azimuth east of north [deg]; elevation > 0.
    hours : ndarray of float, shape (N,)
        How much of the representative day each position stands for [h/d].
    beam : ndarray of float, shape (N,)
        Clear-sky beam energy on level ground that each position stands for [MJ m⁻² d⁻¹].
    """

    month: Ints
    elevation: Floats
    azimuth: Floats
    hours: Floats
    beam: Floats


@dataclass(frozen=True)
class SunShade:
    """Monthly sun on a raster; roofs are NaN.

    Parameters
    ----------
    grid : LocalGrid
        The raster.
    months : tuple of int
        Months of the first axis, length M.
    sun_hours : ndarray, shape (M, rows, columns)
        Direct sun on the representative day, crowns counted by transmissivity [h/d].
    beam_fraction : ndarray, shape (M, rows, columns)
        Share of the clear-sky beam energy that arrives, 0..1.
    sky_view : ndarray, shape (rows, columns)
        Share of the isotropic diffuse light that arrives, 0..1.
    slope_beam : ndarray, shape (M, rows, columns), or None
        Beam energy on the ground's own slope over that on open level ground; above 1 on slopes that
        face the sun. None where the slope is not known.
    slope_sky : ndarray, shape (rows, columns), or None
        The same for isotropic diffuse light.
    """

    grid: LocalGrid
    months: tuple[int, ...]
    sun_hours: Floats
    beam_fraction: Floats
    sky_view: Floats
    slope_beam: Floats | None = None
    slope_sky: Floats | None = None


@dataclass(frozen=True)
class CellSun:
    """Monthly sun of some cells of a raster: what of a variant a plan needs to know.

    Parameters
    ----------
    cells : ndarray of int, shape (P,)
        Flat index of the cells (row-major), rising, each once.
    beam : ndarray, shape (M, P)
        Beam that arrives over that of open level ground, on the ground's own slope where known.
    sky : ndarray, shape (P,)
        The same for isotropic diffuse light.
    """

    cells: Ints
    beam: Floats
    sky: Floats
