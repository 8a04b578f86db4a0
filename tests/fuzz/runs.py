"""What must hold of any property: a plan, or a refusal in words; never anything else."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pyogrio.errors

from siting.errors import InputError, PlanError
from siting.planning.make import plan, read_inputs
from tests.bad_inputs.base import Draft

__all__ = ["check_draft"]


def check_draft(draft: Draft, *, planned: bool = False) -> str:
    """Check a property, and plan it when it is sound; return what happened in one word."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as scratch:
        try:
            path = draft.write(Path(scratch) / "p")
        except (pyogrio.errors.DataSourceError, pyogrio.errors.FeatureError, ValueError, TypeError):
            return "unwritable"
        except (UnicodeEncodeError, RuntimeError):
            return "unwritable"
        try:
            settings, site, climate = read_inputs(path)
        except InputError as error:
            for fault in error.faults:
                assert all((fault.file, fault.found, fault.allowed, fault.mend)), fault
            return "refused"
        assert site.hydrozones.index.is_unique
        assert site.hydrozones.is_valid.all()
        assert (site.hydrozones.area > 0).all()
        assert climate.daily.index.is_monotonic_increasing
        if not planned:
            return "sound"
        try:
            made = plan(site, climate, settings)
        except PlanError:
            return "no plan"
        assert len(made.zones) == len(site.hydrozones)
        return "planned"
