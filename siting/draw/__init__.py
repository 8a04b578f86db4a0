"""Start without a GIS: a page to draw on, files of others, a few questions.

What other rooms may use stands in `__init__.pyi`, and is imported when it is first asked for.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
