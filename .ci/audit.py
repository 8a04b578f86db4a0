"""Audit the installed packages, write a bill of materials, and fail when nothing was looked at.

`python .ci/audit.py [--sbom FILE]`: pip-audit ends well even when it skipped every package; this
reads its report and fails when a package has a known fault (1), or when the audit could not look:
no answer, or too many packages skipped (2). Offline it therefore always fails with 2.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from importlib import metadata
from pathlib import Path

#: Our own package is in no index; a few others may be, too.
OURS = {"siting"}
MAY_SKIP = 0.05
SECONDS = 300
#: Libraries that bring a GDAL of their own; fewer parts than this are no whole bill.
GDALS = ("pyogrio", "rasterio")
FEWEST = 30


def main() -> int:
    """Run the audit and say what was looked at."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sbom", type=Path, help="where to write the bill of materials")
    told = parser.parse_args()
    if told.sbom:
        whole = bill()
        parts = whole["components"]
        told.sbom.write_text(json.dumps(whole, indent=1, sort_keys=True) + "\n", encoding="utf-8")
        gdals = [f"{part['name']} {part['version']}" for part in parts if "gdal (" in part["name"]]
        print(f"bill of materials: {told.sbom.name}, {len(parts)} parts, {', '.join(gdals)}")
        if len(gdals) != len(GDALS) or len(parts) < FEWEST:
            print("the bill of materials is not whole", file=sys.stderr)
            return 1
    report = audit()
    if report is None:
        return 2
    rows = [row for row in report if row["name"].lower() not in OURS]
    skipped = sorted(row["name"] for row in rows if "skip_reason" in row)
    faulty = [(r["name"], r["version"], v["id"]) for r in rows for v in r.get("vulns", ())]
    print(f"{len(rows) - len(skipped)} of {len(rows)} packages looked at, {len(faulty)} faults")
    for name, version, known in faulty:
        print(f"  {name} {version}: {known}")
    if not rows or len(skipped) > MAY_SKIP * len(rows):
        print(f"the audit could not look: skipped {', '.join(skipped[:10])} ...", file=sys.stderr)
        return 2
    return int(bool(faulty))


def audit() -> list[dict] | None:
    """Return pip-audit's rows, or None when it gave no answer."""
    command = [sys.executable, "-m", "pip_audit", "--format", "json", "--progress-spinner", "off"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS, check=False)
        return list(json.loads(done.stdout)["dependencies"])
    except (subprocess.TimeoutExpired, json.JSONDecodeError, KeyError) as error:
        said = error.__class__.__name__
        said += ": " + (done.stderr.strip().splitlines() or [""])[-1] if "done" in locals() else ""
        print(f"the audit could not look: {said}", file=sys.stderr)
        return None


def bill() -> dict:
    """Return the installed packages as a CycloneDX 1.5 bill of materials, with each GDAL."""
    parts = [
        {
            "type": "library",
            "name": dist.metadata["Name"],
            "version": dist.version,
            "purl": f"pkg:pypi/{dist.metadata['Name'].lower().replace('_', '-')}@{dist.version}",
            "licenses": [{"license": {"name": _license(dist)}}],
        }
        for dist in metadata.distributions()
        if dist.metadata["Name"]
    ]
    parts += [
        {"type": "library", "name": f"gdal (in {name})", "version": version}
        for name, version in _gdals()
    ]
    unique = {(p["name"].lower(), p["version"]): p for p in parts}
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "components": [unique[key] for key in sorted(unique)],
    }


def _license(dist: metadata.Distribution) -> str:
    said = dist.metadata["License-Expression"] or dist.metadata["License"] or "not stated"
    return said.splitlines()[0][:80]


def _gdals() -> list[tuple[str, str]]:
    import pyogrio
    import rasterio

    return [
        ("pyogrio", ".".join(str(n) for n in pyogrio.__gdal_version__)),
        ("rasterio", str(rasterio.__gdal_version__)),
    ]


if __name__ == "__main__":
    sys.exit(main())
