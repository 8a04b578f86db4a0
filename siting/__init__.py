"""Plan where to bury soil-moisture sensors for landscape irrigation control.

The public names stand in `__init__.pyi`. They are imported when they are first used, so that
``import siting`` and ``siting --help`` stay quick.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
