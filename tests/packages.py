"""What tests ask of other packages, told without loading them: collecting tests loads none."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest


def needs(*packages: str) -> pytest.MarkDecorator:
    """Skip where one of the packages is not installed."""
    missing = [package for package in packages if find_spec(package) is None]
    return pytest.mark.skipif(bool(missing), reason=f"not installed: {', '.join(missing)}")


def town_file() -> Path:
    """Return the GeoPackage of a quarter of a town that momepy brings along."""
    spec = find_spec("momepy")
    if spec is None or spec.origin is None:
        pytest.skip("not installed: momepy")
    return Path(spec.origin).parent / "datasets" / "bubenec.gpkg"
