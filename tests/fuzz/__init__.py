"""Random whole properties and random files; `python -m tests.fuzz properties 10000`."""
