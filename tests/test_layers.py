"""Imports only point down: one dictionary says who may import whom."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "siting"

#: Room -> the rooms it may import. A room is a sub-package or a module, without `_`.
MAY_IMPORT = {
    "errors": set(),
    "extensions": {"errors"},
    "units": set(),
    "cautions": set(),
    "atomic": set(),
    "palette": set(),
    "compiled": set(),
    "limits": set(),
    "site": {"errors", "units", "extensions", "limits"},
    "climate": {"errors", "units", "extensions", "limits"},
    "sun": {"errors", "units", "site", "climate", "compiled"},
    "water": {"errors", "units", "site", "climate"},
}
STAGES = [
    "hydrozones",
    "sensors",
    "placement",
    "ties",
    "scheduling",
    "season",
    "economics",
    "wiring",
]
_BELOW_STAGES = {"errors", "units", "site", "climate", "sun", "water", "ranks", "compiled"}
MAY_IMPORT["ranks"] = set()
MAY_IMPORT |= dict.fromkeys(STAGES, _BELOW_STAGES)
MAY_IMPORT["planning"] = _BELOW_STAGES | set(STAGES) | {"cautions", "extensions"}
_BELOW_DELIVERY = MAY_IMPORT["planning"] | {"planning", "atomic", "palette"}
MAY_IMPORT |= dict.fromkeys(["handoff", "commissioning", "portfolio", "gis"], _BELOW_DELIVERY)
MAY_IMPORT["cli"] = _BELOW_DELIVERY | {"handoff", "commissioning", "portfolio", "gis", "demo"}
MAY_IMPORT["demo"] = {"errors"}

#: Private modules beside a stage belong to that stage.
BELONGS_TO = {
    "_season_kernels": "season",
    "_clearance": "placement",
    "_setbacks": "placement",
    "_rankfield": "placement",
    "_placement_words": "placement",
    "_terrain": "placement",
    "_surface": "placement",
    "_optimum": "placement",
    "_outline": "placement",
    "_unevenness": "placement",
    "_shutoff": "season",
    "_money": "economics",
    "_claims": "economics",
    "_facility": "sensors",
    "_sensor_model": "sensors",
    "_paths": "wiring",
    "_wire_electric": "wiring",
    "_wire_model": "wiring",
    "_wire_paths": "wiring",
    "_trench": "wiring",
    "_plan_*": "planning",
    "_commission_*": "commissioning",
    "_cli_*": "cli",
    "_ranks": "ranks",
}


def room_of(module: str) -> str:
    """Return the room of a dotted module name under `siting`."""
    parts = module.split(".")
    name = parts[1] if len(parts) > 1 else ""
    if name.startswith("_") and name in BELONGS_TO:
        return BELONGS_TO[name]
    for prefix, room in BELONGS_TO.items():
        if prefix.endswith("*") and name.startswith(prefix[:-1]):
            return room
    return name


def imports_of(path: Path) -> set[str]:
    """Return every siting module that a file imports, lazily or not."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} has a relative import"
            module = node.module or ""
            submodules = {
                f"{module}.{alias.name}"
                for alias in node.names
                if (PACKAGE.parent / module.replace(".", "/") / f"{alias.name}.py").exists()
            }
            found |= submodules or {module}
    return {name for name in found if name.split(".")[0] == "siting"}


#: The GIS plug-in is a program of its own (see tests/test_gis_plugin.py), and docs a script.
MODULES = {
    "siting." + ".".join(p.relative_to(PACKAGE).with_suffix("").parts): p
    for p in sorted(PACKAGE.rglob("*.py"))
    if p.name != "__init__.py" and p.parent.name not in {"gis", "docs"}
}


@pytest.mark.parametrize("module", MODULES)
def test_imports_point_down(module):
    room = room_of(module)
    assert room in MAY_IMPORT, f"{room} is no room of the design: add it to MAY_IMPORT"
    for target in imports_of(MODULES[module]):
        other = room_of(target)
        if other in {"", room}:
            assert other == room or target == "siting", f"{module} imports {target}"
        else:
            assert other in MAY_IMPORT[room], f"{module} ({room}) may not import {target} ({other})"


def test_no_import_cycle():
    graph = {name: imports_of(path) & set(MODULES) for name, path in MODULES.items()}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join([*trail, name])
        if name not in done:
            for target in sorted(graph[name]):
                visit(target, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_top_level_of_the_project():
    root = PACKAGE.parent
    if not (root / ".git").exists():
        pytest.skip("not a checkout")
    import subprocess

    listed = subprocess.run(
        ["git", "ls-files"], cwd=root, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {name.split("/")[0] for name in listed if name}
    assert {name for name in top if not name.startswith(".")} == {
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "LICENSE",
        "pyproject.toml",
        "siting",
        "data",
        "tests",
        "maps",
    }
