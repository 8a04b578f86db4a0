"""How often hypothesis tries: little before a commit, as often as a test says in `.ci/run`."""

from __future__ import annotations

import os
from typing import Any

import hypothesis

#: Most examples of a test in the quick suite; what failed before is tried again besides.
QUICK = 10
PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "quick")

hypothesis.settings.register_profile("quick", deadline=None, max_examples=QUICK)
hypothesis.settings.register_profile("full", deadline=None)


def tries(examples: int, **more: Any) -> hypothesis.settings:
    """Try so many examples in the full profile, and at most `QUICK` in the quick one."""
    most = examples if PROFILE == "full" else min(examples, QUICK)
    return hypothesis.settings(max_examples=most, deadline=None, **more)
