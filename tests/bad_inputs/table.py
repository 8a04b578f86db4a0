"""The table of the corpus in the docs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from siting.errors import LIMITS
from tests.bad_inputs.base import Case, Outcome, outcome_of, quiet_warnings
from tests.bad_inputs.corpus import CASES, GROUPS

PAGE = Path(__file__).parents[2] / "siting" / "docs" / "pages" / "bad-inputs.md"
_LONGEST = 420
_INTRO = """\
# What happens to bad input

Made by `python -m tests.bad_inputs` from the corpus in `tests/bad_inputs`; a test fails when this
page and the program disagree. *Refused*: nothing is planned, and one message names every fault of
every file. *Repaired*: the plan goes on, and the sentence stands in `plan.json` and on the sheet.
*Handled*: read as it is meant, with nothing to say.
"""


def page(folder: Path) -> str:
    """Return the page, from running every case in a scratch folder."""
    usual = quiet_warnings(folder / "sound")
    return _bound({one.title: row(one, outcome_of(one), usual) for one in CASES})


def row(one: Case, outcome: Outcome, usual: tuple[str, ...]) -> str:
    """Return a case's line of its group's table."""
    return f"| {_cell(one.title)} | {one.kind} | {_cell(_said(one, outcome, usual))} |"


def without_rows(text: str) -> str:
    """Return a page with nothing but the name of the case in each row."""
    return re.sub(
        r"^(\| .*? \|) (?:refused|repaired|handled) \|.*$", r"\1", text, flags=re.MULTILINE
    )


def frame() -> str:
    """Return the page as `without_rows` leaves it; nothing is run for that."""
    return _bound({one.title: f"| {_cell(one.title)} |" for one in CASES})


def _bound(rows: Mapping[str, str]) -> str:
    """Return the page of the given rows, by title."""
    parts = [_INTRO, _limits()]
    for group, title in GROUPS.items():
        parts.append(f"## {title}\n\n| case | what happens | message |\n|---|---|---|")
        parts[-1] += "".join(f"\n{rows[c.title]}" for c in CASES if c.group == group)
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def _limits() -> str:
    rows = [f"| {limit.what} | {limit.shown} | {limit.reason} |" for limit in LIMITS]
    head = "## Limits\n\nBeyond these an input is refused before it is read.\n\n"
    return head + "| what | at most | why |\n|---|---|---|\n" + "\n".join(rows)


def _said(one: Case, outcome: Outcome, usual: tuple[str, ...]) -> str:
    if outcome.error is not None:
        text = str(outcome.error).replace("\n", " ")
    elif one.repaired:
        said = [w for w in outcome.warnings if w not in usual]
        chosen = [w for w in said if any(word in w for word in one.repaired)]
        text = " ".join(chosen)
    else:
        text = one.handled
    text = re.sub(r"^1 fault in the input:\s*-\s*", "", text)
    # A driver's words change with its version.
    text = re.sub(r"cannot be read \([^;]*\);", "cannot be read (the driver says why);", text)
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST].rstrip()} ..."


def _cell(text: str) -> str:
    plain = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return re.sub(r"([|*_<>`\\])", r"\\\1", plain)
