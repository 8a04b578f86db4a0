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
    sun: SunShade, beam_mj: ArrayLike, diffuse_mj: ArrayLike
) -> NDArray[np.float64]:
    """Global radiation that reaches level ground, month by month.

    ``beam x beam_fraction + diffuse x sky_view``: the diffuse light is taken as isotropic, and
    what walls and ground reflect is left out, which makes shade a little deeper than it is.

    Parameters
    ----------
    sun : SunShade
        Monthly sun on a raster.
    beam_mj, diffuse_mj : array_like, shape (12,)
        Mean daily radiation on open level ground, January first [MJ m⁻² d⁻¹].

    Returns
    -------
    ndarray, shape (M, rows, columns)
        In the order of ``sun.months``; NaN on roofs [MJ m⁻² d⁻¹].

    Raises
    ------
    InputError
        If there are not twelve values of each, 0 or more, in the months asked for.

    References
    ----------
    Isotropic sky: B. Y. H. Liu and R. C. Jordan (1963), Solar Energy 7(2), 53-74.
    """
    beam = np.asarray(beam_mj, dtype=np.float64)
    diffuse = np.asarray(diffuse_mj, dtype=np.float64)
    month = np.asarray(sun.months, dtype=np.int64) - 1
    faults = [*_faults("beam_mj", beam, month), *_faults("diffuse_mj", diffuse, month)]
    if faults:
        raise InputError(faults)
    shaded: NDArray[np.float64] = (
        beam[month, None, None] * sun.beam_fraction + diffuse[month, None, None] * sun.sky_view
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
