"""Benchmarks: run by hand, never by the test suite."""
