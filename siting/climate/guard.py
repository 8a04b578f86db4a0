"""What is told from a weather file's first bytes and its size, before any reader opens it."""

from __future__ import annotations

import gzip
import io
from pathlib import Path
from typing import IO, Final, cast

from siting.errors import Fault, InputError
from siting.limits import limit

__all__ = ["check_size", "open_bounded", "refuse_bytes"]

_MB: Final = 1_000_000
_HEAD: Final = 20_000
#: A line of a table of stations has less than 300 characters.
_LONGEST_LINE: Final = 100_000
_MEND: Final = "Save the table as CSV (comma separated, UTF-8)."
_STARTS: Final = (
    (b"PK\x03\x04", "a zip archive or a workbook"),
    (b"\xd0\xcf\x11\xe0", "a workbook"),
    (b"SQLite format 3", "a database"),
    (b"%PDF", "a PDF"),
    (b"\xff\xfe", "a text in UTF-16, not UTF-8"),
    (b"\xfe\xff", "a text in UTF-16, not UTF-8"),
    (b"version https://git-lfs", "a pointer to a file in a large-file store"),
)


def check_size(path: Path, key: str) -> None:
    """Refuse a file that is larger than a limit."""
    size = path.stat().st_size / _MB if path.is_file() else 0.0
    if size > limit(key):
        allowed = f"at most {limit(key):,.0f} MB"
        mend = "Leave out what is not weather of this place, or of these years."
        raise InputError([Fault(path.name, f"a file of {size:,.0f} MB", allowed, mend)])


def refuse_bytes(path: Path) -> None:
    """Refuse a file whose first bytes are those of no text."""
    if not path.is_file():
        return
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return
    found = next((what for start, what in _STARTS if head.startswith(start)), None)
    if head.startswith(b"\x1f\x8b"):
        found = None if path.suffix == ".gz" else "a file packed with gzip"
    elif found is None and b"\0" in head:
        found = "NUL bytes, which are no text in UTF-8"
    if found is not None:
        raise InputError([Fault(path.name, found, "a CSV file", _MEND)])


class _Bounded(io.RawIOBase):
    """A file that stops when it unpacks to more than a limit, or to a line without end."""

    def __init__(self, inner: IO[bytes], name: str) -> None:
        super().__init__()
        self._inner, self._name = inner, name
        self._total = self._line = 0

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._inner.close()
        super().close()

    def readinto(self, buffer: bytearray | memoryview, /) -> int:  # type: ignore[override]
        data = self._inner.read(len(buffer))
        buffer[: len(data)] = data
        self._total += len(data)
        end = data.rfind(b"\n")
        self._line = len(data) - end - 1 if end >= 0 else self._line + len(data)
        most = limit("station_mb")
        if self._total > most * _MB or self._line > _LONGEST_LINE:
            found = f"more than {most:,.0f} MB, or a line of more than {_LONGEST_LINE:,} characters"
            mend = "Take the file of one station."
            raise InputError([Fault(self._name, found, f"at most {most:,.0f} MB", mend)])
        return len(data)


def open_bounded(path: Path) -> io.BufferedReader:
    """Open a table of stations, packed with gzip or not, so that it cannot fill the memory.

    Result: its bytes; reading raises InputError at the limit.
    """
    opened = gzip.open(path) if path.suffix == ".gz" else path.open("rb")  # noqa: SIM115
    return io.BufferedReader(_Bounded(cast("IO[bytes]", opened), path.name), 1 << 20)
