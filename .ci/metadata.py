"""What the package index is told that pyproject.toml does not say word for word.

The project's address stands once, in pyproject.toml; from it come the links of the package and
absolute addresses of the README's pictures and pages, which an index shows without the repository.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from hatchling.metadata.plugin.interface import MetadataHookInterface

_PICTURES = (".png", ".svg")


class Metadata(MetadataHookInterface):
    """Fills in `readme` and `urls`."""

    def update(self, metadata: dict[str, Any]) -> None:
        """Write both from the address and the README."""
        home = self.config["home"].rstrip("/")
        text = Path(self.root, "README.md").read_text("utf-8")
        metadata["readme"] = {"content-type": "text/markdown", "text": addressed(text, home)}
        metadata["urls"] = {
            "Homepage": home,
            "Source": home,
            "Issues": f"{home}/issues",
            "Changelog": f"{home}/blob/main/CHANGELOG.md",
            "Documentation": f"{home}/tree/main/siting/docs/pages",
        }


def addressed(text: str, home: str) -> str:
    """Return Markdown whose links into the repository are whole addresses."""

    def whole(found: re.Match[str]) -> str:
        kind = "raw" if found[1].split("#")[0].endswith(_PICTURES) else "blob"
        return f"]({home}/{kind}/main/{found[1]})"

    return re.sub(r"\]\((?!https?:|#|mailto:)([^)\s]+)\)", whole, text)
