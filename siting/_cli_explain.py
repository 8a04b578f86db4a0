"""Explaining a plan on the command line, and completion for shells."""

from __future__ import annotations

import textwrap
from pathlib import Path

import click

from siting._cli_shared import columns, echo_json, json_option, say

__all__ = ["register"]

_WIDTH = 96


def register(main: click.Group) -> None:
    """Add the commands."""
    main.add_command(_explain)
    main.add_command(_completion)


@click.command("explain")
@click.argument("plan", type=click.Path(path_type=Path))
@click.argument("sensor")
@json_option
def _explain(plan: Path, sensor: str, as_json: bool) -> None:
    """Explain SENSOR of PLAN (plan.json or its folder): why here, why this depth, what gave way.

    \b
    Examples
      siting explain plan S1
      siting explain plan/plan.json S2 --json
    """
    from siting.handoff.explain import explain_sensor, read_plan

    document = read_plan(plan)
    topics = explain_sensor(document, sensor)
    if as_json:
        listed = [{"question": t.question, "words": t.words, "numbers": t.numbers} for t in topics]
        echo_json({"ok": True, "sensor_id": sensor.strip().upper(), "topics": listed})
        return
    click.echo(f"{sensor.strip().upper()} of {document['property']['name']}")
    for topic in topics:
        click.echo(f"\n{topic.question}")
        for sentence in topic.words:
            lines = textwrap.fill(
                sentence, columns() or _WIDTH, initial_indent="  ", subsequent_indent="    ",
                break_long_words=False,
            )  # fmt: skip
            click.echo(lines)
    if document.get("cautions"):
        click.echo()
        say(str(document["cautions"][0]), indent=0, width=_WIDTH)


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def _completion(ctx: click.Context, shell: str) -> None:
    """Print the completion of commands and options for SHELL, to be read at its start.

    \b
    Examples
      siting completion bash >> ~/.bashrc
      siting completion zsh >> ~/.zshrc
      siting completion fish > ~/.config/fish/completions/siting.fish
    """
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    if kind is not None:  # always, for the shells above
        program = ctx.find_root().command
        click.echo(kind(program, {}, "siting", "_SITING_COMPLETE").source())
