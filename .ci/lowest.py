"""Print the lowest versions that pyproject.toml allows, as constraints for pip.

`python .ci/lowest.py [EXTRA ...]`: the package's own dependencies, and those of extras;
`python .ci/lowest.py --python`: the command of the lowest Python, "python3.11".
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

PROJECT = Path(__file__).parent.parent / "pyproject.toml"
BOUND = re.compile(r"([A-Za-z0-9_.-]+)(?:\[[^]]*\])?\s*>=\s*([0-9][0-9.]*)")


def main(extras: list[str]) -> int:
    """Print one line for each dependency with a lower bound, or the lowest Python."""
    project = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    if extras == ["--python"]:
        print("python" + project["requires-python"].removeprefix(">="))
        return 0
    wanted = [*project["dependencies"]]
    for extra in extras:
        wanted += project["optional-dependencies"][extra]
    for text in wanted:
        found = BOUND.match(text)
        if found is None:
            print(f"{text}: no lower bound", file=sys.stderr)
            return 1
        print(f"{found[1]}=={found[2]}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
