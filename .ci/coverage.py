"""Say how much of each science room the suite covers, and fail where that is too little.

Too little is less than 95 % of the lines or of the branches; of the branches of `decide` 90 %, for
half of that room came from planning, which was not held to anything before.

`python .ci/coverage.py coverage.json`: lines and branches of every room below planning, from
coverage's own report. Which file belongs to which room is what `tests/test_layers.py` says.
`python .ci/coverage.py --tests`: the tests that it takes, which `.ci/run` runs with coverage.
"""

from __future__ import annotations

import collections
import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from tests.test_layers import LEVELS, room_of

SCIENCE = [
    room for room, level in LEVELS.items() if 0 < level < LEVELS["planning"] and room != "site"
]
LEAST = 0.95
#: Least share of branches where it is another.
LEAST_BRANCHES = {"decide": 0.90}
#: What tests the rooms: each one's own folder, and of the others what the bounds miss otherwise.
TESTS = [
    *(f"tests/{room}" for room in SCIENCE),
    "tests/handoff/test_states.py",
    "tests/planning/test_by_controller.py",
    "tests/planning/test_decisions.py",
    "tests/planning/test_planning.py",
    "tests/site/test_bad_inputs.py",
    "tests/test_extensions.py",
    "tests/test_large.py",
]
#: What is summed of each file, and how many files are named.
KEYS = ("num_statements", "covered_lines", "num_branches", "covered_branches")
WORST = 8


def main(report: Path) -> int:
    """Print one line for each room and one for all, and the worst files."""
    files = json.loads(report.read_text(encoding="utf-8"))["files"]
    rooms: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    worst = []
    for name, found in files.items():
        module = Path(name).with_suffix("").as_posix().replace("/", ".")
        room = room_of(module[module.index("siting") :])
        if room in SCIENCE:
            rooms[room].update({key: found["summary"][key] for key in KEYS})
            missed = sum(found["summary"][key] for key in ("missing_lines", "missing_branches"))
            worst.append((missed, name, found["missing_lines"], found["missing_branches"]))
    rooms["all"] = sum(rooms.values(), collections.Counter())
    # A room that the report does not know counts as not covered at all.
    low = [room for room in [*SCIENCE, "all"] if not _line(room, rooms[room])]
    for missed, name, lines, branches in sorted(worst, reverse=True)[:WORST]:
        print(f"  {name}: {missed} missed; lines {lines}; branches {branches}")
    if low:
        print(f"less than {LEAST:.0%} of lines or branches: {', '.join(low)}", file=sys.stderr)
    return int(bool(low))


def _line(room: str, counts: collections.Counter[str]) -> bool:
    """Print a room, and tell whether enough of it is covered: of its lines, and of its branches."""
    lines = counts["covered_lines"] / max(counts["num_statements"], 1)
    branches = counts["covered_branches"] / counts["num_branches"] if counts["num_branches"] else 1
    spots = counts["num_statements"] + counts["num_branches"]
    both = (counts["covered_lines"] + counts["covered_branches"]) / max(spots, 1)
    print(f"{room:12} lines {lines:7.2%} of {counts['num_statements']:5}, branches {branches:7.2%} "
          f"of {counts['num_branches']:5}, together {both:7.2%}")  # fmt: skip
    return lines >= LEAST and branches >= LEAST_BRANCHES.get(room, LEAST)


if __name__ == "__main__":
    if sys.argv[1:] == ["--tests"]:
        print(*TESTS)
    else:
        sys.exit(main(Path(sys.argv[1])))
