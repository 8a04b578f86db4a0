"""What if, and what then: changed values, plans side by side, a plan run again."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import Any

import click

from siting._cli_shared import columns, progress, threads_option

__all__ = ["parsed", "register"]


def register(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(_compare)
    main.add_command(_verify)


def parsed(changes: tuple[str, ...]) -> dict[str, Any]:
    """Read KEY=VALUE pairs; a value is TOML, or plain text where it is not.

    Result: dotted key -> value.
    """
    found: dict[str, Any] = {}
    for change in changes:
        key, equals, text = change.partition("=")
        if not equals or not key.strip():
            msg = f'"{change}" is not KEY=VALUE, as in water.price=3.10'
            raise click.BadParameter(msg, param_hint="--set")
        try:
            value = tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            value = text.strip()
        found[key.strip()] = value
    return found


@click.command("compare")
@click.argument(
    "plans", metavar="PLAN...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
def _compare(plans: tuple[Path, ...]) -> None:
    """Print the choices of plans side by side; PLAN is a plan.json or a folder that holds one."""
    from rich.console import Console

    from siting.handoff.compare import compare_table, read_plans

    table = compare_table(read_plans(plans))
    Console(width=columns() or 60 + 30 * len(plans)).print(table)


@click.command("verify")
@click.argument("folder", metavar="PLAN", type=click.Path(path_type=Path))
@click.argument(
    "property_file", metavar="[PROPERTY]", required=False, type=click.Path(path_type=Path)
)
@threads_option
def _verify(folder: Path, property_file: Path | None, threads: int) -> None:
    """Run PLAN (a folder of results) again and compare every file; exit code 1 where one differs.

    PROPERTY is only needed where the property file does not lie near the results.
    """
    from siting.demo import DEMOS, demo_property
    from siting.handoff.verify import verify_results

    with progress() as report:
        found = verify_results(
            folder,
            property_file,
            nearby=[demo_property(name) for name in DEMOS],
            threads=threads,
            progress=report,
        )
    for title, lines in (
        ("input changed", found.inputs),
        ("version changed", found.versions),
        ("differs", found.different),
        ("value", found.values),
        ("added, not looked at", found.added),
    ):
        for line in lines:
            click.echo(f"{title}: {line}")
    total = len(found.same) + len(found.different)
    click.echo(f"{len(found.same)} of {total} files are byte for byte the same.")
    if not found.holds:
        sys.exit(1)
