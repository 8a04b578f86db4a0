"""How often each fault of a sensor is named, and how often a healthy one is accused.

    python tests/validation/commissioning.py [SEEDS] [FIRST]

prints the confusion table of simulated seasons (`tests/readings_simulator.py`): one row per true
state, one column per verdict, in per cent. The limits of the tests were set on seeds from 1000 on;
the table is made with the seeds from 0.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from siting.commission.health import sensor_health
from tests.readings_simulator import FAULTS, simulate


def confusion(seeds: range) -> pd.DataFrame:
    """Return verdicts by true state, in per cent of the seeds."""
    rows = {}
    for fault in FAULTS:
        counts: Counter[str] = Counter()
        for seed in seeds:
            truth = simulate(fault, seed)
            health = sensor_health(
                truth.content,
                expected=truth.expected,
                events=truth.events,
                weather=truth.weather,
                threshold=truth.threshold,
            )
            counts[health.verdict] += 1
        rows[fault] = {kind: 100 * n / len(seeds) for kind, n in counts.items()}
    table = pd.DataFrame.from_dict(rows, orient="index").fillna(0.0)
    rest = sorted(set(table.columns) - set(FAULTS))
    return table.reindex(columns=[*FAULTS, *rest], fill_value=0.0)


def main() -> None:
    """Print the table, and what it is held to."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    table = confusion(range(first, first + count))
    print(f"{count} seeds from {first}; rows: truth, columns: first finding [%]")
    print(table.round(1).to_string())
    named = min(table.loc[fault, fault] for fault in FAULTS if fault != "healthy")
    print(f"\nleast named: {named:.1f} % (held to 90)")
    print(f"healthy ones accused of anything: {100 - table.loc['healthy', 'healthy']:.1f} % (to 5)")


if __name__ == "__main__":
    main()
