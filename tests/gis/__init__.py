"""Checks of the desktop GIS plug-in inside a real GIS."""
