"""Whole files or none: what every hand-off writes with; it lives in `siting.atomic`."""

from __future__ import annotations

from siting.atomic import atomic_path, write_bytes, write_text

__all__ = ["atomic_path", "write_bytes", "write_text"]
