"""Figures of speed, measured by hand: nothing here is a test."""
