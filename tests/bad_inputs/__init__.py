"""A corpus of bad inputs, each with what has to happen to it; `python -m tests.bad_inputs`."""
