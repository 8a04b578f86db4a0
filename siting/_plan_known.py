"""What the stages of a plan hand each other; kept with the plan, so that what-if needs no sun."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_application import ZoneApplication
from siting._plan_choice import Decision
from siting._plan_control import PropertyRoots
from siting._plan_ground import Ground, SunVariants
from siting._plan_scenarios import Scenarios
from siting._plan_schedule import Schedule
from siting._plan_sheet import Sheet
from siting._plan_tables import Simulated
from siting.climate.model import Climate, SeasonCalendar
from siting.placement import Placement
from siting.season import Watering
from siting.water.reference_et import EtoTerms

__all__ = ["Basis", "Decided", "Known", "Rival"]


@dataclass(frozen=True)
class Known:
    """What is known of the ground and the weather before anything is decided.

    Parameters
    ----------
    seasons : SeasonCalendar
        The weather seasons.
    terms : EtoTerms
        Reference ET of every day of the record.
    water : DataFrame
        As from `siting.water.zones.zone_water`, with microclimate, factors and can tests in it.
    scenarios : Scenarios
        What may be off.
    sun : SunVariants
        Sun on the property.
    ground : Ground
        Points, demand and dryness.
    measures : DataFrame
        As from `siting._plan_measures.zone_measures`, and net_irrigation_mm [mm].
    application : mapping of str to ZoneApplication
        What is known of each zone's application pattern.
    warnings : tuple of str
        What was assumed.
    """

    seasons: SeasonCalendar
    terms: EtoTerms
    water: pd.DataFrame
    scenarios: Scenarios
    sun: SunVariants
    ground: Ground
    measures: pd.DataFrame
    application: Mapping[str, ZoneApplication]
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Basis:
    """Everything that a what-if need not compute again.

    Parameters
    ----------
    climate : Climate
        Daily weather.
    known : Known
        Sun, water and weather.
    hazards : GeoDataFrame
        As from `siting.placement.setback_hazards`.
    placements : list of Placement
        Best point of every zone.
    warnings : tuple of str
        What was repaired or assumed.
    tags : mapping of str to str
        Zone -> tag of the sensor that is buried there.
    """

    climate: Climate
    known: Known
    hazards: gpd.GeoDataFrame
    placements: list[Placement]
    warnings: tuple[str, ...] = ()
    tags: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Rival:
    """What would be decided under the other aim.

    Parameters
    ----------
    decision : Decision
        The choice.
    plan : Watering
        What it would water.
    heal : bool
        Whether it heals what today leaves dry.
    """

    decision: Decision
    plan: Watering
    heal: bool


@dataclass(frozen=True)
class Decided:
    """How many sensors, which zones each governs, and what runs then.

    Parameters
    ----------
    decision : Decision
        The choice.
    sheet : Sheet
        What is printed of it, set on more scenarios.
    roots : PropertyRoots
        The root zones that the sheet was set on.
    schedule : Schedule
        Days on which something may happen.
    simulated : Simulated
        The printed sheet and today's timer over every run.
    today_depth : ndarray, shape (Z,), or None
        Today's depth per event as described [mm]; None without a timer that tells it.
    price : float or None
        Price that sensors were chosen at; None where water has none [currency/m³].
    heal : bool
        Whether the plan heals what today leaves dry, whatever water that takes.
    rival : Rival or None
        The choice under the other aim; None without a timer.
    plain : Watering or None
        What the plain way would water; None where it cannot be had.
    warnings : tuple of str
        What gave way, and what bills say.
    cost : float
        Yearly cost of the plan, its water as the sheet uses it [currency].
    """

    decision: Decision
    sheet: Sheet
    roots: PropertyRoots
    schedule: Schedule
    simulated: Simulated
    today_depth: NDArray[np.float64] | None
    price: float | None
    heal: bool
    rival: Rival | None
    plain: Watering | None
    warnings: tuple[str, ...]
    cost: float

    @property
    def limits(self) -> dict[str, float]:
        """Return the stress days that each zone was allowed in the end [d]."""
        names = self.decision.options.zones.index
        caps = self.sheet.limit
        return {str(zone): float(cap) for zone, cap in zip(names, caps, strict=True)}
