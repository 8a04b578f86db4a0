"""The rooms of the house: who may import whom, and what each room's face offers."""

import ast
import subprocess
from functools import cache
from pathlib import Path

import pytest

import siting

PACKAGE = Path(siting.__file__).parent
ROOT = PACKAGE.parent

#: A room may import rooms of a lower level only; modules beside the rooms belong to the ground.
LEVELS = {
    "": 0,
    "site": 1, "climate": 1,
    "sun": 2, "water": 2,
    "season": 3, "evidence": 3,
    "zones": 4,
    "place": 5, "wire": 5,
    "decide": 6,
    "planning": 7,
    "draw": 8, "handoff": 8,
    "commission": 9, "portfolio": 9,
    "cli": 10,
}  # fmt: skip
#: Names of faces that no other room takes, and users do: README and docs name them.
FOR_USERS = {"planning.Inputs", "commission.Commissioned", "commission.Commissioning",
             "commission.commission", "commission.read_readings", "commission.read_history",
             "commission.write_commissioning", "handoff.plan_schema",
             "site.property_schema"}  # fmt: skip
#: The GIS plug-in is a program of its own, see its tests; docs is a script.
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if path.name != "__init__.py" and path.parent.name not in {"gis", "docs"}
}


def room_of(module):
    """Return the room of a dotted module name under `siting`; "" on the ground."""
    parts = module.split(".")
    return parts[1] if len(parts) > 2 else ""


@cache
def imports_of(path):
    """Return every module of the package that a file imports, with the names taken from it."""
    found: dict[str, set[str]] = {}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("siting."):
                    found.setdefault(alias.name, set())
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} has a relative import"
            for alias in node.names if (node.module or "").startswith("siting") else ():
                whole = f"{node.module}.{alias.name}"
                if whole in MODULES:
                    found.setdefault(whole, set())
                elif node.module != "siting":
                    found.setdefault(node.module, set()).add(alias.name)
    return found


@cache
def face(room):
    """Return the names of a room's face, each with its module."""
    stub = PACKAGE / room / "__init__.pyi"
    return {
        alias.name: f"siting.{room}.{node.module}"
        for node in ast.parse(stub.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }


@pytest.mark.parametrize("module", MODULES)
def test_imports_point_down(module):
    room = room_of(module)
    for target in imports_of(MODULES[module]):
        assert target in MODULES, f"{module} imports {target}, which is no module"
        other = room_of(target)
        assert other == room or LEVELS[other] < LEVELS[room], f"{module} may not import {target}"


def test_a_room_takes_of_another_only_what_its_face_offers():
    faces = {room: face(room) for room in LEVELS if room not in ("", "cli")}
    for module, path in MODULES.items():
        for target, names in imports_of(path).items():
            other = room_of(target)
            if other not in ("", room_of(module)):
                missing = names - {n for n, home in faces[other].items() if home == target}
                assert not missing, f"{module} takes {missing} of {target}, not in its room's face"


def test_a_face_offers_nothing_that_nobody_takes():
    taken = {f"{home.removeprefix('siting.').split('.')[0]}.{name}" for name, home in _public()}
    for module, path in MODULES.items():
        for target, names in imports_of(path).items():
            if room_of(target) not in ("", room_of(module)):
                taken |= {f"{room_of(target)}.{name}" for name in names}
    offered = {f"{room}.{name}" for room in LEVELS if room and room != "cli" for name in face(room)}
    assert offered - taken == FOR_USERS


def _public():
    stub = ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8"))
    for node in stub.body:
        if isinstance(node, ast.ImportFrom):
            yield from ((alias.name, f"siting.{node.module}") for alias in node.names)


def test_faces_give_what_they_name():
    import importlib

    for room in LEVELS:
        if room and room != "cli":
            for name, home in face(room).items():
                given = getattr(importlib.import_module(f"siting.{room}"), name)
                assert given is getattr(importlib.import_module(home), name)


def test_no_import_cycle():
    graph = {name: set(imports_of(path)) & set(MODULES) for name, path in MODULES.items()}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join([*trail, name])
        if name not in done:
            for target in sorted(graph[name]):
                visit(target, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_no_module_is_beyond_reading_and_no_function_beyond_a_page():
    for module, path in MODULES.items():
        text = path.read_text(encoding="utf-8")
        assert text.count("\n") <= 1300, module
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                body = (
                    node.body[1:] if ast.get_docstring(node) and len(node.body) > 1 else node.body
                )
                assert body[-1].end_lineno - body[0].lineno < 50, f"{module}.{node.name}"


def test_top_level_of_the_project():
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
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
