"""Long runs outside the suite.

`python -m tests.fuzz properties 10000` draws whole properties, every 50th of them planned;
`python -m tests.fuzz files 30` mutates property, weather and field files for 30 minutes.

A third number is the seed. `tests.fuzz.guided` mutates the same files by coverage.
"""

from __future__ import annotations

import collections
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from siting.site.settings import WEATHER_FORMATS
from tests.bad_inputs.base import Draft
from tests.fuzz.files import mutated, read_one, seeds
from tests.fuzz.runs import check_draft
from tests.fuzz.strategies import dirty_properties, sound_properties


def properties(count: int) -> int:
    """Draw whole properties, and report what happened."""
    seen: collections.Counter[str] = collections.Counter()
    crashes: collections.Counter[str] = collections.Counter()

    @seed(int(sys.argv[3]) if len(sys.argv) > 3 else 1)
    @settings(max_examples=count, deadline=None, database=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.one_of(dirty_properties(), dirty_properties(), sound_properties()))
    def run(draft: Draft) -> None:
        try:
            seen[check_draft(draft, planned=sum(seen.values()) % 50 == 49)] += 1
        except Exception:  # noqa: BLE001 - whatever it is, it is a crash
            crashes[traceback.format_exc()] += 1
        if sum(seen.values()) % 500 == 0:
            print(dict(seen), f"{sum(crashes.values())} crashes", flush=True)

    run()
    return _report(seen, crashes)


def mutations(minutes: float) -> int:
    """Mutate files until the time is over, and report what happened."""
    seen: collections.Counter[str] = collections.Counter()
    crashes: collections.Counter[str] = collections.Counter()
    dice, end = (
        random.Random(int(sys.argv[3]) if len(sys.argv) > 3 else 1),
        time.time() + 60 * minutes,
    )
    with tempfile.TemporaryDirectory(prefix="fuzz-") as scratch:
        folder = Path(scratch)
        sound = seeds(folder)
        kinds = sorted({kind for kind, _ in sound})
        while time.time() < end:
            wanted = dice.choice(kinds)
            data = dice.choice([data for kind, data in sound if kind == wanted])
            spoilt = mutated(data, dice)
            weather = dice.choice((None, wanted, dice.choice(WEATHER_FORMATS)))
            began = time.time()
            try:
                seen[f"{wanted} {read_one(wanted, spoilt, folder, weather)}"] += 1
            except Exception:  # noqa: BLE001 - whatever it is, it is a crash
                crashes[traceback.format_exc()] += 1
            if time.time() - began > 5:
                crashes[f"{wanted}: more than 5 s for {spoilt[:300]!r}"] += 1
    return _report(seen, crashes)


def _report(seen: collections.Counter[str], crashes: collections.Counter[str]) -> int:
    for word, count in sorted(seen.items()):
        print(f"{count:8,} {word}")
    for text, count in crashes.most_common():
        print(f"{count} times:\n{text}")
    print(f"{sum(seen.values()):,} inputs, {sum(crashes.values())} crashes")
    return bool(crashes)


if __name__ == "__main__":
    job, amount = sys.argv[1], float(sys.argv[2])
    sys.exit(properties(int(amount)) if job == "properties" else mutations(amount))
