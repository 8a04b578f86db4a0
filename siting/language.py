"""What is said to people, in their language: an English text that remembers how it was made.

`say("Dig {depth} deep", depth=...)` is plain English to all who know nothing of languages: it is a
`str`, goes into tables and files as one, and compares as one. At the edge a `Language` says it
anew, with its message turned by the catalogue `siting/languages/CODE.po` and whatever stands in it
turned as well. Text that nobody said with `say` is a name, of a zone or a valve, and stays.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

#: Where the catalogues are; another language is one file more.
FOLDER: Final = Path(__file__).parent / "languages"
_TIGHT: Final = "\N{NO-BREAK SPACE}"


class Said(str):
    """An English text that can be said in another language.

    message: with {fields}, as in the catalogue, "" where parts only stand side by side; fields:
    what stands in it; many, number: the message for other counts than one, and the count; between:
    what stands between parts; capital: whether it begins a sentence; tight: whether no line breaks
    in it.
    """

    __slots__ = ("between", "capital", "fields", "many", "message", "number", "tight")

    message: str
    fields: Mapping[str, object]
    many: str
    number: int
    between: str
    capital: bool
    tight: bool

    def __new__(
        cls,
        text: str,
        message: str = "",
        fields: Mapping[str, object] | None = None,
        *,
        many: str = "",
        number: int = 1,
        between: str = "",
        capital: bool = False,
        tight: bool = False,
    ) -> Self:
        """Return a text that remembers how it was made."""
        made = super().__new__(cls, text)
        made.message, made.fields = message, fields or {}
        made.many, made.number, made.between, made.capital = many, number, between, capital
        made.tight = tight
        return made

    def __str__(self) -> str:
        """Return itself, so that `str()` forgets nothing."""
        return self


class Figure(str):
    """A number with English marks between its digits, for which a language puts its own."""

    __slots__ = ()

    def __str__(self) -> str:
        """Return itself, so that `str()` forgets nothing."""
        return self


class Moment(str):
    """A day and hour in English spelling (ISO 8601), which a language writes its own way."""

    __slots__ = ("when",)

    when: datetime

    def __new__(cls, when: datetime) -> Self:
        """Return the text of a moment, to the minute."""
        made = super().__new__(cls, f"{when:%Y-%m-%d %H:%M}")
        made.when = when
        return made

    def __str__(self) -> str:
        """Return itself, so that `str()` forgets nothing."""
        return self


def say(message: str, /, **fields: object) -> Said:
    """Say something whole, with what stands in it by name.

    message: a literal, which is how the catalogue finds it, or one that was said elsewhere without
    its fields; fields: other things said, figures, names.

    >>> say("Dig {depth} deep.", depth=say("{number} in", number=Figure("3.5")))
    'Dig 3.5 in deep.'
    """
    plain = "".join(message)
    return Said(plain.format(**fields) if fields else plain, plain, fields)


def say_count(one: str, many: str, count: int, /, **fields: object) -> Said:
    """Say something of a count, for which languages have forms of their own; see `say`.

    one, many: the English forms; {count} is filled in.

    >>> say_count("{count} crossing", "{count} crossings", 2)
    '2 crossings'
    """
    fields = {"count": Figure(f"{count:,}"), **fields}
    text = (one if count == 1 else many).format(**fields)
    return Said(text, one, fields, many=many, number=count)


def say_as(text: str, message: str) -> Said:
    """Say a word that English spells as another thing; the catalogue has it as the message.

    >>> say_as("Sun", "Sun (light)"), say("Sun")
    ('Sun', 'Sun')
    """
    return Said(text, message)


def side_by_side(parts: Iterable[str], between: str = " ") -> Said:
    """Put things said side by side: sentences, or entries of a list.

    between: what stands between them in every language.

    >>> side_by_side([say("sensor"), "Lawn"], ", ")
    'sensor, Lawn'
    """
    kept = [part for part in parts if part]
    fields = {str(place): part for place, part in enumerate(kept)}
    return Said(between.join(kept), "", fields, between=between)


def capital(words: str) -> str:
    """Begin a sentence with something said, in every language.

    >>> capital(say("two"))
    'Two'
    """
    text = words[:1].upper() + words[1:]
    if not isinstance(words, Said):
        return text
    return Said(text, words.message, words.fields, many=words.many, number=words.number,
                between=words.between, capital=True, tight=words.tight)  # fmt: skip


def unbroken(words: str) -> str:
    r"""Keep something said on one line, in every language.

    >>> unbroken(say("{number} in", number=Figure("3.5"))).split(" ")
    ['3.5\xa0in']
    """
    text = words.replace(" ", _TIGHT)
    if not isinstance(words, Said):
        return text
    return Said(text, words.message, words.fields, many=words.many, number=words.number,
                between=words.between, capital=words.capital, tight=True)  # fmt: skip


class Language:
    """A language: says anew what was said in English.

    Parameters
    ----------
    code : str
        As in the property file: "es", or with a country whose marks in numbers are used, "es-MX".
    """

    def __init__(self, code: str = "en") -> None:
        self.code = code
        self._catalog = _catalog(code.partition("-")[0])
        self._marks = {} if self._catalog is None else _marks(code)

    def __call__(self, words: object) -> str:
        """Return something in this language.

        words: what was said, a figure, or a name, which stays; what the catalogue lacks is English.
        """
        if isinstance(words, Said):
            return str.__str__(words) if self._catalog is None else self._anew(words)
        if isinstance(words, Figure):
            return words.translate(self._marks)
        if isinstance(words, Moment):
            return words + "" if self._catalog is None else _moment(words.when, self.code)
        return str(words)

    def _anew(self, said: Said) -> str:
        fields = {name: self(value) for name, value in said.fields.items()}
        if said.message:
            message = self.message(said)
            text = message.format(**fields) if fields else message
        else:
            text = said.between.join(fields.values())
        text = text[:1].upper() + text[1:] if said.capital else text
        return text.replace(" ", _TIGHT) if said.tight else text

    def message(self, said: Said) -> str:
        """Return the message of something said, its fields not yet filled in."""
        english = said.message if not said.many or said.number == 1 else said.many
        entry = self._catalog.get(said.message) if self._catalog is not None else None
        if entry is None or self._catalog is None or entry.fuzzy:
            return english
        forms = (entry.string,) if isinstance(entry.string, str) else tuple(entry.string or ())
        place = _form(self._catalog.plural_expr)(said.number) if said.many else 0
        return (forms[place] if place < len(forms) else "") or english

    def form(self, count: int) -> int:
        """Return which form a count takes, as the catalogue numbers them."""
        return int(count != 1) if self._catalog is None else _form(self._catalog.plural_expr)(count)

    def forms(self, one: str, many: str) -> list[str]:
        """Return the message of a count in every form that the language has."""
        entry = self._catalog.get(one) if self._catalog is not None else None
        told = () if entry is None or entry.fuzzy or isinstance(entry.string, str) else entry.string
        return list(told) if told and all(told) else [one, many]


def languages() -> tuple[str, ...]:
    """Return the codes of the languages that can be spoken, English first."""
    return ("en", *sorted(path.stem for path in FOLDER.glob("*.po")))


def spoken(code: str) -> str | None:
    """Return a code as we spell it, None where there is no catalogue of it or no such country.

    >>> spoken("ES_mx"), spoken("tlh")
    ('es-MX', None)
    """
    name, _, country = code.strip().replace("_", "-").partition("-")
    name, country = name.lower(), country.upper()
    if name not in languages():
        return None
    if not country:
        return name
    from babel import Locale, UnknownLocaleError  # only where a country is named

    try:
        Locale(name, country)
    except (UnknownLocaleError, ValueError):
        return None
    return f"{name}-{country}"


def known_country(code: str) -> str:
    """Return a country's code by ISO 3166-1 as it is spelled, "" where there is none such.

    >>> known_country("au"), known_country("atlantis"), known_country("001")
    ('AU', '', '')
    """
    from babel import Locale

    name = code.strip().upper()
    letters = len(name) == 2 and name.isalpha()  # noqa: PLR2004 - two letters
    return name if letters and name in Locale("en").territories else ""


@functools.cache
def language(code: str) -> Language:
    """Return a language by its code, as `spoken` spells it; read once."""
    return Language(code)


@functools.cache
def _catalog(code: str) -> Catalog | None:
    """Read a language's catalogue; English has none."""
    if code == "en":
        return None
    from babel.messages.pofile import read_po  # not loaded for English

    with (FOLDER / f"{code}.po").open("rb") as file:
        return read_po(file, locale=code)


def _marks(code: str) -> dict[int, str]:
    """Return the marks of a locale between digits, by the English ones."""
    from babel.numbers import get_decimal_symbol, get_group_symbol

    locale = code.replace("-", "_")
    return {ord("."): get_decimal_symbol(locale), ord(","): get_group_symbol(locale)}


def _moment(when: datetime, code: str) -> str:
    """Return a day and hour as a locale writes them, the month in letters and no seconds."""
    from babel.dates import format_date, format_time, get_datetime_format

    locale = code.replace("-", "_")
    parts = {"{0}": format_time(when, "short", locale=locale)}
    parts["{1}"] = format_date(when, "medium", locale=locale)
    text = str(get_datetime_format("medium", locale=locale)).replace("'", "")
    for place, part in parts.items():
        text = text.replace(place, part)
    return text


@functools.cache
def _form(expression: str) -> functools.partial[int]:
    """Return which plural form a count takes, by a catalogue's own rule."""
    from gettext import c2py

    return functools.partial(c2py(expression))


ENGLISH: Final = Language()

# -- words that properties and tables hold as data -------------------------------------------------
#
# Data pass through tables that forget how a text was made, so a word of the property file, a kind
# of control, an input whose effect is shown is looked up here when it is shown.

_SAID: Final = (
    # plants, soils and heads of the property file
    say("cool season turf"), say("warm season turf"), say("groundcover"), say("shrubs"),
    say("trees"), say("perennials"), say("annuals"), say("vegetables"), say("desert plants"),
    say("mixed"),
    say("sand"), say("loamy sand"), say("sandy loam"), say("loam"), say("silt loam"), say("silt"),
    say("sandy clay loam"), say("clay loam"), say("silty clay loam"), say("sandy clay"),
    say("silty clay"), say("clay"),
    say("spray"), say("rotor"), say("rotary nozzle"), say("impact"), say("bubbler"), say("drip"),
    # fixtures
    say("controller"), say("valve box"), say("head"), say("downspout"), say("backflow"),
    say("meter"), say("hydrant"), say("light"), say("stake"),
    # what was assumed of a zone
    say("root depth"), say("plant factor"), say("precipitation rate"),
    say("distribution uniformity"), say("soil"), say("irrigation"), say("slope"), say("flat"),
    say("full sun"), say("part sun"), say("part shade"), say("shade"),
    # what a cell of the readings sheet takes
    say("left"), say("right"), say("device"), say("in"), say("ft"), say("in/h"),
    # kinds of control beside the plan, and plain rules
    say("timer as it runs today"), say("timer, its minutes set right"), say("rain shut-off"),
    say("bypass, one sensor on each controller's common wire"),
    say("bypass, a sensor per zone or group"), say("on-demand"), say("bypass"),
    say("on-demand and bypass"), say("bypass and on-demand"),
    say("the plain way"), say("one in the driest zone"), say("one per plant type"),
    say("one in every zone"),
    # what moves the result, and what is measured
    say("today's minutes"), say("price of water"), say("application rate"), say("evenness"),
    say("devices and installation"), say("sensor error"), say("available water"),
    say("net saving a year"), say("water a season"),
)  # fmt: skip
_WORDS: Final[dict[str, str]] = {word: word for word in _SAID}
_SENSORS: Final = re.compile(r"(\d+) sensors?")


def vocabulary(word: object) -> str:
    """Return a word of the vocabulary as people say it; what is none of it stays, without dashes.

    >>> vocabulary("warm_season_turf"), vocabulary("3 sensors"), vocabulary("peak_use")
    ('warm season turf', '3 sensors', 'peak use')
    """
    text = str(word).replace("_", " ")
    if counted := _SENSORS.fullmatch(text):
        return say_count("{count} sensor", "{count} sensors", int(counted[1]))
    return _WORDS.get(text, text)


def assumed_words(listed: str) -> str:
    """Return what was assumed of a zone as people say it.

    >>> assumed_words("root_depth, slope flat")
    'root depth, slope flat'
    """
    parts = (entry.partition(" ") for entry in listed.split(", "))
    told = [side_by_side([vocabulary(what), vocabulary(how)]) for what, _, how in parts]
    return side_by_side(told, ", ")
