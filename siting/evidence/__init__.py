"""What the ground itself says before anyone digs: readings at places, and what they are worth.

What other rooms may use stands in `__init__.pyi`, and is imported when it is first asked for.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
