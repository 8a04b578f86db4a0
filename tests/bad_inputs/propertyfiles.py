"""Property files: keys nobody knows, values of other kinds, paths that lead away, hostile TOML."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.bad_inputs.base import TOML, Draft, case

prop = partial(case, "property")


def _swap(title: str, old: str, new: str, **outcome) -> None:
    """Add a case that replaces a part of the file."""

    @prop(title, **outcome)
    def _(d: Draft) -> None:
        d.swap(old, new)


def _whole(title: str, content: str | bytes, **outcome) -> None:
    """Add a case that replaces the whole file."""

    @prop(title, **outcome)
    def _(d: Draft) -> None:
        d.files["property.toml"] = content


_PRICE, _MORE = "price = 2.0", "price = 2.0\n"
_swap("unknown key", _PRICE, "pirce = 2.0", refused=("line 13", "water.pirce", "price"))
_swap("unknown table", _PRICE, _MORE + "[wether]\na = 1", refused=("wether", "weather"))
_swap("key in the wrong table", _PRICE, _MORE + "elevation_m = 3", refused=("[weather]",))
_swap("number in quotes", _PRICE, 'price = "2"', refused=('"2"', "without quotes"))
_swap("text without quotes", 'name = "Corpus ground"', "name = Corpus", refused="line 1")
_swap("flag as a number", "elevation_m = 150", "elevation_m = 150\ntrust_units = 1",
      refused="true or false")  # fmt: skip
_swap("out of range", _PRICE, "price = -1", refused=("-1", "from 0"))
_swap("not a number", _PRICE, "price = nan", refused=("nan", "a number"))
_swap("infinite", "elevation_m = 150", "elevation_m = inf", refused="inf")
_swap("a number of 400 digits", _PRICE, "price = 1" + "0" * 400, refused=("e+400", "a number"))
_swap("a number of 5,000 digits", _PRICE, "price = 1" + "0" * 5000, refused="digits")
_swap("a date as a number", _PRICE, "price = 2020-01-01", refused="2020-01-01")
_swap("a day that is none", 'start = "04-01"', 'start = "04-31"', refused='"04-31"')
_swap("29 February", 'start = "04-01"', 'start = "02-29"', refused=("02-28 or 03-01",))
_swap("a weekday that is none", '"Fri"', '"Fry"', refused="Fry")
_swap("a valve that no zone has", '"2" = 30', '"2" = 30, "3" = 9', refused=('valve "3"', "no zone"))
_swap("a zone without run time", ', "2" = 30', "", refused=('valve "2"', "entry for every valve"))
_swap("a season without days", 'end = "09-30"', 'end = "04-01"', refused=("season", "day"))
_swap("an empty name", 'name = "Corpus ground"', 'name = " "', refused="name")
_swap("a name of a megabyte", 'name = "Corpus ground"', f'name = "{"n" * 200_000}"',
      refused=("characters", "at most"))  # fmt: skip
_swap("a name with control characters", 'name = "Corpus ground"', 'name = "a\\u0000\\u001b[2J"',
      refused=("control", "name"))  # fmt: skip
_swap("layers as a list", 'layers = "layers.gpkg"', 'layers = ["layers.gpkg"]',
      refused=("GeoPackage", "layers"))  # fmt: skip
_swap("a key twice", _PRICE, _MORE + "price = 3.0", refused="line 14")
_swap("a file that does not exist", 'file = "weather.csv"', 'file = "wether.csv"',
      refused=("wether.csv", 'Did you mean "weather.csv"'))  # fmt: skip
_swap("a layer file that does not exist", '"layers.gpkg"', '"layer.gpkg"',
      refused='Did you mean "layers.gpkg"')  # fmt: skip
_swap("a folder as the weather", 'file = "weather.csv"', 'file = "."', refused=("a folder",))
_swap("a path with a NUL", 'file = "weather.csv"', 'file = "wea\\u0000ther.csv"',
      refused=("control", "file"))  # fmt: skip
_swap("a path of ten thousand characters", 'file = "weather.csv"', f'file = "{"w" * 10_000}"',
      refused=("characters", "file"))  # fmt: skip
_swap("a network address as a file", '"layers.gpkg"', '"https://192.0.2.1/layers.gpkg"',
      refused=("address", "Nothing is fetched"))  # fmt: skip
_swap("GDAL's network prefix", '"layers.gpkg"', '"/vsicurl/http://192.0.2.1/a.gpkg"',
      refused=("address", "Nothing is fetched"))  # fmt: skip
_swap("GDAL's zip prefix", '"layers.gpkg"', '"/vsizip/layers.zip/a.gpkg"', refused="address")
_swap("a file of the system", 'file = "weather.csv"', 'file = "/etc/hostname"',
      refused=("hostname", "format"))  # fmt: skip
_swap("a device as a file", 'file = "weather.csv"', 'file = "/dev/zero"', refused="/dev/zero")


@prop("weather outside the folder", repaired=("weather", "outside"))
def _(d):
    d.swap('file = "weather.csv"', 'file = "../out-{folder}.csv"')

    def step(folder: Path) -> None:
        away = folder.parent / f"out-{folder.name}.csv"
        (folder / "weather.csv").rename(away)
        path = folder / "property.toml"
        path.write_text(path.read_text("utf-8").replace("{folder}", folder.name), "utf-8")

    d.later.append(step)


_whole("empty", "", refused=("name", "layers", "weather"))
_whole("property file in UTF-16", TOML.encode("utf-16"), refused=("UTF-8", "encoding"))
_whole(
    "property file in Latin-1", TOML.replace("Corpus", "Jardín").encode("latin-1"), refused="UTF-8"
)
_whole("property file with NUL bytes", TOML.encode() + b"\0\0", refused="TOML error")
_whole("a web page", "<!DOCTYPE html><html></html>", refused="TOML error")
_whole("a GeoPackage", b"SQLite format 3\0" + bytes(range(256)), refused="TOML")
_whole("three megabytes", TOML + "# " + "x" * 3_000_000, refused=("MB", "at most"))
_whole("arrays a hundred thousand deep", TOML + "x = " + "[" * 100_000, refused=("nested", "deep"))
_whole("tables ten thousand deep", TOML + "x" + ".x" * 10_000 + " = 1", refused="deep")
_whole("a line of 200,000 spaces", TOML + "a" + " " * 200_000 + "b\n", refused="TOML error")
_whole("a header of 200,000 spaces", TOML + "[a" + " " * 200_000 + "\n", refused="TOML error")
_whole("ten thousand unknown keys", TOML + "\n".join(f"k{n} = 1" for n in range(10_000)),
       refused=("unknown key", "more"))  # fmt: skip
_whole("property file with Windows line ends", TOML.replace("\n", "\r\n"), handled="read as they are",
       check=lambda s: s.name == "Corpus ground")  # fmt: skip


def _away(title: str, step: Callable[[Path], None], **outcome) -> None:
    @prop(title, **outcome)
    def _(d: Draft) -> None:
        d.later.append(step)


def _gone(folder: Path) -> None:
    (folder / "property.toml").unlink()


def _dir(folder: Path) -> None:
    _gone(folder)
    (folder / "property.toml").mkdir()


_away("not there", _gone, refused=("no such file", "siting new"))
_away("a folder named property.toml", _dir, refused="no such file")
