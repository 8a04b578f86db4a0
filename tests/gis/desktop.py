"""A clean profile of the desktop GIS: install the plug-in's zip into it and run algorithms.

    python tests/gis/desktop.py [RUNS]

installs the plug-in, lists its algorithms, plans the demo campus RUNS times (5) from its layers and
compares every result layer with the command line's. Needs Debian's packages qgis, python3-qgis and
qgis-providers: about 1.1 GB.
"""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd

ROOT = Path(__file__).resolve().parents[2]
PROCESS = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
ALGORITHMS = ("install", "new", "check", "sun", "score", "plan", "handoff", "commission")
LAYERS = ("boundary", "hydrozones", "buildings", "trees", "paving", "fixtures", "cans")


def library_python(folder: Path) -> Path:
    """Write a program that is this Python with this checkout's siting, wherever it is run."""
    program = folder / "python-with-siting"
    program.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" "$@"\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


class Desktop:
    """A GIS with a configuration of its own, and the plug-in installed in it."""

    def __init__(self, home: Path, archive: Path, *, python: str) -> None:
        self.home = home
        plugins = home / "config" / "profiles" / "default" / "python" / "plugins"
        plugins.mkdir(parents=True)
        with zipfile.ZipFile(archive) as packed:
            packed.extractall(plugins)
        self.environment = dict(os.environ) | {
            "HOME": str(home), "XDG_RUNTIME_DIR": str(home), "QT_QPA_PLATFORM": "offscreen",
            "QGIS_CUSTOM_CONFIG_PATH": str(home / "config"), "LC_ALL": "C.UTF-8",
        }  # fmt: skip
        for name in ("SITING_PYTHON", "PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV"):
            self.environment.pop(name, None)
        # The GIS looks for its own Python along PATH, where an active environment's comes first.
        own = str(Path(PROCESS or "").parent)
        self.environment["PATH"] = os.pathsep.join((own, self.environment.get("PATH", "")))
        if python:
            self.environment["SITING_PYTHON"] = python

    def process(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run the GIS's command line."""
        assert PROCESS
        return subprocess.run(
            [PROCESS, *words], env=self.environment, capture_output=True,
            text=True, encoding="utf-8", errors="replace", timeout=300, check=False,
        )  # fmt: skip

    def enable(self) -> str:
        """Switch the plug-in on."""
        return self.process("plugins", "enable", "siting_gis").stdout

    def run(self, step: str, inputs: Mapping[str, Any]) -> tuple[dict[str, Any], str]:
        """Run an algorithm; return its outputs ({} when it failed) and all that it said."""
        words = [
            f"{key}={value}"
            for key, given in inputs.items()
            for value in (given if isinstance(given, list) else [given])
        ]
        done = self.process("--json", "run", f"siting:{step}", "--", *words)
        start = done.stdout.find("{")
        answer = json.loads(done.stdout[start:]) if start >= 0 else {}
        return answer.get("results", {}), done.stdout + done.stderr


def inputs_of(folder: Path, package: str) -> dict[str, Any]:
    """Return the property file and every layer of a bundled property as parameters."""
    names = gpd.list_layers(folder / package)["name"]
    layers = {
        name.upper(): f"{folder / package}|layername={name}"
        for name in LAYERS
        if name in set(names)
    }
    return {"PROPERTY": str(folder / "property.toml"), **layers}


def differences(ours: Path, theirs: Path) -> list[str]:
    """Return what differs between two plans: every layer of plan.gpkg, and plan.json."""
    found = []
    for name in gpd.list_layers(ours / "plan.gpkg")["name"]:
        if name != "layer_styles":
            one, other = (gpd.read_file(p / "plan.gpkg", layer=name) for p in (ours, theirs))
            if not one.equals(other):
                found.append(f"layer {name}")
    documents = [json.loads((p / "plan.json").read_text("utf-8")) for p in (ours, theirs)]
    for document in documents:
        del document["provenance"]["inputs"]  # the layers were written anew by the GIS
        # The GIS reads weather where it lies, outside the folder that it writes: told, and right.
        document["warnings"] = [w for w in document["warnings"] if "weather is read from" not in w]
    if documents[0] != documents[1]:
        found.append("plan.json")
    files = ("dryness.tif", "rank.tif", "sun-hours.tif", "sensors.gpx", "sensors.csv")
    found += [n for n in files if (ours / n).read_bytes() != (theirs / n).read_bytes()]
    return found


def main(runs: int) -> int:
    """Do what the module says; the exit code is the number of runs that went wrong."""
    from siting.cli.main import plugin_zip

    campus = ROOT / "data" / "campus"
    wrong = 0
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(scratch)
        (home / "siting_gis.zip").write_bytes(plugin_zip())
        python = library_python(home)
        subprocess.run(
            [python, "-m", "siting.cli", "plan", campus, "--out", home / "cli"],
            capture_output=True, check=True,
        )  # fmt: skip
        for number in range(1, runs + 1):
            begin = time.monotonic()
            desktop = Desktop(home / f"run{number}", home / "siting_gis.zip", python=str(python))
            print(desktop.enable().strip().splitlines()[-1])
            listed = desktop.process("list").stdout
            missing = [step for step in ALGORITHMS if f"siting:{step}" not in listed]
            out = home / f"out{number}"
            outputs, said = desktop.run(
                "plan", {**inputs_of(campus, "campus.gpkg"), "OUTPUT": str(out)}
            )
            differ = differences(out, home / "cli") if outputs else [said]
            wrong += bool(missing or differ)
            took = f"{outputs.get('COUNT')} sensors, {time.monotonic() - begin:.0f} s"
            print(f"run {number}: {took}, algorithms missing: {missing}, differs: {differ}")
    print(f"{runs - wrong} of {runs} runs as the command line")
    return wrong


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 5))
