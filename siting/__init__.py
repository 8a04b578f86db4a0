"""Plan where to bury soil-moisture sensors for landscape irrigation control.

The public names below are imported when they are first used, so that ``import siting`` and
``siting --help`` stay quick. Every stage is a plain function in its own module; see the
documentation for the map.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from siting._plan_steps import Survey, survey_property
    from siting.climate.model import Climate
    from siting.climate.options import WeatherOptions
    from siting.climate.readers import read_weather
    from siting.demo import demo_property
    from siting.errors import InputError, PlanError, SitingError
    from siting.handoff.bundle import write_bundle
    from siting.planning import Plan, plan, plan_property, read_inputs
    from siting.site.model import Site
    from siting.site.template import new_property

__version__ = "0.1.0"

__all__ = [
    "Climate",
    "InputError",
    "Plan",
    "PlanError",
    "Site",
    "SitingError",
    "Survey",
    "WeatherOptions",
    "demo_property",
    "new_property",
    "plan",
    "plan_property",
    "read_inputs",
    "read_weather",
    "survey_property",
    "write_bundle",
]

#: Public name -> the module that holds it.
_HOMES: Final = {
    "Climate": "siting.climate.model",
    "InputError": "siting.errors",
    "Plan": "siting.planning",
    "PlanError": "siting.errors",
    "Site": "siting.site.model",
    "SitingError": "siting.errors",
    "Survey": "siting._plan_steps",
    "WeatherOptions": "siting.climate.options",
    "demo_property": "siting.demo",
    "new_property": "siting.site.template",
    "plan": "siting.planning",
    "plan_property": "siting.planning",
    "read_inputs": "siting.planning",
    "read_weather": "siting.climate.readers",
    "survey_property": "siting._plan_steps",
    "write_bundle": "siting.handoff.bundle",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - any public object
    """Import a public name when it is first used (PEP 562)."""
    home = _HOMES.get(name)
    if home is None:
        msg = f"module 'siting' has no attribute {name!r}"
        raise AttributeError(msg)
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return every public name, imported or not."""
    return sorted({*globals(), *__all__})
