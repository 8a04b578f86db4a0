from .judge import Commissioning as Commissioning
from .judge import commission as commission
from .readings import read_readings as read_readings
from .record import read_history as read_history
from .record import record_of as record_of
from .results import Commissioned as Commissioned
from .results import commission_results as commission_results
from .results import write_commissioning as write_commissioning
