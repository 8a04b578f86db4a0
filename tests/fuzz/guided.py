"""Fuzz the parsers by coverage, with atheris; Linux only, outside the suite.

`pip install -e ".[test,fuzz]"`, then `python -m tests.fuzz.guided KIND -max_total_time=600`: KIND
is property, readings or a weather format; all that follows goes to libFuzzer. It stops at the
first input that is neither read nor refused in words, and keeps it as a file `crash-...`.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["siting"]):
    from tests.fuzz.files import TROUBLE, read_one, seeds


def _dictionary(files: list[bytes]) -> str:
    """Return libFuzzer's dictionary: lines and cells of sound text files, and usual trouble."""
    text = [data for data in files if not data.startswith(b"PK")]
    lines = {line for data in text for line in data.splitlines()[:60]}
    cells = {cell for line in lines for cell in re.split(rb"[,;=]", line)}
    words = sorted(word.strip() for word in {*lines, *cells, *TROUBLE})
    quoted = ("".join(f"\\x{byte:02x}" for byte in word) for word in words if 0 < len(word) < 64)
    return "".join(f'"{word}"\n' for word in dict.fromkeys(quoted))


def main() -> None:
    """Fuzz one kind of file from its sound ones on."""
    kind, options = sys.argv[1], sys.argv[2:]
    with tempfile.TemporaryDirectory(prefix="fuzz-") as scratch:
        folder = Path(scratch)
        corpus = folder / "corpus"
        corpus.mkdir()
        sound = seeds(folder)
        mine = [data for of, data in sound if of == kind]
        if not mine:
            sys.exit(f"{kind!r} is not one of {sorted({of for of, _ in sound})}")
        for number, data in enumerate(mine):
            (corpus / str(number)).write_bytes(data)
        words = folder / "words"
        words.write_text(_dictionary(mine), encoding="ascii")

        def one(data: bytes) -> None:
            read_one(kind, data, folder, None if kind in {"property", "readings"} else kind)

        usual = ["-timeout=10", "-max_len=20000", "-len_control=0", f"-dict={words}"]
        atheris.Setup([sys.argv[0], *usual, *options, str(corpus)], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
