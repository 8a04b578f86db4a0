"""The crew's sheets of a site with many zones: an index, and one file for each controller."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from reportlab.platypus import PageBreak, Spacer

from siting.handoff.facts import clean, is_crowded
from siting.handoff.layout import Sheet
from siting.handoff.owner import caution_pages, material_pages, timer_pages
from siting.handoff.sheets import (
    _leaves,
    _title,
    _write,
    overview_drawing,
    overview_height,
    sensor_list,
    sheet_of,
    write_crew,
)
from siting.language import say
from siting.planning.model import Plan


def write_crew_sheets(plan: Plan, path: Path | str) -> Path:
    """Write what a crew needs, complete by itself: where, how, the timer, materials, cautions.

    Of a crowded plan every controller has a file of its own beside it, named for it, with the
    leaves of its sensors; the first then is the index, with what concerns the whole.
    """
    if not is_crowded(plan):
        return write_crew(plan, path)
    sheet, subject = sheet_of(plan), say("crew sheets")
    for controller, name in controller_files(plan).items():
        story = partial(_controller_pages, controller)
        _write(plan, Path(path).with_name(name), story, subject, sheet)
    return _write(plan, path, _index, subject, sheet)


def controller_files(plan: Plan) -> dict[str, str]:
    """Return the name of each controller's file of crew sheets, those without sensors left out."""
    names = sorted(plan.sensors["controller"].fillna("").astype(str).unique())
    return {
        name: f"crew-{number:03d}-{re.sub('[^A-Za-z0-9]+', '-', name)[:24].strip('-')}.pdf"
        for number, name in enumerate(names, start=1)
    }


def _of_controller(plan: Plan, controller: str) -> list[str]:
    """Return the tags of a controller's sensors."""
    owner = plan.sensors["controller"].fillna("").astype(str)
    return [str(tag) for tag in plan.sensors.index[owner == controller]]


def _index(plan: Plan, sheet: Sheet, width: float, _: float) -> list[Any]:
    """Return the crew's index: the property, which file holds which sensors, what concerns all."""
    rows = [
        (clean(controller), file, ", ".join(_of_controller(plan, controller)))
        for controller, file in controller_files(plan).items()
    ]
    head = say("Controller"), say("File"), say("Sensors")
    return [
        *_title(plan, sheet),
        sheet.text(plan.wording(plan.settings.units).headline, "lead", longest=20_000),
        overview_drawing(plan, sheet.t, width, partial(overview_height, plan, width, t=sheet.t)),
        Spacer(1, 6),
        sheet.heading(say("Sheets by controller")),
        sheet.grid(head, rows, (1, 2, 4), width=width, words=(0, 1, 2)),
        PageBreak(),
        *material_pages(plan, sheet, width=width),
        *caution_pages(plan, sheet),
    ]


def _controller_pages(
    controller: str, plan: Plan, sheet: Sheet, width: float, height: float
) -> list[Any]:
    """Return one controller's pages: its sensors, their leaves, its timer, cautions."""
    tags = _of_controller(plan, controller)
    owner = plan.timer_table["controller"].fillna("").astype(str)
    mine = replace(
        plan, sensors=plan.sensors.loc[tags], timer_table=plan.timer_table[owner == controller]
    )
    return [
        sheet.heading(say("Controller {name}", name=clean(controller)), "title"),
        sensor_list(mine, sheet, width=width),
        *_leaves(plan, sheet, width, height, *tags),
        PageBreak(),
        *timer_pages(mine, sheet, width=width),
        *caution_pages(plan, sheet),
    ]
