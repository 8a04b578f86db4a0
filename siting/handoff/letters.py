"""Letters that paper has no type for, in words; Arabic and Hebrew joined and set from the right.

The typeface of the sheets holds Latin, Greek, Cyrillic, Hebrew and Arabic. What it lacks is never
an empty box: kana and hangul are spelled as Unicode names them, a picture sign is named, and of
other scripts it says how many letters stand there (the map and the files show them as they are).

Joining takes the forms of Unicode's own compatibility decompositions; the order follows Unicode
Standard Annex 9 for a line that runs from the left, without explicit marks, which are left out of
every name. Line breaks within a right-to-left name are not looked at: such a name is short.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Container, Iterator
from itertools import groupby
from typing import Final

#: Spelled by the last word of a letter's Unicode name.
_SPELLED: Final = ("HIRAGANA LETTER", "KATAKANA LETTER", "HANGUL SYLLABLE")
_SCRIPTS: Final = {"CJK": "Chinese", "HIRAGANA": "Japanese", "KATAKANA": "Japanese"}
_MARKS: Final = frozenset({"Mn", "Me"})
_NAMED: Final = frozenset({"So", "Sk", "Sm", "Sc"})
#: Joins or varies picture signs; nothing to say of it. Skin tones too.
_SILENT: Final = frozenset([*range(0xFE00, 0xFE10), *range(0x1F3FB, 0x1F400)])


def spelled(text: str, known: Container[int]) -> str:
    """Return text in which what the typeface lacks stands in words.

    known: code points of the typeface.

    >>> from siting.handoff.drawing import register_fonts
    >>> spelled("East 🏡 前院", register_fonts())
    'East (house with garden) (2 Chinese letters)'
    """
    if all(ord(c) in known for c in text):
        return text
    composed = unicodedata.normalize("NFC", text)
    parts = [
        "".join(run) if script is None else _words(script, "".join(run))
        for script, run in groupby(composed, lambda c: _script(c, known))
    ]
    return re.sub(r"(?<=\S)\((?=\S)|\)(?=\()", _spaced, "".join(parts)).strip()


def _spaced(match: re.Match[str]) -> str:
    """Set words in brackets apart from what stands before them."""
    return match[0] + " " if match[0] == ")" else match[0]


def _script(letter: str, known: Container[int]) -> str | None:
    """Return the script of a letter that the typeface lacks, None of one that it has."""
    if ord(letter) in known:
        return None
    name = unicodedata.name(letter, "")
    if ord(letter) in _SILENT:
        return ""
    if name.startswith(_SPELLED):
        return "spelled"
    if unicodedata.category(letter) in _NAMED:
        return f"sign {letter}"
    first = name.split(" ")[0]
    return f"script {_SCRIPTS.get(first, first.capitalize())}"


def _words(script: str, run: str) -> str:
    """Return a run of letters of one script in words."""
    if script == "spelled":
        return "".join(unicodedata.name(c).rsplit(" ", 1)[-1].lower() for c in run)
    kind, _, name = script.partition(" ")
    if kind == "sign":
        called = unicodedata.name(run[0], "sign").lower()
        return f"({called})" if len(run) == 1 else f"({len(run)} × {called})"
    count = sum(unicodedata.category(c) not in _MARKS for c in run)
    if not kind or not count:
        return ""
    letters = "letter" if count == 1 else "letters"
    return f"({count} {name} {letters})" if name else f"({count} {letters})"


@functools.cache
def _forms() -> dict[tuple[str, str], str]:
    """Return the joined forms: (form, letters) -> letter, from Unicode's decompositions."""
    found: dict[tuple[str, str], str] = {}
    for code in (*range(0xFB50, 0xFBB2), *range(0xFE70, 0xFEFD)):
        tag, *letters = unicodedata.decomposition(chr(code)).split(" ")
        if tag in {"<isolated>", "<initial>", "<medial>", "<final>"}:
            base = "".join(chr(int(letter, 16)) for letter in letters)
            if " " not in base:
                found.setdefault((tag[1:-1], base), chr(code))
    return found


def joined(text: str) -> str:
    """Return text with Arabic letters in the forms in which they join; again gives the same.

    >>> [f"{ord(c):04X}" for c in joined(chr(0x0628) + chr(0x0628))]
    ['FE91', 'FE90']
    """
    if text.isascii() or not any(unicodedata.bidirectional(c) == "AL" for c in text):
        return text
    forms = _forms()
    letters = list(_ligated(text))
    bases = [k for k, part in enumerate(letters) if unicodedata.category(part[0]) not in _MARKS]
    shaped = list(letters)
    for place, k in enumerate(bases):
        before = letters[bases[place - 1]] if place else ""
        after = letters[bases[place + 1]] if place + 1 < len(bases) else ""
        part = letters[k]
        back = ("initial", before) in forms and ("final", part) in forms
        ahead = ("initial", part) in forms and ("final", after) in forms
        form = "medial" if back and ahead else "final" if back else "initial" if ahead else ""
        shaped[k] = forms.get((form or "isolated", part), part)
    return "".join(shaped)


def _ligated(text: str) -> Iterator[str]:
    """Yield letters, lam and alef together."""
    k = 0
    while k < len(text):
        pair = text[k : k + 2]
        step = 2 if len(pair) == 2 and ("isolated", pair) in _forms() else 1  # noqa: PLR2004
        yield text[k : k + step]
        k += step


_RIGHT: Final = frozenset({"R", "AL"})
_NUMBER: Final = frozenset({"EN", "AN"})
_OPENS, _CLOSES = "([{", ")]}"
_MIRRORED: Final = str.maketrans("()[]{}<>«»‹›", ")(][}{><»«›‹")


def visual(text: str) -> str:
    """Return text in the order in which it is drawn from the left; only once, just before drawing.

    >>> visual("bed \u05d0\u05d1 2") == "bed 2 \u05d1\u05d0"
    True
    """
    if text.isascii() or not any(unicodedata.bidirectional(c) in _RIGHT for c in text):
        return text
    kinds = [unicodedata.bidirectional(c) for c in text]
    out, k = "", 0
    while k < len(text):
        if kinds[k] not in _RIGHT:
            out += text[k]
            k += 1
            continue
        last = _last(text, kinds, k)
        out += _turned(text[k : last + 1])
        k = last + 1
    return out


def _last(text: str, kinds: list[str], start: int) -> int:
    """Return where the right-to-left run ends that starts somewhere; a pair of brackets stays one.

    Rules W7, N0 (c1), N1 and N2 of the annex.
    """
    last, opened = start, list[int]()
    for k in range(start, len(text)):
        if kinds[k] == "L":
            break
        if text[k] in _OPENS:
            opened.append(k)
        elif text[k] in _CLOSES and opened:
            held = kinds[opened.pop() : k]
            if not _RIGHT.isdisjoint(held) or not _NUMBER.isdisjoint(held):
                last = k
        if kinds[k] in _RIGHT | _NUMBER or (kinds[k] == "NSM" and last == k - 1):
            last = k
    return last


def _turned(run: str) -> str:
    """Return a right-to-left run as drawn: numbers as they are, brackets the other way round."""
    pieces = re.findall(r"\d+(?:[.,:/]\d+)*|[^\d]", run)
    clusters: list[str] = []
    for piece in pieces:
        if clusters and unicodedata.category(piece[0]) in _MARKS:
            clusters[-1] += piece
        else:
            clusters.append(piece.translate(_MIRRORED))
    return "".join(reversed(clusters))
