"""Weather: gaps, marks, other units, other habits of writing, and records that cannot be."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from tests.bad_inputs.base import Draft, case

weather = partial(case, "weather")
BOTH = ("feature", "column")


def _cells(title: str, change: Callable, **outcome) -> None:
    """Add a case that changes the table."""

    @weather(title, **outcome)
    def _(d: Draft) -> None:
        d.weather = d.weather.astype({c: object for c in d.weather if c == "date"})
        changed = change(d.weather)
        d.weather = d.weather if changed is None else changed


def _text(title: str, change: Callable[[list[str]], list[str]], **outcome) -> None:
    """Add a case that changes the lines of the file."""

    @weather(title, **outcome)
    def _(d: Draft) -> None:
        d.weather_lines(change(d.lines()))


def _bytes(title: str, change: Callable[[str], bytes], **outcome) -> None:
    """Add a case that changes the bytes of the file."""

    @weather(title, **outcome)
    def _(d: Draft) -> None:
        d.weather_text = change("\n".join(d.lines()) + "\n")


def _one(column: str, text: str, row: int = 100) -> Callable:
    """Write a text into one cell."""

    def change(table):
        table = table.astype({column: object})
        table.loc[row, column] = text
        return table

    return change


def _drop(first: int, last: int) -> Callable:
    return lambda t: t.drop(index=range(first, last))


_cells("a gap of three days", _drop(50, 53), repaired="gaps of up to 5 days filled")
_cells("a gap of forty days", _drop(50, 90), repaired=("40 days missing", "left out"))
_cells("a missing leap day", lambda t: t[t["date"] != "2020-02-29"], repaired="1 day")
_cells("empty cells", _one("tmax_c", ""), repaired="highest temperature on 1 day")
_cells("a cell NaN", _one("rain_mm", "NaN"), repaired="rain (taken as 0) on 1 day")
_cells("a cell “-”", _one("tmin_c", "-"), repaired="lowest temperature on 1 day")
_text("a line twice", lambda s: [*s, s[-1]], repaired="repeated identical lines")
_text("a day twice with other values", lambda s: [*s, s[-1].rsplit(",", 1)[0] + ",9.9"],
      refused="given before with other values", says=BOTH)  # fmt: skip
_text("hours instead of days", lambda s: [s[0], *[x for x in s[1:] for _ in (0, 1)][:400], s[1][:10]
      + ",1,2,3" + ",".join([""] * (s[0].count(",") - 2))], refused="each day once")  # fmt: skip
_text("lines not in order", lambda s: [s[0], *reversed(s[1:])], repaired="not in order of time")
_text("the header again in the middle", lambda s: [*s[:200], s[0], *s[200:]],
      refused=("line 201", "YYYY-MM-DD"))  # fmt: skip
_text("a line of units under the header", lambda s: [s[0], "-,°C,°C" + ",mm" * (s[0].count(",") - 2),
      *s[1:]], refused="line 2", says=BOTH)  # fmt: skip
_text("a line of totals at the end", lambda s: [*s, "Total" + ",1" * s[0].count(",")],
      refused="YYYY-MM-DD")  # fmt: skip
_text("only a header", lambda s: s[:1], refused="no days")
_text("a cut last line", lambda s: [*s[:-1], s[-1][:14]], refused="number of cells", says="feature")
_text("no column of rain", lambda s: [s[0].replace("rain_mm", "wet"), *s[1:]],
      refused="rain_mm", says="column")  # fmt: skip
_text("a misspelt column", lambda s: [s[0].replace("tmax_c", "tmax_C ").replace("rain_mm", "rian_mm")]
      + s[1:], refused="Did you mean rain_mm", says="column")  # fmt: skip
_text(
    "a column twice", lambda s: [x + "," + x.split(",")[1] for x in s], refused="the column twice"
)

_cells("rain in inches", lambda t: t.assign(rain_mm=t["rain_mm"] / 25.4), refused="inches")
_cells("temperatures in Fahrenheit", lambda t: t.assign(tmin_c=t["tmin_c"] * 1.8 + 32,
       tmax_c=t["tmax_c"] * 1.8 + 32), refused="Fahrenheit")  # fmt: skip
_cells("a cool place in Fahrenheit", lambda t: t.assign(tmin_c=(t["tmin_c"] - 12) * 1.8 + 32,
       tmax_c=(t["tmax_c"] - 18) * 1.8 + 32).drop(columns="rs_mj_m2"),
       refused="Fahrenheit")  # fmt: skip
_cells("temperatures in Kelvin", lambda t: t.assign(tmin_c=t["tmin_c"] + 273.15,
       tmax_c=t["tmax_c"] + 273.15), refused=("above 60", "tmin_c"))  # fmt: skip
_cells("temperatures in tenths", lambda t: t.assign(tmin_c=t["tmin_c"] * 10,
       tmax_c=t["tmax_c"] * 10), refused="above 60")  # fmt: skip
_cells("lowest and highest swapped", lambda t: t.rename(columns={"tmin_c": "tmax_c",
       "tmax_c": "tmin_c"}), refused=("tmin_c above tmax_c", "swapped"), says=BOTH)  # fmt: skip
_cells("swapped on one day", lambda t: t.assign(tmin_c=t["tmin_c"].mask(t.index == 9, 39.0)),
       refused="tmin_c above tmax_c", says=BOTH)  # fmt: skip
_cells("lowest the same as highest", lambda t: t.assign(tmin_c=t["tmax_c"]),
       refused=("tmin_c", "same as tmax_c"), says="column")  # fmt: skip
_cells("rain as a running total", lambda t: t.assign(rain_mm=t["rain_mm"].cumsum() % 2000),
       refused="running total")  # fmt: skip
_cells("rain as a running total of each month", lambda t: t.assign(
       rain_mm=t.groupby(t["date"].str[:7])["rain_mm"].cumsum()), refused="running total")  # fmt: skip
_cells("no rain at all", lambda t: t.assign(rain_mm=0.0), repaired="no rain at all")
_cells("the same rain every day", lambda t: t.assign(rain_mm=2.5), repaired=("same", "2.5"))
_cells("a sensor that froze for two months", lambda t: t.assign(tmin_c=t["tmin_c"].mask(
       t.index.isin(range(200, 260)), 3.0), tmax_c=t["tmax_c"].mask(t.index.isin(range(200, 260)),
       17.0)), repaired=("60 days", "same"))  # fmt: skip
_cells("negative rain", _one("rain_mm", "-3"), refused="below 0", says=BOTH)
_cells("radiation in W/m²", lambda t: t.assign(rs_mj_m2=t["rs_mj_m2"] / 0.0864),
       refused="rs_w_m2", says=BOTH)  # fmt: skip
_cells("radiation in kWh", lambda t: t.assign(rs_mj_m2=t["rs_mj_m2"] / 3.6), refused="kWh")
_cells("wind in km/h", lambda t: t.assign(wind_m_s=np.linspace(8, 22, len(t))), refused="km/h")
_cells("humidity as fractions", lambda t: t.drop(columns=[c for c in t if c.startswith(("rh", "ea",
       "tdew"))]).assign(rh_mean=0.7), refused="fractions", says="column")  # fmt: skip
for _mark in ("-999", "-9999", "-99.9", "-99", "9999", "999.9", "-6999"):
    _cells(f"mark {_mark} for a missing value", _one("tmin_c", _mark), refused=(_mark,
           "mark for missing"), says=BOTH)  # fmt: skip
    _cells(f"mark {_mark} for missing rain", _one("rain_mm", _mark), refused=(_mark,
           "mark for missing"), says=BOTH)  # fmt: skip
_cells("rain “T” for a trace", _one("rain_mm", "T"), refused=("trace", "0"), says=BOTH)
_cells("a decimal comma in quotes", _one("tmax_c", "21,5"), refused="a decimal comma", says=BOTH)
_cells("a separator of thousands", _one("rain_mm", "1,234.5"), refused="text", says=BOTH)
_cells("digits of another script", _one("tmax_c", "２１"), refused="text", says=BOTH)
_cells("a number with an underscore", _one("tmax_c", "2_1"), refused="text", says=BOTH)
_cells("an endless number", _one("tmax_c", "1e999"), refused="number", says=BOTH)
_cells("a unit behind the number", _one("rain_mm", "3.2 mm"), refused="text", says=BOTH)

_cells("days of next century", lambda t: t.assign(date=t["date"].str.replace("2020", "2120")),
       refused="future", says=BOTH)  # fmt: skip
_cells("29 February of a common year", _one("date", "2019-02-29"), refused="YYYY-MM-DD", says=BOTH)
for _form, _made in (
    ("day.month.year", lambda d: f"{d[8:]}.{d[5:7]}.{d[:4]}"),
    ("month/day/year", lambda d: f"{d[5:7]}/{d[8:]}/{d[:4]}"),
    ("date and time", lambda d: d + "T00:00:00"),
    ("two-digit years", lambda d: d[2:]),
    ("spreadsheet days", lambda d: str(43000 + int(d[5:7]) * 30 + int(d[8:]))),
    ("no hyphens", lambda d: d.replace("-", "")),
):
    _cells(f"dates as {_form}", lambda t, m=_made: t.assign(date=t["date"].map(m)),
           refused="YYYY-MM-DD", says=BOTH)  # fmt: skip
_cells("one year only", lambda t: t[t["date"].str.startswith("2019")], repaired=("1 year", "years"))
_cells("three weeks only", lambda t: t.head(21), refused="season")
_cells("one day only", lambda t: t.head(1), refused="season")
_cells("years of a century ago", lambda t: t.assign(date=t["date"].str.replace("20", "18", n=1)),
       repaired=("1820", "old"))  # fmt: skip


def _semicolons(lines: list[str]) -> list[str]:
    return [x.replace(".", ",").replace(",", ";") for x in lines]


_text("semicolons between the cells", lambda s: [x.replace(",", ";") for x in s],
      refused="semicolons")  # fmt: skip
_text("semicolons and decimal commas", lambda s: [s[0].replace(",", ";"),
      *[x.replace(",", ";").replace(".", ",") for x in s[1:]]],
      refused=("decimal comma", "semicolon"))  # fmt: skip
_text("tabs between the cells", lambda s: [x.replace(",", "\t") for x in s], refused="tabs")
_text("decimal commas between commas", lambda s: [s[0], *[x.replace(".", ",") for x in s[1:]]],
      refused=("number of cells", "point"))  # fmt: skip
_text("a title above the header", lambda s: ["Weather of our station", *s], refused="format")
_text("a text file of another kind", lambda _: ["dear sir,", "no weather today"], refused="format")
_bytes("Windows line ends", lambda s: s.replace("\n", "\r\n").encode(),
       check=lambda s: len(s.hydrozones) == 2, handled="read as they are")  # fmt: skip
_bytes("old Macintosh line ends", lambda s: s.replace("\n", "\r").encode(),
       check=lambda s: len(s.hydrozones) == 2, handled="read as they are")  # fmt: skip
_bytes("UTF-8 with a byte-order mark", lambda s: s.encode("utf-8-sig"),
       check=lambda s: len(s.hydrozones) == 2, handled="read as it is")  # fmt: skip
_bytes("UTF-16", lambda s: s.encode("utf-16"), refused="UTF-8")
_bytes("UTF-16 without a mark", lambda s: s.encode("utf-16-le"), refused=("NUL", "UTF-8"))
_bytes("Latin-1", lambda s: s.replace("tmin_c", "tmin_°", 1).encode("latin-1"), refused="UTF-8")
_bytes("NUL bytes", lambda s: s.replace("2019-05-01", "2019\0-05-01").encode(), refused="NUL")
_bytes("an empty file", lambda _: b"", refused="an empty file")
_bytes("blank lines only", lambda _: b"\n \n\n", refused="an empty file")
_bytes("a workbook named .csv", lambda _: b"PK\x03\x04" + bytes(60) + b"xl/workbook.xml",
       refused=("zip", "CSV"))  # fmt: skip
_bytes("a packed file named .csv", lambda s: __import__("gzip").compress(s.encode()),
       refused=("gzip", "CSV"))  # fmt: skip
_bytes("noise", lambda _: np.random.default_rng(3).bytes(5000), refused="CSV")
_bytes("an unclosed quote", lambda s: s.replace(",", ',"', 1).encode(), refused="quote")
_bytes("one line of thirty megabytes", lambda _: b"date,tmin_c" + bytes(b",1" * 15_000_000),
       refused=("MB", "at most"))  # fmt: skip


def _ghcn(d: Draft, rows: list[str], keys: str = "") -> None:
    d.weather_text = "\n".join(rows) + "\n"
    d.swap("elevation_m = 150", f'elevation_m = 150\nformat = "ghcn"\n{keys}')


def _station(year: int = 2019, name: str = "USW00099999", value: str = "250") -> list[str]:
    days = np.arange(f"{year}-01-01", f"{year + 1}-01-01", dtype="datetime64[D]")
    stamps = [str(day).replace("-", "") for day in days]
    return [
        f"{name},{day},{element},{number},,,W,2400"
        for day in stamps
        for element, number in (("TMAX", value), ("TMIN", "120"), ("PRCP", "30"))
    ]


@weather("station file with decimals", refused=("decimals", "tenths"))
def _(d):
    _ghcn(d, _station(value="25.5"))


@weather("station file with two stations", refused=("several stations", "station ="))
def _(d):
    _ghcn(d, _station() + _station(name="USW00088888"))


@weather("station file without the station asked for", refused=("no station XX", "USW00099999"))
def _(d):
    _ghcn(d, _station(), 'station = "XX"')


@weather("station file of the future", refused="future")
def _(d):
    _ghcn(d, _station(2090))


@weather("eleven months of normals", refused=("no row for Dec", "12 rows"))
def _(d):
    rows = ["month,rain_mm,wet_days,tmin_c,tmax_c", *[f"{m},60,9,8,20" for m in range(1, 12)]]
    d.weather_text = "\n".join(rows) + "\n"


@weather("a text among the hours of a year", refused=("another layout", "Take the file anew"))
def _(d):
    head = ["Source,Location ID,City,State,Country,Latitude,Longitude,Time Zone,Elevation,"
            "Local Time Zone,Dew Point Units", "NSRDB,1,-,-,-,33,-83,-5,150,-5,c",
            "Year,Month,Day,Hour,Minute,GHI,DHI,DNI,Temperature,Dew Point,Wind Speed"]  # fmt: skip
    rows = [f"2019,6,{day},{h},30,0,0,0,15,8,2" for day in range(1, 4) for h in range(24)]
    rows[9] = rows[9].replace(",15,", ",1O.5,")
    d.files["rain.csv"] = "\n".join(d.lines()) + "\n"
    d.weather_text = "\n".join([*head, *rows]) + "\n"
    d.swap("elevation_m = 150", 'elevation_m = 150\nformat = "psm3"\nrain_file = "rain.csv"')


@weather("daylight-saving hour twice", refused=("fewer than 24 hours", "given twice"))
def _(d):
    rows = ["Source,Location ID,City,State,Country,Latitude,Longitude,Time Zone,Elevation,"
            "Local Time Zone,Dew Point Units", "NSRDB,1,-,-,-,33,-83,-5,150,-5,c",
            "Year,Month,Day,Hour,Minute,GHI,DHI,DNI,Temperature,Dew Point,Wind Speed"]  # fmt: skip
    days = np.arange("2019-01-01", "2020-01-01", dtype="datetime64[D]")
    for day in (str(x) for x in days):
        hours = list(range(24))
        if day == "2019-11-03":
            hours.insert(1, 1)
        if day == "2019-03-10":
            hours.remove(2)
        y, m, n = day.split("-")
        rows += [f"{y},{int(m)},{int(n)},{h},30,{200 * (6 < h < 18)},50,80,15,8,2" for h in hours]
    d.files["rain.csv"] = "\n".join(d.lines()) + "\n"
    d.weather_text = "\n".join(rows) + "\n"
    d.swap("elevation_m = 150", 'elevation_m = 150\nformat = "psm3"\nrain_file = "rain.csv"')
