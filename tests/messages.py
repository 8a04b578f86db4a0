"""What the program says: `python -m tests.messages [CODE ...]` brings the catalogues up to date.

Messages are found in the code (`say`, `say_count`, `say_as`, `fill`), in the map's scripts (`tr`,
`trn`) and in its page (`say`). An entry that is new comes in empty, one that is said no longer goes
out, and what was translated stays; a CODE without a catalogue begins one.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract, extract_from_file
from babel.messages.pofile import read_po, write_po
from jinja2.ext import babel_extract

import siting
from siting.language import FOLDER, languages

PACKAGE = Path(siting.__file__).parent
ASSETS = PACKAGE / "handoff" / "assets"
#: One message, or its form for one and its form for many.
Message = str | tuple[str, str]


def said_in_code() -> dict[Message, str]:
    """Return every message, in the order of the code, with the file that says it first."""
    found: dict[Message, str] = {}
    for path, messages in [*_python(), *_scripts(), *_page()]:
        for message in messages:
            found.setdefault(message, path.relative_to(PACKAGE.parent).as_posix())
    one = {m[0] for m in found if isinstance(m, tuple)}
    return {m: path for m, path in found.items() if m not in one}


def _python() -> Iterator[tuple[Path, list[Message]]]:
    words = {"say": None, "say_count": (1, 2), "say_as": (2,), "fill": None}
    for path in sorted(PACKAGE.rglob("*.py")):
        own = path == PACKAGE / "language.py"
        if own or "from siting.language import" in path.read_text("utf-8"):
            yield path, [m for _, m, _, _ in extract_from_file("python", path, keywords=words)]


def _scripts() -> Iterator[tuple[Path, list[Message]]]:
    words = {"tr": None, "trn": (1, 2)}
    for path in sorted(ASSETS.glob("*.js")):
        if not path.name.startswith("leaflet"):
            yield path, [m for _, m, _, _ in extract_from_file("javascript", path, keywords=words)]


def _page() -> Iterator[tuple[Path, list[Message]]]:
    path = ASSETS / "page.html"
    with path.open("rb") as file:
        yield path, [m for _, m, _, _ in extract(babel_extract, file, keywords={"say": None})]


def head_of(code: str) -> str:
    """Return what stands above the entries of a catalogue: comments and header."""
    path = FOLDER / f"{code}.po"
    if path.exists():
        return path.read_text("utf-8").split("\n\n", 1)[0] + "\n\n"
    forms = Catalog(locale=code).plural_forms
    return (
        f'# {code}: where the trade words come from stands here.\nmsgid ""\nmsgstr ""\n'
        f'"Project-Id-Version: siting 0.1\\n"\n"Language: {code}\\n"\n"Plural-Forms: {forms}\\n"\n'
        '"MIME-Version: 1.0\\n"\n"Content-Type: text/plain; charset=utf-8\\n"\n'
        '"Content-Transfer-Encoding: 8bit\\n"\n\n'
    )


def update(code: str) -> int:
    """Bring a catalogue up to date; return how many entries are empty."""
    head = head_of(code)
    path = FOLDER / f"{code}.po"
    before = read_po(io.BytesIO(path.read_bytes() if path.exists() else b""), locale=code)
    after = read_po(io.BytesIO(head.encode()), locale=code)
    missing = 0
    for message, file in said_in_code().items():
        known = before.get(message[0] if isinstance(message, tuple) else message)
        same = known is not None and isinstance(known.id, str) == isinstance(message, str)
        string = known.string if known is not None and same else ""
        missing += not (string if isinstance(string, str) else all(string or ("",)))
        comments = known.user_comments if known is not None else ()
        after.add(message, string or None, locations=[(file, None)], user_comments=comments)
    entries = io.BytesIO()
    write_po(entries, after, width=100, omit_header=True, include_lineno=False)
    path.write_text(head + entries.getvalue().decode(), "utf-8", newline="\n")
    return missing


if __name__ == "__main__":
    for asked in sys.argv[1:] or languages()[1:]:
        print(f"{asked}: {update(asked)} entries to translate")
