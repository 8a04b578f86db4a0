"""Write a file whole or not at all: see `siting.atomic`."""

from __future__ import annotations

from siting.atomic import atomic_path, write_bytes, write_text

__all__ = ["atomic_path", "write_bytes", "write_text"]
