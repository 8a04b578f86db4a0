"""Words that properties and tables hold as data, as people say them.

A word of the property file, a kind of control, an input whose effect is shown: data pass through
tables that forget how a text was made, so they are looked up here when they are shown.
"""

from __future__ import annotations

import re
from typing import Final

from siting.language import say, say_count, side_by_side

_SAID: Final = (
    # plants, soils and heads of the property file
    say("cool season turf"), say("warm season turf"), say("groundcover"), say("shrubs"),
    say("trees"), say("perennials"), say("annuals"), say("vegetables"), say("desert plants"),
    say("mixed"),
    say("sand"), say("loamy sand"), say("sandy loam"), say("loam"), say("silt loam"), say("silt"),
    say("sandy clay loam"), say("clay loam"), say("silty clay loam"), say("sandy clay"),
    say("silty clay"), say("clay"),
    say("spray"), say("rotor"), say("rotary nozzle"), say("impact"), say("bubbler"), say("drip"),
    # fixtures
    say("controller"), say("valve box"), say("head"), say("downspout"), say("backflow"),
    say("meter"), say("hydrant"), say("light"), say("stake"),
    # what was assumed of a zone
    say("root depth"), say("plant factor"), say("precipitation rate"),
    say("distribution uniformity"), say("soil"), say("irrigation"), say("slope"), say("flat"),
    say("full sun"), say("part sun"), say("part shade"), say("shade"),
    # what a cell of the readings sheet takes
    say("left"), say("right"), say("device"), say("in"), say("ft"), say("in/h"),
    # kinds of control beside the plan, and plain rules
    say("timer as it runs today"), say("timer, its minutes set right"), say("rain shut-off"),
    say("bypass, one sensor on each controller's common wire"),
    say("bypass, a sensor per zone or group"), say("on-demand"), say("bypass"),
    say("on-demand and bypass"), say("bypass and on-demand"),
    say("the plain way"), say("one in the driest zone"), say("one per plant type"),
    say("one in every zone"),
    # what moves the result, and what is measured
    say("today's minutes"), say("price of water"), say("application rate"), say("evenness"),
    say("devices and installation"), say("sensor error"), say("available water"),
    say("net saving a year"), say("water a season"),
)  # fmt: skip
_WORDS: Final[dict[str, str]] = {word: word for word in _SAID}
_SENSORS: Final = re.compile(r"(\d+) sensors?")


def vocabulary(word: object) -> str:
    """Return a word of the vocabulary as people say it; what is none of it stays, without dashes.

    >>> vocabulary("warm_season_turf"), vocabulary("3 sensors"), vocabulary("peak_use")
    ('warm season turf', '3 sensors', 'peak use')
    """
    text = str(word).replace("_", " ")
    if counted := _SENSORS.fullmatch(text):
        return say_count("{count} sensor", "{count} sensors", int(counted[1]))
    return _WORDS.get(text, text)


def assumed_words(listed: str) -> str:
    """Return what was assumed of a zone as people say it.

    >>> assumed_words("root_depth, slope flat")
    'root depth, slope flat'
    """
    parts = (entry.partition(" ") for entry in listed.split(", "))
    told = [side_by_side([vocabulary(what), vocabulary(how)]) for what, _, how in parts]
    return side_by_side(told, ", ")
