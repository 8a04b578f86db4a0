"""Render the demo properties into this folder: `python maps/render.py`, from anywhere.

Writes campus/ and yard/ (everything that `siting plan` writes) and, where Chromium and pdftoppm are
on the machine, the pictures of map and crew sheet that the README shows.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from siting.demo import DEMOS, demo_property
from siting.handoff.bundle import write_bundle
from siting.planning import plan_property

HERE = Path(__file__).parent
CHROMIUM = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--virtual-time-budget=4000",
)  # fmt: skip


def main() -> None:
    """Plan, write and picture every demo."""
    for name in DEMOS:
        folder = HERE / name
        write_bundle(plan_property(demo_property(name)), folder)
        picture_map(folder / "map.html", HERE / f"{name}-map.png", "1280,860")
        picture_map(folder / "map.html", HERE / f"{name}-phone.png", "390,844")
        picture_sheet(folder / "crew.pdf", HERE / f"{name}-sheet.png", page=2)
        sys.stdout.write(f"{folder}\n")


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
