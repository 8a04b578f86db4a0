"""Tables of the decision for the synthetic plan; every number invented."""

from __future__ import annotations

import math

import pandas as pd


def decision_tables(names: dict[str, str]) -> dict:
    """Controls, regret, timer table, sensitivity and how exact the choice is."""
    count = 4
    timer = {
        "valve": ["1", "2", "3", "4"],
        "controller": [names["controller"]] * count,
        "program": ["S1", "S1", "S2", "S2"],
        "control": ["bypass", "bypass", "on_demand", "on_demand"],
        "days": ["Mon, Thu"] * 2 + ["every day"] * 2,
        "run_minutes": [27.0, 22.0, 25.0, 11.0],
        "depth_mm": [5.4, 4.4, 8.3, 7.0],
        "cycles": [2, 2, 1, 3],
        "cycle_minutes": [13.5, 11.0, 25.0, 3.7],
        "soak_minutes": [30.0, 45.0, 0.0, 30.0],
    }
    for month in range(1, 13):
        share = 0.0 if month in (1, 2, 12) else 100.0 - 5 * abs(month - 7)
        timer[f"percent_{month}"] = [share] * count
        timer[f"run_minutes_{month}"] = [
            float(math.ceil(m * share / 100)) for m in timer["run_minutes"]
        ]
    timer |= {"water_m3": [150.0, 80.0, 111.0, 7.9], "stress_days": [1.5, 0.5, 0.0, 0.0]}
    return {
        "controls": pd.DataFrame(
            {
                "sensors": [0, 2],
                "hardware": ["none", "replacement"],
                "water_m3": [1155.0, 355.0],
                "cost_per_year": [2425.5, 842.0],
                "stress_days": [0.0, 1.5],
                "within_limit": [True, True],
                "chosen": [False, True],
            },
            index=pd.Index(["timer as it runs today", "on-demand"], name="kind"),
        ),
        "regret": pd.DataFrame(
            {
                "cost_per_year": [842.0, 866.0],
                "regret_mean": [0.0, 24.0],
                "regret_max": [0.0, 31.0],
                "worst_scenario": [0, 1],
                "by_scenario": [(0.0, 0.0), (17.0, 31.0)],
            },
            index=pd.Index(["2 sensors", "3 sensors"], name="option"),
        ),
        "timer_table": pd.DataFrame(timer, index=pd.Index([names[k] for k in "ABCD"], name="zone")),
        "measuring": pd.DataFrame(
            [
                ["can_test", "Back lawn", 60.0, 0.2, 0.7, 31.5, 56.85, 0.5, 0.75, "place", True],
                ["drone_flight", "", 0.0, 0.0, 0.5, 222.5, -22.25, 0.5, 0.5, "", False],
            ],
            columns=[
                "measure",
                "zone",
                "worth_per_year",
                "days_kept_off",
                "hours",
                "cost",
                "gain_per_year",
                "p_now",
                "p_then",
                "changes",
                "recommended",
            ],
        ),
        "sensitivity": pd.DataFrame(
            {
                "low": ["-16 %", "0 d"],
                "high": ["+16 %", "10 d"],
                "value_low": [1900.0, math.nan],
                "value_high": [1410.0, 1700.0],
                "value_base": [1660.0, 1660.0],
                "payback_low": [0.55, math.nan],
                "payback_high": [0.74, 0.61],
                "stress_low": [0.5, math.nan],
                "stress_high": [4.0, 9.5],
                "swing": [490.0, 40.0],
                "measure": ["net saving a year"] * 2,
                "unit": ["USD"] * 2,
            },
            index=pd.Index(["plant factor", "stress limit"], name="input"),
        ),
        "decision": {
            "gap": 0.0,
            "lower_bound": 836.0,
            "bound_share": 0.0071,
            "trench_rounds": 1,
            "scenarios": 2,
            "sheet_scenarios": 16,
            "weather_years": 3,
            "tie_numbers": [3],
            "tie_homes": {names["A"]: [names["B"]], names["C"]: []},
            "next_worth": -24.0,
            "next_pays": 0.0,
            "waiting_worth": 0.0,
            "exactness": "Proven the best for the price of each sensor by itself.",
            "hardware": {names["controller"]: "replacement"},
        },
    }
