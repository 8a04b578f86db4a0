"""Take values out of a TOML table, and note every unknown key and every value out of range."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from siting.errors import Fault, Findings, brief, is_plain, limit, nearest

#: What a line with a key does not begin with.
_NO_KEY = "#=]{}"


def key_lines(text: str) -> dict[str, int]:
    r"""Return the line on which each dotted key of a TOML text is written.

    Keys inside inline tables are not listed; they sit on their parent's line.

    Parameters
    ----------
    text : str
        The file's content.

    Returns
    -------
    dict of str to int
        Dotted key -> line, from 1.

    Examples
    --------
    >>> key_lines('name = "a"\n[water]\nprice = 2')
    {'name': 1, 'water': 2, 'water.price': 3}
    """
    lines: dict[str, int] = {}
    prefix = ""
    for number, line in enumerate(text.splitlines(), start=1):
        plain = line.strip()
        if plain.startswith("["):
            prefix = _bare(plain.lstrip("[").partition("]")[0])
            lines.setdefault(prefix, number)
        elif "=" in plain and plain[0] not in _NO_KEY:
            key = _bare(plain.partition("=")[0])
            lines.setdefault(f"{prefix}.{key}" if prefix else key, number)
    return lines


def _bare(key: str) -> str:
    return ".".join(part.strip().strip("\"'") for part in key.split("."))


#: How the spelling ends that people read who measure in feet and gallons.
_US_ENDS = ("_ft", "_in", "_kgal")


@dataclass(frozen=True)
class Key:
    """What one key of a table may hold, and how it is explained.

    Parameters
    ----------
    name : str
        Our name of it.
    least, most : float
        Least and greatest number allowed, in our unit.
    kind : str
        How it is read: "number", "word", "words", "text", "flag", or as its reader is called.
    whole : bool
        Whether only whole numbers make sense.
    words : tuple of str
        The words allowed.
    spelled : mapping of str to float
        Key as written, or what follows `name` in it -> factor to our unit; empty means only
        `name`, factor 1.
    required : bool
        Whether its absence is a fault.
    either : str
        Keys of one table with the same word here may not stand together.
    default : object
        What holds where it is not given.
    unit : str
        Our unit, empty for none.
    says : str
        What it means, in a line.
    shown : str or tuple of str
        Example as TOML, or the metric one and that in US units; empty shows the default.
    rare : bool
        Whether a new property file leaves it commented out.
    """

    name: str = ""
    least: float = 0.0
    most: float = 0.0
    kind: str = "number"
    whole: bool = False
    words: tuple[str, ...] = ()
    spelled: Mapping[str, float] = field(default_factory=dict)
    required: bool = False
    either: str = ""
    default: Any = None
    unit: str = ""
    says: str = ""
    shown: str | tuple[str, str] = ""
    rare: bool = False

    @property
    def factors(self) -> Mapping[str, float]:
        """Every spelling with its factor."""
        spelled = self.spelled or {"": 1.0}
        return {
            f"{self.name}{as_written}" if as_written[:1] in {"", "_"} else as_written: factor
            for as_written, factor in spelled.items()
        }

    @property
    def allowed(self) -> str:
        """What may stand there, in words."""
        if self.most > self.least:
            kind = "a whole number" if self.whole else "a number"
            return f"{kind} from {self.least:g} to {self.most:g}"
        plain = {"flag": "true or false", "text": "text in quotes"}.get(self.kind, "")
        return ", ".join(self.words) or plain

    def example(self, default: object = None, *, us: bool = False) -> str:
        """Return a line of TOML that gives the key, with its default unless an example is declared.

        Parameters
        ----------
        default : object
            Takes the place of the key's own default.
        us : bool
            Whether to write it in US units.

        Returns
        -------
        str
            Such as ``life_years = 10``.

        >>> Key("life", default=10.0).example()
        'life = 10'
        """
        american = [name for end in _US_ENDS for name in self.factors if name.endswith(end)]
        name = american[0] if us and american else next(iter(self.factors))
        shown = self.shown if isinstance(self.shown, str) else self.shown[us]
        return f"{name} = {shown or self.written(default, name)}"

    def written(self, default: object = None, name: str = "") -> str:
        """Return the key's default, or another, as TOML under one of the key's spellings.

        Parameters
        ----------
        default : object
            Takes the place of the key's own default.
        name : str
            The spelling, the first one where it is empty.

        Returns
        -------
        str
            Empty without a default.
        """
        value = self.default if default is None else default
        if value is None:
            return ""
        if self.kind == "day" and isinstance(value, tuple):
            return '"{:02d}-{:02d}"'.format(*value)
        if isinstance(value, float):
            factor = self.factors[name or next(iter(self.factors))]
            return f"{value / factor:.4g}"
        return json.dumps(value)


@dataclass(frozen=True)
class TomlFile:
    """A TOML file that is being read: its name for messages, its lines, the faults found.

    Parameters
    ----------
    name : str
        As in messages.
    lines : mapping of str to int
        Dotted key -> line; see `key_lines`.
    findings : Findings
        Where faults go.
    homes : mapping of str to sequence of str
        Key -> the tables to which it belongs ("" is the top), to mend misplaced keys.
    """

    name: str
    lines: Mapping[str, int]
    findings: Findings
    homes: Mapping[str, Sequence[str]]

    def fault(self, key: str, found: str, allowed: str, mend: str) -> None:
        """Note a fault at a dotted key.

        Parameters
        ----------
        key : str
            The key, dotted from the top.
        found, allowed, mend : str
            As in `siting.errors.Fault`.
        """
        parent = key
        while parent and parent not in self.lines:
            parent = parent.rpartition(".")[0]
        place = f"{self.name}, line {self.lines[parent]}" if parent else self.name
        self.findings.faults.append(
            Fault(f"{place}, {key}" if key else place, found, allowed, mend)
        )


class TomlTable:
    """One table of a TOML file.

    Parameters
    ----------
    file : TomlFile
        The file it belongs to.
    values : mapping
        Its content.
    prefix : str
        Dotted name of the table; "" is the top.
    """

    def __init__(self, file: TomlFile, values: Mapping[str, Any], prefix: str = "") -> None:
        self.file = file
        self.values = values
        self.prefix = prefix
        self._known: list[str] = []
        self._main: list[str] = []

    def __contains__(self, name: str) -> bool:
        return name in self.values

    def fault(self, name: str, found: str, allowed: str, mend: str) -> None:
        """Note a fault at a key of this table; "" means the table itself.

        Parameters
        ----------
        name : str
            The key within the table.
        found, allowed, mend : str
            As in `siting.errors.Fault`.
        """
        key = ".".join(part for part in (self.prefix, name) if part)
        self.file.fault(key, found, allowed, mend)

    def take(self, name: str) -> Any:  # noqa: ANN401  (TOML values are of any type)
        """Return a raw value, or None; the key is known from now on.

        Parameters
        ----------
        name : str
            The key.

        Returns
        -------
        object
            The value as TOML gives it.
        """
        self._known.append(name)
        self._main.append(name)
        return self.values.get(name)

    def missing(self, name: str, allowed: str, mend: str) -> None:
        """Note that a required key is not there, unless a misspelt one will be reported.

        Parameters
        ----------
        name : str
            The key.
        allowed, mend : str
            As in `siting.errors.Fault`.
        """
        self.fault(name, "nothing", allowed, mend)

    def text(self, name: str, *, required: bool = False) -> str | None:
        """Return a text, or None when absent or faulty.

        Parameters
        ----------
        name : str
            The key.
        required : bool
            Whether its absence is a fault.

        Returns
        -------
        str or None
            Stripped.
        """
        value = self.take(name)
        if value is None:
            if required:
                self.missing(name, "text in quotes", f'Add {name} = "...".')
            return None
        if not isinstance(value, str) or not value.strip():
            self.fault(name, _shown(value), "text in quotes", f'Write {name} = "...".')
            return None
        return value.strip() if self._is_plain(name, value.strip()) else None

    def _is_plain(self, name: str, value: str) -> bool:
        """Return whether a text can stand in a line, or note why not."""
        if len(value) > limit("path"):
            found, allowed = f"{len(value):,} characters", f"at most {limit('text'):,.0f}"
            self.fault(name, found, allowed, "Shorten it.")
            return False
        if is_plain(value):
            return True
        self.fault(name, f'"{brief(value)}", with control characters', "plain text",
                   "Write it anew.")  # fmt: skip
        return False

    def choice(self, name: str, allowed: Iterable[str]) -> str | None:
        """Return one of the allowed words, or None when absent or faulty.

        Parameters
        ----------
        name : str
            The key.
        allowed : iterable of str
            The words, in lower case.

        Returns
        -------
        str or None
            The word.
        """
        value = self.take(name)
        return None if value is None else self.word(name, value, allowed)

    def word(self, name: str, value: object, allowed: Iterable[str]) -> str | None:
        """Return the allowed word that `value` is, whatever its case, or note a fault.

        Parameters
        ----------
        name : str
            The key.
        value : object
            What stands there.
        allowed : iterable of str
            The words, in lower case.

        Returns
        -------
        str or None
            The word.
        """
        words = tuple(allowed)
        plain = value.strip().lower() if isinstance(value, str) else None
        if plain in words:
            return plain
        near = nearest(str(value), words)
        mend = f'Write "{near}".' if near else "Write one of these."
        self.fault(name, _shown(value), ", ".join(words), mend)
        return None

    def flag(self, name: str) -> bool | None:
        """Return true or false, or None when absent or faulty.

        Parameters
        ----------
        name : str
            The key.

        Returns
        -------
        bool or None
            The flag.
        """
        value = self.take(name)
        if value is None or isinstance(value, bool):
            return value
        self.fault(name, _shown(value), "true or false", f"Write {name} = true, without quotes.")
        return None

    def number(self, key: Key) -> float | None:
        """Return a number in our unit, or None when absent or faulty.

        Parameters
        ----------
        key : Key
            The key, its range, its spellings and whether it is required.

        Returns
        -------
        float or None
            In our unit.
        """
        self._main.append(key.name)
        self._known += key.factors
        given = [name for name in key.factors if name in self.values]
        if not given:
            if key.required:
                self.missing(key.name, key.allowed, f"Add {' or '.join(list(key.factors)[:4])}.")
            return None
        if len(given) > 1:
            self.fault(given[1], f"{' and '.join(given)} together", "one of them", "Remove one.")
            return None
        return self.checked(given[0], self.values[given[0]], key, key.factors[given[0]])

    def checked(self, name: str, value: object, key: Key, factor: float) -> float | None:
        """Return `value` in our unit when it is a number in range, or note a fault.

        Parameters
        ----------
        name : str
            The key as it was written.
        value : object
            What stands there.
        key : Key
            Its range.
        factor : float
            What turns the value into our unit.

        Returns
        -------
        float or None
            In our unit.
        """
        if not isinstance(value, int | float) or isinstance(value, bool):
            mend = (
                "Write the number without quotes." if isinstance(value, str) else "Write a number."
            )
            self.fault(name, _shown(value), key.allowed, mend)
            return None
        try:
            number = value * factor
        except OverflowError:
            self.fault(name, f"about 1e+{len(str(value)) - 1}", key.allowed, "Correct the value.")
            return None
        if not key.least <= number <= key.most or (key.whole and number != int(number)):
            shown = f"{value:g}" if factor == 1.0 else f"{value:g} (that is {number:g})"
            self.fault(name, shown, key.allowed, "Correct the value.")
            return None
        return int(number) if key.whole else float(number)

    def table(self, name: str) -> TomlTable | None:
        """Return a table within this one, or None when absent or faulty.

        Parameters
        ----------
        name : str
            The key.

        Returns
        -------
        TomlTable or None
            The table.
        """
        value = self.take(name)
        if value is None:
            return None
        if not isinstance(value, Mapping):
            self.fault(name, _shown(value), "a table", f"Write it as a table [{name}].")
            return None
        return TomlTable(self.file, value, ".".join(p for p in (self.prefix, name) if p))

    def finish(self) -> None:
        """Note every key that nothing asked for, and name the nearest known one."""
        unknown = [name for name in self.values if name not in self._known]
        most = int(limit("faults"))
        for name in unknown[:most]:
            self._unknown(name)
        if len(unknown) > most:
            found = f"{len(unknown) - most:,} more unknown keys"
            self.fault("", found, "keys that are known", "Remove them.")

    def _unknown(self, name: str) -> None:
        near = nearest(name, self._known)
        homes = self.file.homes.get(name)
        if homes and self.prefix not in homes:
            tables = " or ".join(f"[{home}]" for home in homes)
            where = f"in the table {tables}" if homes[0] else "at the top, before the first [table]"
            mend = f"It belongs {where}."
        elif near:
            mend = f"Did you mean {near}?"
        else:
            mend = "Remove it."
        place = f"[{self.prefix}]" if self.prefix else "the top of the file"
        known = ", ".join(dict.fromkeys(self._main))
        self.fault(name, "an unknown key", f"in {place}: {known}", mend)


def _shown(value: object) -> str:
    return f'"{brief(value)}"' if isinstance(value, str) else brief(value)
