"""Folder names for property ids, whatever these look like."""

from __future__ import annotations

import hashlib
import re
from typing import Final

__all__ = ["folder_name"]

_PLAIN: Final = re.compile(r"[A-Z0-9][A-Z0-9_-]{0,59}")
#: Names of devices, which Windows gives to no folder.
_DEVICE: Final = re.compile(r"con|prn|aux|nul|com\d|lpt\d", re.IGNORECASE)


def folder_name(property_id: str) -> str:
    """Return a folder name that stands for a property id.

    Result: the id itself where it is plain and in capitals; else what is plain of it and a hash, so
    that no two ids share a folder where small letters and capitals are the same.

    >>> folder_name("L000017"), folder_name("../etc")
    ('L000017', 'etc-f7f9121f')
    """
    if _PLAIN.fullmatch(property_id) and not _DEVICE.fullmatch(property_id):
        return property_id
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", property_id).strip("-")[:40]
    code = hashlib.sha256(property_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{plain or 'property'}-{code}"
