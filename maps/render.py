"""Render the demo properties into this folder: `python maps/render.py`, from anywhere.

Writes a folder for each with everything that `siting plan` writes (not kept in the repository),
README.md with the answer of each, and, where Chromium and pdftoppm are on the machine, the pictures
of map and crew sheet that the README shows (kept: small pictures alone).
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from siting.handoff.bundle import write_bundle
from siting.planning.make import plan_property
from siting.site.template import DEMOS, demo_property

HERE = Path(__file__).parent
#: Properties of which phone and crew sheet are pictured too.
WHOLE = ("campus", "yard")
CHROMIUM = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--virtual-time-budget=4000",
)  # fmt: skip


def main() -> None:
    """Plan, write and picture every demo."""
    parts = ["# Gallery", "Invented properties; `python maps/render.py` writes all of this."]
    for name in DEMOS:
        folder = HERE / name
        plan = plan_property(demo_property(name))
        shutil.rmtree(folder, ignore_errors=True)  # results replace no file that they do not list
        write_bundle(plan, folder)
        picture_map(folder / "map.html", HERE / f"{name}-map.png", "1280,860")
        if name in WHOLE:
            picture_map(folder / "map.html", HERE / f"{name}-phone.png", "390,844")
            leaf = 1 if len(plan.sensors) == 1 else 2  # one sensor has no cover before it
            picture_sheet(folder / "crew.pdf", HERE / f"{name}-sheet.png", page=leaf)
        picture = f"![Map of {plan.site.name}]({name}-map.png)"
        parts.append(f"## {plan.site.name}: {DEMOS[name]}\n\n{picture}\n\n{plan.answer}")
        sys.stdout.write(f"{folder}\n")
    (HERE / "README.md").write_text("\n\n".join(parts) + "\n", encoding="utf-8")


def picture_map(page: Path, picture: Path, size: str) -> None:
    """Take a picture of a map in headless Chromium, without a network."""
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.stdout.write("no chromium here: map pictures left as they are\n")
        return
    with tempfile.TemporaryDirectory() as profile:
        command = [
            chromium, *CHROMIUM, f"--user-data-dir={profile}", f"--window-size={size}",
            f"--screenshot={picture}", page.resolve().as_uri(),
        ]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True, timeout=120)  # noqa: S603


def picture_sheet(pdf: Path, picture: Path, *, page: int) -> None:
    """Take a picture of one page of a crew sheet."""
    pdftoppm = shutil.which("pdftoppm")
    if pdftoppm is None:
        sys.stdout.write("no pdftoppm here: sheet pictures left as they are\n")
        return
    stem = picture.with_suffix("")
    command = [
        pdftoppm, "-png", "-r", "80", "-f", str(page), "-l", str(page), "-singlefile", str(pdf),
        str(stem),
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=120)  # noqa: S603


if __name__ == "__main__":
    main()
