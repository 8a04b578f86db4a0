"""The JSON Schema of plan.json, as programs read it."""

import json

from siting.handoff import plan_schema


def schema():
    """Return the schema of plan.json, draft 2020-12."""
    return json.loads(json.dumps(plan_schema()))
