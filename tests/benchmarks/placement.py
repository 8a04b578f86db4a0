"""Time of placing twelve sensors on the demo campus in twelve scenarios, once the sun is known.

python tests/benchmarks/placement.py
"""

from __future__ import annotations

import time
from dataclasses import replace

from siting.decide.places import all_hazards, place_zones
from siting.planning import make as planning
from siting.site.template import demo_property
from siting.zones.survey import survey_site


def main() -> None:
    """Print the time with one thread and with two."""
    settings, site, climate = planning.read_inputs(demo_property("campus"))
    known = survey_site(site, climate, settings, threads=2)
    hazards, _ = all_hazards(site, settings.setbacks)
    largest = list(site.hydrozones.geometry.area.nlargest(12).index)
    at = [known.ground.pixels.position(zone) for zone in largest]
    pixels = known.ground.pixels
    names = ("flat", "x", "y", "sample_flat", "sample_x", "sample_y")
    parts = {name: tuple(getattr(pixels, name)[i] for i in at) for name in names}
    ground = replace(
        known.ground,
        pixels=replace(pixels, zones=tuple(largest), **parts),
        samples=tuple(known.ground.samples[i] for i in at),
    )
    twelve = replace(site, hydrozones=site.hydrozones.loc[largest])
    for threads in (1, 2):
        began, worked = time.perf_counter(), time.process_time()
        place_zones(
            twelve,
            ground,
            hazards,
            application=known.application,
            units=settings.units,
            threads=threads,
        )
        wall, cpu = time.perf_counter() - began, time.process_time() - worked
        print(f"{len(at)} sensors, {known.scenarios.count} scenarios, {threads} threads: "
              f"{wall:.2f} s, {cpu:.2f} s of processor")  # fmt: skip


if __name__ == "__main__":
    main()
