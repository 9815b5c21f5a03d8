"""Mixes of fills: what residue and addition make, what was analysed, how deep it may go."""

import numpy as np
import pytest
from fill_frames import BEFORE, COMPRESSOR, FILL, NITROX, built, one

from pipelines.derive.fills.mix import _needed


@pytest.mark.parametrize(("residue_bar", "expected"), [(20.0, 22.12), (150.0, 29.2)])
def test_the_mix_expected_is_that_of_residue_and_addition(residue_bar, expected):
    """32.2 % at 20 °C, air to 232 bar at about 40 °C, by amounts of CoolProp's air; by pressures 21.9 and 28.2 %."""
    before = FILL | NITROX | {"fill_id": "f0", "filled_at": "2031-05-01T10:00:00Z"}
    rows = built(fills=[before, FILL | {"start_pressure_bar": residue_bar}])["fill_quality"].set_index("fill_id")
    assert rows.loc["f1", "expected_o2_pct"] == pytest.approx(expected, abs=0.3)
    assert "mix_not_analysed" in rows.loc["f1", "reasons"]  # the residue was not air


def test_rows_of_air_on_nitrox_are_followed_until_it_is_air_again():
    fills = [FILL | NITROX | {"fill_id": "f0", "filled_at": "2031-05-01T10:00:00Z"}]
    fills += [FILL | {"fill_id": f"f{i}", "filled_at": f"2031-05-{i + 1:02d}T10:00:00Z"} for i in range(1, 6)]
    rows = built(fills=fills)["fill_quality"].set_index("fill_id")
    o2 = rows["expected_o2_pct"].to_numpy()[1:]
    assert (np.diff(o2) < 0).all() and o2[0] > 22.5 and o2[-1] < 21.05
    assert "mix_not_analysed" in rows.loc["f1", "reasons"]
    assert "mix_not_analysed" not in rows.loc["f5", "reasons"]


def test_a_bank_of_mix_topped_on_residue_is_expected_too():
    bank = {"source_id": "b32", "kind": "bank", "o2_pct": 32.0}
    before = BEFORE | {"fill_id": "f0"}
    top = FILL | {"source_id": "b32", "fill_method": "banked_mix", "target_o2_pct": 30.0, "analysed_o2_pct": 29.4}
    row = built(fills=[before, top], sources=[COMPRESSOR, bank])["fill_quality"].set_index("fill_id").loc["f1"]
    assert 29.0 < row["expected_o2_pct"] < 30.5
    assert row["o2_error_pct"] == pytest.approx(-0.6)


@pytest.mark.parametrize("o2, mod, deco", [(32.0, 33.75, 40.0), (36.0, 28.89, 34.44), (50.0, 18.0, 22.0)])
def test_depths_of_a_mix_come_from_the_richest_analysis(o2, mod, deco):
    """(ppO₂/fO₂ − 1)·10 m: arithmetic."""
    row = one(target_o2_pct=o2, analysed_o2_pct=o2 - 0.5, second_analysed_o2_pct=o2, fill_method="continuous")
    assert row["max_operating_depth_m"] == pytest.approx(mod, abs=0.005)
    assert row["max_operating_depth_deco_m"] == pytest.approx(deco, abs=0.005)
    assert row["min_operating_depth_m"] == 0.0


def test_an_unanalysed_mix_has_no_depth_and_a_hypoxic_one_has_a_least_depth():
    assert np.isnan(one(**NITROX | {"analysed_o2_pct": None})["max_operating_depth_m"])
    lean = one(
        target_o2_pct=10.0,
        target_he_pct=70.0,
        analysed_o2_pct=10.0,
        analysed_he_pct=70.0,
        fill_method="partial_pressure",
    )
    assert lean["min_operating_depth_m"] == pytest.approx(8.0)


def test_helium_counts_for_the_verdict_of_a_mix():
    mix = {"target_o2_pct": 18.0, "target_he_pct": 45.0, "analysed_o2_pct": 18.3, "fill_method": "partial_pressure"}
    assert one(**mix, analysed_he_pct=44.5)["mix_verdict"] == "in_tolerance"
    assert one(**mix, analysed_he_pct=42.0)["mix_verdict"] == "out_of_tolerance"
    assert one(**mix)["mix_verdict"] == "not_analysed"


@pytest.mark.parametrize(
    ("mix", "needed"),
    [((20.95, 0.0), 0), ((32.0, 0.0), 1), ((21.0, 35.0), 2), ((18.0, 45.0), 2), ((10.0, 70.0), 3), ((10.0, 0.0), 3)],
)
def test_a_mix_that_cannot_be_breathed_at_the_surface_asks_for_the_highest_qualification(mix, needed):
    """As agencies part their courses: nitrox, normoxic trimix from 18 %, and below that hypoxic, with helium or not."""
    o2, he = mix
    assert _needed(np.array([o2]), np.array([o2]), np.array([he])).tolist() == [needed]
