"""The JSON Schema that ships with the package."""

import json
from importlib import resources


def schema():
    """Return the schema of plan.json, draft 2020-12."""
    text = resources.files("siting.handoff").joinpath("plan.schema.json").read_text("utf-8")
    return json.loads(text)
