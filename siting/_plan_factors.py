"""Factors of other packages on the demand of the hydrozones."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from siting.extensions import Extension, ExtensionError, find_extension
from siting.site.model import Site
from siting.water.zones import MONTH_COLUMNS

__all__ = ["with_factors"]

#: A factor outside these is a mistake: five times more or less water than a zone's own plants.
_LOW: Final = 0.2
_HIGH: Final = 5.0


def with_factors(
    water: pd.DataFrame, site: Site, factors: Mapping[str, Mapping[str, Any]]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Multiply the demand of each zone by the factors that were asked for.

    They act on the microclimate factor, which is where exposure belongs in the landscape
    coefficient, and with it on the monthly plant factors.

    Parameters
    ----------
    water : DataFrame
        Index `zone`, as from `siting._plan_water.with_microclimate`; not changed.
    site : Site
        The property, which the factors look at.
    factors : mapping of str to mapping
        Name -> options.

    Returns
    -------
    table : DataFrame
        As `water`, with kmc, kmc_scale and the monthly plant factors multiplied.
    warnings : tuple of str
        What each factor did, or why it was left out.

    References
    ----------
    Costello, L. R., Matheny, N. P. and Clark, J. R. (2000) A Guide to Estimating Irrigation Water
    Needs of Landscape Plantings in California: the microclimate factor stands for sun, wind and
    reflected heat.
    """
    table, notes = water.copy(), []
    columns = ["kmc", "kmc_scale", *MONTH_COLUMNS]
    for name, options in factors.items():
        extension = find_extension("siting.factors", name)
        if extension is None:
            notes.append(f"factor {name} is not used: no installed package brings it")
            continue
        try:
            values = _checked(extension, extension.call(site, **options), water.index)
        except ExtensionError as error:
            notes.append(f"factor {name} is not used: {error}")
            continue
        table[columns] = table[columns].mul(values, axis=0)
        shown = ", ".join(f"{zone} {value:.2f}" for zone, value in values.items())
        notes.append(f"{extension} multiplies the demand of each zone: {shown}")
    return table, tuple(notes)


def _checked(extension: Extension, found: object, zones: pd.Index) -> pd.Series:
    """Return a factor by zone, or raise what is wrong with it."""
    if not isinstance(found, pd.Series):
        msg = f"{extension} returned {type(found).__name__}, not a Series"
        raise ExtensionError(msg)
    if set(found.index) != set(zones) or found.index.has_duplicates:
        msg = f"{extension} returned other zones than the property's"
        raise ExtensionError(msg)
    values = pd.to_numeric(found, errors="coerce").reindex(zones).astype(float)
    wrong = ~(np.isfinite(values) & values.between(_LOW, _HIGH))
    if wrong.any():
        zone = values.index[wrong][0]
        msg = f"{extension} returned {found[zone]} for zone {zone}, outside {_LOW:g} to {_HIGH:g}"
        raise ExtensionError(msg)
    return values
