"""The depth section: what the hole looks like from the side, at a true scale."""

from __future__ import annotations

import math
from typing import Final

from reportlab.lib.colors import HexColor

from siting.handoff._sheet_fonts import fit_text, width_of
from siting.handoff._sheet_frame import POINTS_PER_METRE, section_scale
from siting.handoff._sheet_pen import Canvas, draw_text
from siting.handoff._sheet_text import depth
from siting.palette import INK, MARKS
from siting.planning import Plan

__all__ = ["paint_section"]

_SOIL: Final = "#e9dcc6"
_GRAIN: Final = "#b79d76"
_SOD: Final = "#7f9d63"
_SENSOR_M: Final = (0.2, 0.012)  # a nominal sensor laid flat: length, thickness
_SOD_M: Final = 0.03


def paint_section(canvas: Canvas, plan: Plan, sensor_id: str, width: float, height: float) -> None:
    """Draw the soil surface, the sod where it is new, the sensor and its depth.

    width, height: of the drawing [pt].
    """
    sensor = plan.sensors.loc[sensor_id]
    depth_m = float(sensor["depth_m"])
    new_sod = bool(plan.site.hydrozones["new_sod"].get(sensor["zone"], default=False))
    scale = section_scale(depth_m + _SOD_M * new_sod, height - 60)
    to_paper = POINTS_PER_METRE / scale
    words = fit_text(f"Section 1:{scale} (side view)", 9, width, bold=True)
    draw_text(canvas, 0, height - 10, words, size=9, bold=True)
    thick = max(15.0, _SOD_M * to_paper) if new_sod else 0.0
    surface = height - (36.0 + thick if new_sod else 44.0)
    _soil(canvas, width, surface)
    if new_sod:
        _box(canvas, (0, surface, width, thick), _SOD)
    top = "new sod laid on the soil" if new_sod else "soil surface"
    draw_text(canvas, 2, surface + thick + 4, fit_text(top, 9, width - 4), size=9)
    level = surface - depth_m * to_paper
    _roots(canvas, plan, str(sensor["zone"]), (width, surface, to_paper, level))
    _sensor(canvas, width, level, to_paper)
    label = depth(depth_m, plan.settings.units)
    _dimension(canvas, 14.0, surface, level)
    _plate(canvas, 20, (surface + level) / 2 - 4, label)


def _box(canvas: Canvas, box: tuple[float, float, float, float], colour: str) -> None:
    canvas.saveState()
    canvas.setFillColor(HexColor(colour))
    canvas.rect(*box, stroke=0, fill=1)
    canvas.restoreState()


def _soil(canvas: Canvas, width: float, surface: float) -> None:
    """Fill the ground with a pattern of grains that reads in grey."""
    _box(canvas, (0, 0, width, surface), _SOIL)
    canvas.saveState()
    canvas.setFillColor(HexColor(_GRAIN))
    for row in range(int(surface // 9)):
        for column in range(int(width // 12)):
            x = 4 + column * 12 + (row % 2) * 6
            if x < width - 1:
                canvas.circle(x, surface - 6 - row * 9, 0.6, stroke=0, fill=1)
    canvas.setStrokeColor(HexColor(INK["text"]))
    canvas.setLineWidth(1.4)
    canvas.line(0, surface, width, surface)
    canvas.restoreState()


def _roots(canvas: Canvas, plan: Plan, zone: str, place: tuple[float, float, float, float]) -> None:
    """Mark the foot of the root zone, where it fits the drawing clear of the sensor."""
    width, surface, to_paper, level = place
    root_m = float(plan.zones["root_depth_m"].get(zone, default=math.nan))
    foot = surface - root_m * to_paper
    if not math.isfinite(foot) or foot < 3 or level - foot < 18:  # noqa: PLR2004 - paper points
        return
    canvas.saveState()
    canvas.setStrokeColor(HexColor(MARKS["crown_edge"]))
    canvas.setDash([4, 3])
    canvas.line(0, foot, width, foot)
    canvas.restoreState()
    words = f"roots to {depth(root_m, plan.settings.units)}"
    _plate(canvas, 4, foot + 3, words, bold=False)


def _sensor(canvas: Canvas, width: float, level: float, to_paper: float) -> None:
    """Draw the sensor lying flat, its top at the depth, with its lead."""
    long = min(_SENSOR_M[0] * to_paper, width * 0.4)
    thick = max(4.0, _SENSOR_M[1] * to_paper)
    left = width - long - 12
    _box(canvas, (left, level - thick / 2, long, thick), MARKS["sensor"])
    canvas.saveState()
    canvas.setStrokeColor(HexColor(MARKS["wire"]))
    canvas.setLineWidth(1.2)
    canvas.line(left + long, level, width, level)
    canvas.restoreState()


def _dimension(canvas: Canvas, x: float, top: float, foot: float) -> None:
    """Draw a dimension line with ticks, and the level of the sensor."""
    canvas.saveState()
    canvas.setStrokeColor(HexColor(INK["text"]))
    canvas.setLineWidth(0.9)
    canvas.line(x, top, x, foot)
    for y in (top, foot):
        canvas.line(x - 4, y - 3, x + 4, y + 3)
    canvas.setDash([2, 2])
    canvas.line(x, foot, x + 70, foot)
    canvas.restoreState()


def _plate(canvas: Canvas, x: float, y: float, text: str, *, bold: bool = True) -> None:
    """Write on a pale plate, so that grains do not run through the figures."""
    size = 12.0 if bold else 9.0
    words = fit_text(text, size, 120, bold=bold)
    _box(canvas, (x - 2, y - 3, width_of(words, size, bold=bold) + 4, size + 3), INK["card"])
    draw_text(canvas, x, y, words, size=size, bold=bold)
