"""A plan in a notebook: the headline and the sensors, as plain HTML with every text escaped."""

from __future__ import annotations

from html import escape
from typing import Final

import pandas as pd

from siting.units import UnitsName, show

__all__ = ["summary_html"]

#: Options of pandas: no text is cut, and no dollar sign starts a formula.
_WHOLE_TEXT: Final = ("display.max_colwidth", None, "display.html.use_mathjax", False)


def summary_html(
    name: str, headline: str, sensors: pd.DataFrame, *, units: UnitsName, caution: str = ""
) -> str:
    """Return what a notebook shows of a plan.

    Parameters
    ----------
    name, headline : str
        The property, and how many sensors and what they bring.
    sensors : DataFrame
        As in `siting.planning.Plan`.
    units : {"metric", "us"}
        How to show lengths.
    caution : str
        The line below the table.

    Returns
    -------
    str
        HTML without scripts, styles or links.
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
