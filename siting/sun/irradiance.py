"""Shaded global radiation from the weather's own beam and diffuse parts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.errors import Fault, InputError
from siting.sun.model import SunShade

__all__ = ["shaded_radiation"]

_MONTHS = 12


def shaded_radiation(
    sun: SunShade, beam_mj: ArrayLike, diffuse_mj: ArrayLike, *, on_slope: bool = False
) -> NDArray[np.float64]:
    """Global radiation that reaches the ground, month by month.

    ``beam x beam_fraction + diffuse x sky_view``: the diffuse light is taken as isotropic, and
    what walls and ground reflect is left out, which makes shade a little deeper than it is. On the
    ground's own slope the beam counts by its angle of incidence, per square metre of slope.

    Parameters
    ----------
    sun : SunShade
        Monthly sun on a raster.
    beam_mj, diffuse_mj : array_like, shape (12,)
        Mean daily radiation on open level ground, January first [MJ m⁻² d⁻¹].
    on_slope : bool
        Whether to take the ground's slope, which a terrain tells, instead of level ground.

    Returns
    -------
    ndarray, shape (M, rows, columns)
        In the order of ``sun.months``; NaN on roofs [MJ m⁻² d⁻¹].

    Raises
    ------
    InputError
        If there are not twelve values of each, 0 or more, in the months asked for, or the slope is
        wanted and not known.

    References
    ----------
    Isotropic sky, beam and sky on slopes: B. Y. H. Liu and R. C. Jordan (1963), "The long-term
    average performance of flat-plate solar-energy collectors", Solar Energy 7(2), 53-74.
    """
    beam = np.asarray(beam_mj, dtype=np.float64)
    diffuse = np.asarray(diffuse_mj, dtype=np.float64)
    month = np.asarray(sun.months, dtype=np.int64) - 1
    faults = [*_faults("beam_mj", beam, month), *_faults("diffuse_mj", diffuse, month)]
    direct, sky = sun.beam_fraction, sun.sky_view
    if on_slope and sun.slope_beam is not None and sun.slope_sky is not None:
        direct, sky = sun.slope_beam, sun.slope_sky
    elif on_slope:
        allowed = "a sun that was computed with a terrain"
        mend = "Give the terrain to shade_scenarios."
        faults.append(Fault("shaded_radiation", "no slope", allowed, mend, column="on_slope"))
    if faults:
        raise InputError(faults)
    shaded: NDArray[np.float64] = (
        beam[month, None, None] * direct + diffuse[month, None, None] * sky
    )
    return shaded


def _faults(name: str, values: NDArray[np.float64], month: NDArray[np.int64]) -> Sequence[Fault]:
    """Return what is wrong with twelve monthly values."""
    allowed = "twelve monthly means, 0 or more"
    mend = f"Correct `{name}`."
    if values.shape != (_MONTHS,):
        return [Fault("shaded_radiation", f"shape {values.shape}", allowed, mend, column=name)]
    wrong = values[month][~(values[month] >= 0)]
    return [Fault("shaded_radiation", f"{value:g}", allowed, mend, column=name) for value in wrong]
