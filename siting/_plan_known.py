"""What the stages of a plan hand each other; kept with the plan, so that what-if needs no sun."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siting._plan_application import ZoneApplication
from siting._plan_choice import Decision
from siting._plan_ground import Ground, SunVariants
from siting._plan_scenarios import Scenarios
from siting._plan_schedule import Schedule
from siting._plan_tables import Simulated
from siting.climate.model import Climate, SeasonCalendar
from siting.placement import Placement
from siting.season import RootZones
from siting.water.reference_et import EtoTerms

__all__ = ["Basis", "Decided", "Known"]


@dataclass(frozen=True)
class Known:
    """What is known of the ground and the weather before anything is decided."""

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
    """Everything that a what-if need not compute again."""

    climate: Climate
    known: Known
    hazards: gpd.GeoDataFrame
    placements: list[Placement]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Decided:
    """How many sensors, which zones each governs, and what runs then."""

    decision: Decision
    roots: RootZones
    schedule: Schedule
    simulated: Simulated
    today_depth: NDArray[np.float64] | None
    price: float | None
    warnings: tuple[str, ...]
