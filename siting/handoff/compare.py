"""Plans side by side, from their `plan.json`."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from rich.markup import escape
from rich.table import Table

from siting.errors import Fault, InputError
from siting.handoff.planjson import SCHEMA_NAME
from siting.units import UnitsName, show

__all__ = ["compare_table", "read_plans"]

_Document = Mapping[str, Any]


def read_plans(paths: Sequence[Path]) -> list[tuple[str, dict[str, Any]]]:
    """Read plans, and report everything that is none at once.

    Parameters
    ----------
    paths : sequence of Path
        `plan.json` files, or folders that hold one.

    Returns
    -------
    list of (str, dict)
        What each is called and its document.

    Raises
    ------
    InputError
        With every path that is no plan.
    """
    found: list[tuple[str, dict[str, Any]]] = []
    faults: list[Fault] = []
    for path in paths:
        place = Path(path)
        file = place / "plan.json" if place.is_dir() else place
        try:
            document = json.loads(file.read_text("utf-8"))
        except OSError:
            faults.append(_fault(file, "no such file"))
        except ValueError:
            faults.append(_fault(file, "a file that is not JSON"))
        else:
            schema = document.get("schema") if isinstance(document, dict) else None
            if schema == SCHEMA_NAME:
                found.append((file.parent.name if place.is_dir() else str(place), document))
            else:
                faults.append(_fault(file, f"the schema {schema}"))
    if faults:
        raise InputError(faults)
    return found


def _fault(file: Path, found: str) -> Fault:
    mend = "Name the folder that `siting plan --out` wrote, or its plan.json."
    return Fault(str(file), found, f"a plan of the schema {SCHEMA_NAME}", mend)


def compare_table(plans: Sequence[tuple[str, _Document]]) -> Table:
    """Return plans side by side as a table for a terminal.

    Parameters
    ----------
    plans : sequence of (str, dict)
        As from `read_plans`; amounts are shown in the units of the first.

    Returns
    -------
    rich.table.Table
        One column per plan: sensors, control, hardware, water, stress, money.
    """
    units: UnitsName = "us" if plans and plans[0][1]["property"]["units"] == "us" else "metric"
    table = Table(header_style="bold")
    table.add_column("")
    for name, _ in plans:
        table.add_column(escape(name), overflow="fold")
    for label, cell in _LINES:
        table.add_row(label, *(escape(cell(document, units)) for _, document in plans))
    return table


def _chosen(document: _Document) -> _Document:
    return next((row for row in document["choices"] if row["chosen"]), {})


def _sensors(document: _Document, _: UnitsName) -> str:
    return "\n".join(
        f"{s['sensor_id']} in {s['zone']}: {', '.join(s['governs'])}" for s in document["sensors"]
    )


def _hardware(document: _Document, _: UnitsName) -> str:
    words = {item["hardware"].replace("_", "-") for item in document["decision"]["hardware"]}
    return ", ".join(sorted(words)) or "-"


def _volume(value: float | None, units: UnitsName) -> str:
    return "-" if value is None else show(value, "volume", units)


def _money(document: _Document, value: float | None) -> str:
    return "-" if value is None else f"{value:,.0f} {document['economics']['currency']}"


def _years(document: _Document, name: str) -> str:
    money = document["economics"]
    if money[name] is None:
        return "-"
    ends = [money[f"{name}{end}"] for end in ("_low", "_high")]
    span = " to ".join("never" if end is None else f"{end:.1f}" for end in ends)
    return f"{money[name]:.1f} ({span})"


def _change(document: _Document, units: UnitsName) -> str:
    """Say what was asked for: the limits and prices that differ most often."""
    options = document["provenance"].get("options", {})
    control, water = options.get("control", {}), options.get("water", {})
    said = [f"stress limit {control.get('max_stress_days')} d"] if control else []
    if water.get("price") is not None:
        said.append(f"price {show(float(water['price']), 'volume_price', units)}")
    if control.get("allowed_days") is not None:
        said.append(f"{len(control['allowed_days'])} days a week")
    return ", ".join(said) or "-"


_Line = tuple[str, Callable[[_Document, UnitsName], str]]

_LINES: Final[tuple[_Line, ...]] = (
    ("property", lambda d, _: str(d["property"]["name"])),
    ("asked for", _change),
    ("sensors", lambda d, _: str(len(d["sensors"]))),
    ("where", _sensors),
    ("control", lambda d, _: str(_chosen(d).get("control") or "-").replace("_", "-")),
    ("hardware", _hardware),
    ("water a season", lambda d, units: _volume(_chosen(d).get("water_m3"), units)),
    ("water saved a year", lambda d, units: _volume(d["economics"]["saved_m3"], units)),
    ("stress days at worst", lambda d, _: f"{max(z['stress_days'] for z in d['zones']):.0f}"),
    ("water and sensors a year", lambda d, _: _money(d, _chosen(d).get("cost_per_year"))),
    ("saved a year", lambda d, _: _money(d, d["economics"]["saved_per_year"])),
    ("building it", lambda d, _: _money(d, d["economics"]["capital"])),
    ("payback, years", lambda d, _: _years(d, "payback_years")),
    ("discounted", lambda d, _: _years(d, "payback_discounted_years")),
    ("next sensor is worth", lambda d, _: _money(d, _chosen(d).get("value_of_next"))),
)
