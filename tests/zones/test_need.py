"""What makes a zone thirsty: shares that add up, whatever the order."""

from __future__ import annotations

import math
import re
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.site.handbook import PLANT_KINDS, SOIL_CLASSES
from siting.zones.need import CAUSES, EASY_ZONE, exposure_words, need_shares, thirst, whole_percents
from tests.demo_plans import demo_plan
from tests.some import some
from tests.tries import tries

OPEN = 6.0


def zone(**values):
    row = {
        "eto": 5.4, "plant_factor": 0.8, "depletion_fraction": 0.4, "available_water": 0.12,
        "intake_rate": 10.16, "accumulation": 8.382, "root_depth_m": 0.3, "standing": 1.0,
        "uniformity": 0.6, "precipitation_rate": 43.18,
    } | values  # fmt: skip
    return pd.DataFrame([row], index=["1"])


def easy():
    values = {name: EASY_ZONE[name] for name in zone().columns if name != "eto"}
    return zone(**values, eto=EASY_ZONE["kmc"] * OPEN)


def plain(row):
    r = row.iloc[0]
    return float(
        thirst(
            r["eto"], plant_factor=r["plant_factor"], depletion_fraction=r["depletion_fraction"],
            store=(r["available_water"], r["root_depth_m"]),
            surface=(r["intake_rate"], r["accumulation"] * r["standing"]),
            uniformity=r["uniformity"], precipitation_rate=r["precipitation_rate"],
        )
    )  # fmt: skip


def shares_of(own):
    return pd.DataFrame(need_shares(own, open_eto=[OPEN])).iloc[0]


BRINGS = {
    "sun": ["eto"], "plants": ["plant_factor", "depletion_fraction"],
    "soil": ["available_water", "intake_rate", "accumulation"], "roots": ["root_depth_m"],
    "slope": ["standing"], "application": ["uniformity", "precipitation_rate"],
}  # fmt: skip


def test_shares_are_the_mean_over_every_order():
    own = zone(standing=0.6)
    effect = dict.fromkeys(CAUSES, 0.0)
    orders = list(permutations(CAUSES))
    for order in orders:
        at = easy()
        for cause in order:
            before = math.log(plain(at))
            at[BRINGS[cause]] = own[BRINGS[cause]]
            effect[cause] += (math.log(plain(at)) - before) / len(orders)
    total = math.log(plain(own) / plain(easy()))
    found = shares_of(own)
    for cause in CAUSES:
        assert found[cause] == pytest.approx(effect[cause] / total, abs=1e-12)
    assert found["ratio"] == pytest.approx(plain(own) / plain(easy()))


@tries(40)
@given(
    eto=st.floats(0, 9), factor=st.floats(0.1, 1.2), p=st.floats(0.3, 0.5),
    water=st.floats(0.05, 0.2), roots=st.floats(0.05, 1.5), even=st.floats(0.3, 1),
    rate=st.floats(3, 80), standing=st.floats(0.4, 1),
)  # fmt: skip
def test_shares_add_up(eto, factor, p, water, roots, even, rate, standing):
    own = zone(
        eto=eto, plant_factor=factor, depletion_fraction=p, available_water=water,
        root_depth_m=roots, uniformity=even, precipitation_rate=rate, standing=standing,
    )  # fmt: skip
    before = own.copy()
    row = shares_of(own)
    pd.testing.assert_frame_equal(own, before)
    shares = row[list(CAUSES)].to_numpy(dtype=float)
    if row["ratio"] < 1.05:
        assert np.isnan(shares).all()
        return
    assert shares.sum() == pytest.approx(1.0, abs=1e-9)
    percents = whole_percents(dict(zip(CAUSES, shares, strict=True)))
    assert sum(percents.values()) == 100
    for cause, share in zip(CAUSES, shares, strict=True):
        assert abs(percents[cause] - 100 * share) < 1 + 1e-9


def test_a_cause_that_is_not_there_has_no_share():
    flat = shares_of(zone())
    assert flat["slope"] == 0.0
    # Where the rate is below the intake nothing runs off, and slope does not matter.
    slow = shares_of(zone(precipitation_rate=8.0, standing=0.5))
    assert slow["slope"] == pytest.approx(0.0, abs=0.02)
    steep = shares_of(zone(standing=0.5))
    assert steep["slope"] > 0.03


def test_more_of_a_cause_means_more_of_its_share():
    base = shares_of(zone())
    for cause, values in {
        "sun": {"eto": 6.0}, "plants": {"plant_factor": 1.0}, "soil": {"available_water": 0.06},
        "roots": {"root_depth_m": 0.1}, "application": {"uniformity": 0.4},
    }.items():  # fmt: skip
        assert shares_of(zone(**values))[cause] > base[cause]


def test_the_easy_zone_is_the_friendly_end_of_the_tables():
    soils = SOIL_CLASSES.values()
    water = [soil.field_capacity - soil.wilting_point for soil in soils]
    assert max(water) == pytest.approx(EASY_ZONE["available_water"])
    assert max(soil.intake_rate for soil in soils) == pytest.approx(EASY_ZONE["intake_rate"])
    assert max(soil.accumulation[0] for soil in soils) == pytest.approx(EASY_ZONE["accumulation"])
    kinds = PLANT_KINDS.values()
    assert min(kind.factor_arid for kind in kinds) == EASY_ZONE["plant_factor"]
    assert max(kind.root_depth_m for kind in kinds) == EASY_ZONE["root_depth_m"]
    assert max(kind.depletion_fraction for kind in kinds) == EASY_ZONE["depletion_fraction"]
    row = shares_of(easy())
    assert row["ratio"] == pytest.approx(1.0)
    assert row[list(CAUSES)].isna().all()


@pytest.mark.published('Penn State Extension, "Planting in Sun or Shade": full sun from 6 h')
@pytest.mark.parametrize(
    ("hours", "words"),
    [(12.4, "full sun"), (8.6, "full sun"), (6.0, "full sun"), (5.96, "full sun"),
     (5.9, "part sun"), (4.0, "part sun"), (3.9, "part shade"), (2.0, "part shade"),
     (1.9, "shade"), (0.0, "shade")],
)  # fmt: skip
def test_exposure_words_follow_the_published_hours(hours, words):
    assert exposure_words(hours) == words


def test_ground_that_nothing_shades_is_in_full_sun_on_short_days():
    assert exposure_words(4.5, beam_share=1.0) == "full sun"
    assert exposure_words(4.5, beam_share=0.9) == "part sun"


def test_words_and_hours_of_a_plan_agree(planned):
    least = {"full sun": 6.0, "part sun": 4.0, "part shade": 2.0, "shade": 0.0}
    most = {"full sun": 24.0, "part sun": 6.0, "part shade": 4.0, "shade": 2.0}
    told = [
        (said[1], row.sun_hours)
        for row in planned.zones.itertuples()
        if (said := re.search(r"sun \(([a-z ]+)\)", row.need_words))
    ]
    for words, hours in some(told):  # hours are told to a tenth
        assert least[words] - 0.05 <= hours <= most[words], (words, hours)


@pytest.fixture(scope="module")
def planned():
    return demo_plan("yard")
