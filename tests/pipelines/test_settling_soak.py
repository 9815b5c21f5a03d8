"""Are the settled pressures right, and do the 80 % intervals hold, on simulated stations nobody tuned to?

`fill_station_sim` has physics of its own. A few stations run always; with COLDFILL_SOAK=full thirty do, which is
what coverage is promised for: a gauge's constant offset makes one young station all right or all wrong.
"""

import os
import time

import numpy as np
import pandas as pd
import pytest
from fill_frames import inputs
from fill_station_sim import simulate

from pipelines.derive.fills.step import build_fills
from pipelines.derive.units import build_units
from schemas.policy import Policy

FULL = os.environ.get("COLDFILL_SOAK") == "full"
TODAY = pd.Timestamp("2031-12-31")
SETTLED = ["settled_pressure_bar", "settled_c", "settled_at"]


def build(fills, station):
    rows = {"fills": fills, "cylinders": station.cylinders, "gauges": station.gauges, "sources": station.sources}
    given = inputs(**{k: v.to_dict("records") for k, v in rows.items()})
    return build_fills(given, build_units(given, TODAY)["units"], Policy(), TODAY)


@pytest.fixture(scope="module")
def stations():
    count, fills, steps = (30, 650, 400) if FULL else (4, 150, 100)
    return [simulate(500 + i, fills, settled_share=1.0, steps=steps, name=f"s{i}") for i in range(count)]


def graded(station, known, graded_fills):
    """Settled pressures of the fills after the first `known`, which are settled; none of the graded is."""
    last = known + graded_fills
    fills = station.fills.iloc[:last].copy()
    hidden = np.arange(len(fills)) >= known
    fills.loc[hidden, SETTLED] = [np.nan, np.nan, pd.NaT]
    rows = build(fills, station)["fill_quality"].set_index("fill_id").loc[station.fills["fill_id"].iloc[known:last]]
    truth = station.true_bar_15c[known:last]
    inside = (rows["settled_low_bar_15c"] <= truth) & (truth <= rows["settled_high_bar_15c"])
    return (rows["settled_pressure_bar_15c"] - truth).abs().to_numpy(), inside.to_numpy()


LEVELS = (
    [(0, 4.0, (0.6, 0.98)), (50, 1.5, (0.68, 0.93))]
    if not FULL
    else [
        (0, 3.6, (0.74, 0.92)),
        (1, 2.5, (0.74, 0.94)),
        (5, 1.8, (0.74, 0.93)),
        (50, 1.5, (0.74, 0.87)),
        (400, 1.1, (0.74, 0.87)),
    ]
)


@pytest.mark.soak
@pytest.mark.parametrize("known, median_bar, coverage", LEVELS)
def test_predictions_come_near_and_intervals_hold(stations, known, median_bar, coverage):
    """The goals: median error at most 3 bar before any settled fill, 1.5 once 50 are known, 1.1 once 400 are; 80 %
    intervals hold 74 to 87 %. Before any reading the outcome hangs on the gauges drawn: 30 stations leave ± 0.6 bar."""
    error, inside = (np.concatenate(x) for x in zip(*(graded(s, known, 120) for s in stations), strict=True))
    print(
        f"\n{known} known: median {np.median(error):.2f}, 90 % {np.quantile(error, 0.9):.2f} bar, "
        f"coverage {inside.mean():.3f}"
    )
    assert np.median(error) <= median_bar
    assert coverage[0] <= inside.mean() <= coverage[1]


@pytest.mark.soak
def test_a_settled_reading_leaves_half_a_bar(stations):
    station_errors, inside = [], []
    for s in stations[:10]:
        rows = build(s.fills.iloc[:60], s)["fill_quality"].set_index("fill_id").loc[s.fills["fill_id"].iloc[:60]]
        at_rest = (rows["gas_c_basis"] == "settled").to_numpy()
        truth = s.true_bar_15c[:60]
        station_errors.append((rows["settled_pressure_bar_15c"] - truth).abs().to_numpy()[at_rest])
        inside.append(
            ((rows["settled_low_bar_15c"] <= truth) & (truth <= rows["settled_high_bar_15c"])).to_numpy()[at_rest]
        )
    error = np.concatenate(station_errors)
    print(
        f"\nsettled: median {np.median(error):.2f}, 90 % {np.quantile(error, 0.9):.2f} bar, "
        f"coverage {np.concatenate(inside).mean():.3f}"
    )
    assert np.median(error) <= 0.5


@pytest.mark.soak
def test_predictions_made_before_the_reading_are_as_good_as_they_say(stations):
    check = pd.concat([build(s.fills, s)["settling_check"] for s in stations])
    off = (check["predicted_bar"] - check["measured_bar"]).abs()
    inside = check["measured_bar"].between(check["predicted_low_bar"], check["predicted_high_bar"])
    old = (check["settled_fills_before"] >= 50).to_numpy()
    print(f"\npredicted after 50: median {off[old].median():.2f} bar, coverage {inside[old].mean():.3f} of {old.sum()}")
    assert off[old].median() <= 1.5
    assert (0.74 if FULL else 0.68) <= inside[old].mean() <= (0.88 if FULL else 0.93)


@pytest.mark.soak
@pytest.mark.parametrize("drift, drifts", [(0.0, False), (1.0, True), (-0.8, True)])
def test_a_drifting_gauge_is_found_and_a_steady_one_left_alone(drift, drifts):
    found = []
    for seed in range(12 if FULL else 1):
        s = simulate(900 + seed, 260 if FULL else 200, settled_share=0.6, drift=drift, steps=100)
        found.append(bool(build(s.fills, s)["gauge_check"]["drifting"].iloc[-1]))
    print(f"\ndrift {drift} bar a month over 6 months: {sum(found)} of {len(found)} said to drift")
    assert (np.mean(found) >= 0.7) if drifts else (np.mean(found) <= 0.1)


@pytest.mark.soak
@pytest.mark.skipif(not FULL, reason="a hundred thousand fills: with COLDFILL_SOAK=full")
def test_a_hundred_thousand_fills_are_judged():
    s = simulate(1, 1000, settled_share=0.3, steps=100)
    pick = np.sort(np.random.default_rng(0).integers(0, 1000, 100_000))
    fills = s.fills.iloc[pick].reset_index(drop=True)
    fills["fill_id"] = [f"f{i}" for i in range(len(fills))]
    shift = pd.to_timedelta(np.arange(len(fills)) * 20, unit="s")
    fills["filled_at"] += shift
    fills["settled_at"] += shift
    rows = {"fills": fills, "cylinders": s.cylinders, "gauges": s.gauges, "sources": s.sources}
    given = inputs(**{k: v.to_dict("records") for k, v in rows.items()})
    units = build_units(given, TODAY)["units"]
    begun = time.perf_counter()
    made = build_fills(given, units, Policy(), TODAY)
    seconds = time.perf_counter() - begun
    print(f"\n{len(fills)} fills in {seconds:.1f} s")
    assert len(made["fill_quality"]) == 100_000
