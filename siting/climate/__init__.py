"""Daily weather of many years."""
