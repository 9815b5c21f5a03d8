"""What is not known of a fill never makes its interval narrower, and never its reading surer."""

import pytest
from fill_frames import BEFORE, COMPRESSOR, CYLINDER, FILL, TODAY, inputs

from pipelines.derive.fills.step import build_fills
from pipelines.derive.units import build_units
from schemas.policy import Policy

LATE = {"settled_pressure_bar": 200.0, "settled_c": 15.0, "settled_at": "2031-06-02T10:00:00Z"}
EARLY = LATE | {"settled_at": "2031-06-01T11:00:00Z"}
READINGS = [{}, LATE, EARLY]


def row(before=(), cylinder=CYLINDER, **changed):
    given = inputs(fills=[*before, FILL | changed], cylinders=[cylinder], sources=[COMPRESSOR])
    units = build_units(given, TODAY)["units"]
    return build_fills(given, units, Policy(), TODAY)["fill_quality"].set_index("fill_id").loc["f1"]


def bar_wide(one):
    return one["settled_high_bar_15c"] - one["settled_low_bar_15c"]


def free_l_wide(one):
    return one["real_high_free_l"] - one["real_low_free_l"]


@pytest.mark.parametrize("reading", READINGS, ids=["no reading", "late", "early"])
def test_unknown_gas_that_was_inside_widens_content(reading):
    """Air and 18/45 at one pressure differ by 8 % in content (GERG-2008), so a residue of 150 bar leaves per cents."""
    known = row(before=[BEFORE], start_pressure_bar=150.0, **reading)
    unknown = row(start_pressure_bar=150.0, **reading)
    assert "residue_unknown" in unknown["reasons"] and "residue_unknown" not in known["reasons"]
    assert free_l_wide(unknown) > free_l_wide(known) + 0.02 * known["real_free_l"]
    assert bar_wide(unknown) > bar_wide(known) - 0.2


def test_an_analysis_takes_it_out_again():
    analysed = row(start_pressure_bar=150.0, analysed_o2_pct=20.9, analysed_he_pct=0.0, **LATE)
    known = row(before=[BEFORE], start_pressure_bar=150.0, **LATE)
    assert free_l_wide(analysed) == pytest.approx(free_l_wide(known), rel=0.03)


@pytest.mark.parametrize("missing", ["water_capacity_l", "material"])
def test_an_early_reading_of_a_cylinder_whose_heat_cannot_be_computed_is_not_taken_for_one_at_rest(missing):
    """An hour after stop a steel 12 has kept a third of its warmth (time constant 40 to 60 min): it reads high."""
    less = {k: v for k, v in CYLINDER.items() if k != missing}
    early, late, computed = row(cylinder=less, **EARLY), row(cylinder=less, **LATE), row(**EARLY)
    assert early["settled_pressure_bar_15c"] < late["settled_pressure_bar_15c"] - 3.0
    assert bar_wide(early) > 1.5 * bar_wide(late)
    assert early["settled_low_bar_15c"] < computed["settled_pressure_bar_15c"] < early["settled_high_bar_15c"]
    assert bar_wide(late) > bar_wide(row(**LATE)) - 0.2


def test_a_unit_that_the_register_does_not_know_is_no_surer():
    known, stranger = row(**EARLY), row(unit_id="not in the register", **EARLY)
    assert bar_wide(stranger) > bar_wide(known) * 0.8
    assert bar_wide(row(unit_id="not in the register", **LATE)) > bar_wide(row(**LATE)) - 0.2
