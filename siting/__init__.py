"""Plan where to bury soil-moisture sensors for landscape irrigation control."""

__version__ = "0.1.0"
