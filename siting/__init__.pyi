__version__: str

from .climate.model import Climate as Climate
from .climate.model import WeatherOptions as WeatherOptions
from .climate.readers import read_weather as read_weather
from .errors import InputError as InputError
from .errors import PlanError as PlanError
from .errors import SitingError as SitingError
from .handoff.bundle import write_bundle as write_bundle
from .planning.make import Survey as Survey
from .planning.make import plan as plan
from .planning.make import plan_property as plan_property
from .planning.make import read_inputs as read_inputs
from .planning.make import survey_property as survey_property
from .planning.model import Plan as Plan
from .site.model import Site as Site
from .site.template import demo_property as demo_property
from .site.template import new_property as new_property
