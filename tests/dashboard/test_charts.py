"""Figures: frames in, a figure out; units on axes, intervals as whiskers, a legend, no markup from the data."""

import re

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from made_up import HEALTH, HOSTILE, ME, NOW, dives, fills

from dashboard import charts, charts_dives, charts_fleet, gas_left

OF_ME = dives(ME)
RESERVE = OF_ME["dive_reserve"]


def test_the_waterfall_goes_from_nominal_to_usable():
    fill = fills().iloc[1]
    bar = charts.shortfall_waterfall(fill).data[0]
    assert list(bar.y) == ["Nominal", "Stopped early", "Cooling", "Compressibility", "Usable"]
    assert bar.x[0] - sum(bar.x[1:4]) == pytest.approx(bar.x[4])
    assert bar.base[3] == pytest.approx(bar.x[4])  # the last step ends where usable begins


def test_whiskers_reach_from_the_middle_to_the_ends_of_the_interval():
    drawn = charts.whiskers(pd.Series([200.0, 5.0]), pd.Series([197.0, np.nan]), pd.Series([201.0, np.nan]))
    assert (list(drawn["array"]), list(drawn["arrayminus"])) == ([1.0, 0.0], [3.0, 0.0])


def test_a_reading_beyond_either_end_of_what_was_predicted_is_drawn_as_outside():
    read = [195.9, 196.0, 204.0, 204.1]
    check = pd.DataFrame({"fill_id": list("abcd"), "settled_fills_before": range(4), "measured_bar": read})
    check = check.assign(predicted_bar=200.0, predicted_low_bar=196.0, predicted_high_bar=204.0)
    drawn = {trace.name: list(trace.customdata) for trace in charts.predicted_against_settled(check).data}
    assert drawn == {"reading inside the interval": ["b", "c"], "reading outside it": ["a", "d"]}


def test_a_prediction_above_what_was_read_is_drawn_above_nothing():
    check = pd.DataFrame({"fill_id": ["a"], "settled_fills_before": [3], "measured_bar": [198.0]})
    check = check.assign(predicted_bar=200.0, predicted_low_bar=196.0, predicted_high_bar=207.0)
    inside = charts.predicted_against_settled(check).data[0]
    assert list(inside.y) == [2.0]
    assert (list(inside.error_y.array), list(inside.error_y.arrayminus)) == ([7.0], [4.0])


def test_of_many_leak_rates_the_largest_are_drawn():
    rates = HEALTH.head(3).assign(cylinder_id=list("abc"), leak_bar_per_day=[0.1, 1.4, 0.6], leak_flag=False)
    rates = rates.assign(leak_low_bar_per_day=0.0, leak_high_bar_per_day=2.0)
    drawn = charts_fleet.leak_rates(rates, 0.5, most=2)
    assert sorted(value for trace in drawn.data for value in trace.x if value is not None) == [0.6, 1.4]


def test_air_is_drawn_as_a_share_of_its_limit():
    bars = EVERY["air"]().data[0]
    assert 140.0 in [*bars.x, *bars.y]  # 7 of 5 ppm


def test_a_stop_above_target_adds_in_the_waterfall():
    fill = fills().iloc[1].copy()
    fill["stopped_early_free_l"] = -50.0
    bar = charts.shortfall_waterfall(fill).data[0]
    assert bar.text[1].startswith("+") and bar.x[1] == 50.0 and bar.base[1] == fill["nominal_free_l"]


def test_the_waterfall_of_an_unknown_fill_says_so():
    fill = fills().iloc[1].copy()
    fill["cooling_free_l"] = np.nan
    assert "Not known" in charts.shortfall_waterfall(fill).layout.annotations[0].text


def test_contents_have_whiskers_and_harmless_names():
    figure = charts.contents_of_fills(fills().head(3).assign(unit_id=HOSTILE), "Europe/Dublin")
    assert figure.data[0].error_x.array is not None and (np.array(figure.data[0].error_x.array) > 0).all()
    assert "<img" not in str(figure.to_dict()).replace("&lt;img", "")
    assert figure.layout.xaxis.title.text == "free litres"


def test_the_least_margin_is_marked_between_needed_and_left():
    row = RESERVE.iloc[0]
    profile = OF_ME["dive_profile"].query("dive_id == @row.dive_id")
    mark = next(t for t in charts_dives.dive_gas(profile, row).data if t.name == "least margin")
    assert mark.y[1] - mark.y[0] == pytest.approx(row["least_margin_free_l"])
    assert mark.x[0] == pytest.approx(row["least_margin_at_s"] / 60)


def test_the_gap_between_the_drawn_lines_is_the_margin():
    profile = OF_ME["dive_profile"].query("dive_id == @RESERVE.iloc[0].dive_id").sort_values("t_s")
    left, needed = charts_dives.dive_gas(profile, None).data[:2]
    assert np.array(left.y) - np.array(needed.y) == pytest.approx(profile["margin_free_l"].to_numpy())


def test_a_dive_that_was_not_judged_has_no_mark():
    figure = charts_dives.dive_gas(OF_ME["dive_profile"].head(80), None)
    assert "least margin" not in [t.name for t in figure.data]


def test_weight_left_with_the_gas_it_ended_with_is_what_holds_the_diver_down():
    """Whoever sinks by 2 kg at the end has 2 kg left; the same sign as at the unusable pressure."""
    kit = OF_ME["kit_balance"].assign(net_end_kg=-2.0)
    drawn = charts_dives.kit_margins(kit, OF_ME["dive_consumption"]["started_at"]).data
    (left,) = (trace for trace in drawn if "ended with" in trace.name)
    assert set(left.y) == {2.0}


def test_open_answers_are_never_drawn_as_above_policy():
    rows = RESERVE.assign(below_policy=pd.array([None] * len(RESERVE), dtype="boolean"))
    names = [t.name for t in charts_dives.margins(rows, OF_ME["dive_consumption"]["started_at"]).data]
    assert names == ["not assessed: no direct ascent"]


EVERY = {
    "season_rmv": lambda: charts_dives.season_rmv(OF_ME["dive_consumption"], OF_ME["consumption_trend"]),
    "dive_gas": lambda: charts_dives.dive_gas(OF_ME["dive_profile"].head(80), RESERVE.iloc[0]),
    "margins": lambda: charts_dives.margins(RESERVE, OF_ME["dive_consumption"]["started_at"]),
    "kit": lambda: charts_dives.kit_margins(OF_ME["kit_balance"], OF_ME["dive_consumption"]["started_at"]),
    "shares": lambda: charts_dives.cause_shares({"cooling": 0.7, "profile": 0.3}),
    "reliability": lambda: charts_dives.reliability(
        pd.DataFrame({"chance_from": [0.0], "chance_to": [0.2], "dives": [9], "share_below": [0.1]})
    ),
    "contents": lambda: charts.contents_of_fills(fills().head(5), "UTC"),
    "waterfall": lambda: charts.shortfall_waterfall(fills().iloc[0]),
    "check": lambda: charts.predicted_against_settled(
        pd.DataFrame(
            {
                "fill_id": ["a", "b"],
                "settled_fills_before": [0, 1],
                "predicted_bar": [200.0, 200],
                "predicted_low_bar": [196.0, 196],
                "predicted_high_bar": [204.0, 204],
                "measured_bar": [201.0, 210],
            }
        )
    ),
    "gauges": lambda: charts.gauge_offsets(
        pd.DataFrame(
            {
                "gauge_id": ["g"],
                "month_on": [pd.Timestamp("2031-05-01")],
                "offset_bar": [1.0],
                "offset_low_bar": [0.0],
                "offset_high_bar": [2.0],
                "drifting": [True],
            }
        )
    ),
    "shorts": lambda: charts.short_shares(pd.DataFrame({"name": ["a"], "fills": [3], "short": [1]}), "source"),
    "blends": lambda: charts.analysed_against_expected(
        fills().assign(mix_verdict=["in_tolerance", "out_of_tolerance"] * 12), 1.0
    ),
    "leaks": lambda: charts_fleet.leak_rates(HEALTH.assign(leak_low_bar_per_day=0.1, leak_high_bar_per_day=2.0), 0.5),
    "life": lambda: charts_fleet.life(
        pd.DataFrame(
            {
                "at": [NOW, NOW],
                "event": ["filled", "inspected_visual"],
                "value": [200.0, np.nan],
                "code": [None, "pass"],
            }
        )
    ),
    "cover": lambda: charts_fleet.booking_cover(
        pd.DataFrame(
            {
                "starts_on": [pd.Timestamp("2031-05-01")],
                "ends_on": [pd.Timestamp("2031-05-02")],
                "needed": [3],
                "available": [2],
            }
        )
    ),
    "air": lambda: charts_fleet.air_against_limits(
        pd.DataFrame({"quantity": ["co_ppm"], "value": [7.0], "limit": [5.0], "verdict": ["fail"]})
    ),
}


@pytest.mark.parametrize("name", EVERY)
def test_a_figure_states_units_and_uses_no_shoulder_or_band_colours(name):
    figure = EVERY[name]()
    assert isinstance(figure, go.Figure)
    text = str(figure.to_plotly_json()).lower()
    for named in ("'green'", "'yellow'", "'red'", "#ff0000", "#00ff00", "#ffff00"):
        assert named not in text
    made, dark = (
        set(re.findall(r"#[0-9a-f]{6}", str(f.update_layout(template="none"))))
        for f in (figure, charts.in_dark(figure))
    )
    assert made <= set(charts.IN_DARK) and dark == {charts.IN_DARK[colour] for colour in made}
    titles = [axis.title.text for axis in (*figure.select_xaxes(), *figure.select_yaxes()) if axis.title.text]
    assert titles


def test_gas_below_nothing_is_neither_drawn_nor_given_as_a_figure():
    lost = RESERVE.copy()
    lost.loc[2, ["surfaced_bar", "surfaced_free_l", "least_margin_free_l"]] = [-20.0, -400.0, -1500.0]
    assert gas_left.cannot_be(lost).tolist() == [i == 2 for i in range(len(lost))]
    drawn = charts_dives.margins(lost, pd.Series([NOW] * len(lost)))
    assert min(min(trace.y) for trace in drawn.data) > -1500.0
    profile = OF_ME["dive_profile"]
    profile = profile[profile["dive_id"] == lost.loc[2, "dive_id"]]
    profile = profile.assign(usable_free_l=profile["usable_free_l"] - profile["usable_free_l"].median())
    figure = charts_dives.dive_gas(profile, lost.loc[2])
    below = (profile["usable_free_l"] < gas_left.NOTHING_LEFT_FREE_L).to_numpy()
    assert below.any() and (np.isnan(figure.data[0].y) == below).all()
    assert "least margin" not in [trace.name for trace in figure.data]
    assert gas_left.number(-600.0) == "not known" and gas_left.number(0.0) != "not known"
    assert not gas_left.cannot_have_been(RESERVE.loc[2])
    # required 900 L: with a margin of -300 there were 600 left at the least, with one of -950 less than nothing
    marked = RESERVE.loc[2].copy()
    marked[["required_free_l_there", "surfaced_free_l"]] = [900.0, 500.0]
    for margin, cannot in ((-300.0, False), (-950.0, True), (1500.0, False)):
        marked["least_margin_free_l"] = margin
        assert gas_left.cannot_have_been(marked) is cannot, margin
