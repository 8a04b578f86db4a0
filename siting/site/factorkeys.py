"""The table [factors] of a property file: which factors of other packages to use."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from siting.extensions import list_extensions
from siting.site.findings import nearest
from siting.site.tomltable import TomlTable

__all__ = ["read_factors"]


def read_factors(top: TomlTable) -> dict[str, dict[str, Any]]:
    """Return the factors that were asked for, with their options.

    Parameters
    ----------
    top : TomlTable
        The top of the property file.

    Returns
    -------
    dict of str to dict
        Name -> options; faults are noted in the table's file.
    """
    table = top.table("factors")
    if table is None:
        return {}
    installed = list_extensions("siting.factors")
    wanted: dict[str, dict[str, Any]] = {}
    for name in table.values:
        value = table.take(name)
        if name not in installed:
            near = nearest(name, installed)
            mend = f'Did you mean "{near}"?' if near else "Install the package that brings it."
            known = ", ".join(installed) or "none is installed"
            table.fault(name, "no installed package brings it", f"a factor: {known}", mend)
        elif isinstance(value, Mapping):
            wanted[name] = dict(value)
        elif value is True:
            wanted[name] = {}
        elif value is not False:
            mend = f"Write {name} = true."
            table.fault(name, str(value), "true, false or a table of its options", mend)
    table.finish()
    return wanted
