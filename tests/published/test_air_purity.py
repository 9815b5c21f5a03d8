"""Purity limits by edition, and water as frost point, against what was printed or computed elsewhere."""

import numpy as np
import pytest

from shared.air.purity import (
    frost_point_c,
    ice_vapour_pressure_pa,
    limits_of,
    purity_rules,
    water_mg_m3,
    water_mg_m3_from_ppm,
    water_ppm,
    water_vapour_pressure_pa,
    within,
)


@pytest.mark.parametrize(
    "standard, passes",
    [
        ("en12021_2014", False),  # EN 12021:2014, three restatements: CO ≤ 5 ppm
        ("en12021_1999", True),  # EN 12021:1999, restated: CO ≤ 15 ppm
        ("us_work", True),  # 29 CFR 1910.430(b), restated: CO ≤ 20 ppm
        ("as_nzs_2299_2015", False),  # AS/NZS 2299.1:2015, restated: CO ≤ 5 ppm
    ],
)
def test_six_ppm_of_carbon_monoxide_depends_on_the_edition(standard, passes):
    assert within(6.0, limits_of(standard)["co_ppm"]) == passes


@pytest.mark.parametrize(
    "standard, quantity, limit",
    [
        ("hse_sheet9", "co_ppm", 3.0),  # HSE Diving Information Sheet 9 rev. 1 (read)
        ("no_5_5", "oil_mg_m3", 1.0),  # Norwegian regulation on action and limit values, § 5-5 (read)
        ("us_coast_guard", "co2_ppm", 1000.0),  # 46 CFR 197.340(i) (read)
        ("cga_e", "co_ppm", 10.0),  # NOAA Standards and Safety Manual § 3.6, 2008 (restated)
        ("as_2299_1", "co2_ppm", 480.0),  # AS 2299.1, restated 2006
        ("as_nzs_2299_2015", "co2_ppm", 600.0),  # AS/NZS 2299.1:2015 (restated)
        ("en12021_2014", "water_mg_m3", 25.0),  # EN 12021:2014 at the filling outlet (restated)
    ],
)
def test_limits_are_those_printed(standard, quantity, limit):
    found = limits_of(standard)[quantity]
    assert found.at_most == limit
    assert within(limit, found) and not within(limit * 1.001, found)


def test_oxygen_has_two_sides():
    """EN 12021: 21 ± 1 % (restated)."""
    assert [bool(within(v, limits_of("en12021_2014")["o2_pct"])) for v in (19.9, 20.0, 22.0, 22.1)] == [
        False,
        True,
        True,
        False,
    ]


@pytest.mark.parametrize("standard", purity_rules().standards)
def test_oxygen_of_air_is_20_to_22_under_every_standard(standard):
    """46 CFR 197.340(i) (read): 20 to 22 %. Grade D, 19.5 to 23.5 % (G-7.1-1989, restated twice), is wider."""
    limit = limits_of(standard)["o2_pct"]
    assert [bool(within(v, limit)) for v in (19.9, 20.0, 22.0, 22.1)] == [False, True, True, False]
    assert limit.citation.source
    own = [known for known in purity_rules().limits["cga_d"] if known.quantity == "o2_pct"]
    assert [(known.at_least, known.at_most) for known in own] == [(19.5, 23.5)]


def test_water_under_the_default_of_the_united_states_freezes_out_at_minus_45_6():
    """WAC 296-307-61605 (read): dew point of cylinder air at most −45.6 °C at 1 atm; about 50 mg/m³.

    Frost point by CoolProp HAPropsSI (ASHRAE RP-1485).
    """
    HAPropsSI = pytest.importorskip("CoolProp.HumidAirProp").HAPropsSI
    limit = limits_of(purity_rules().tests["us"].standard)["water_mg_m3"]
    ratio = HAPropsSI("W", "T", 288.15, "P", 101325, "D", 273.15 - 45.6)
    share = ratio / (18.015268 / 28.966) / (1 + ratio / (18.015268 / 28.966))
    assert limit.at_most == pytest.approx(share * 101325 * 18.015268 * 1e3 / (8.314462618 * 288.15), rel=0.015)
    assert limit.citation.verified == "read"
    assert "water_mg_m3" in limits_of("cga_d")


def test_hydrocarbons_are_limited_where_the_standard_limits_them():
    """NOAA Standards and Safety Manual § 3.6, restated by the EPA dive unit: total hydrocarbons ≤ 25 ppm as methane."""
    assert limits_of("cga_e")["hydrocarbons_ppm"].at_most == 25.0
    assert "hydrocarbons_ppm" not in limits_of("en12021_2014")


def test_a_standard_refers_to_its_own_temperature():
    """EN 12021:2014 20 °C (restated once); AS/NZS 2299.1 15 °C (restated): 50 mg/m³ freezes at −45.5 or −45.7 °C."""
    by_standard = {s: limits_of(s)["water_mg_m3"].reference_c for s in ("en12021_2014", "as_nzs_2299_2015")}
    assert by_standard == {"en12021_2014": 20.0, "as_nzs_2299_2015": 15.0}
    assert [frost_point_c(50.0, reference_c=c) for c in by_standard.values()] == [
        pytest.approx(-45.53, abs=0.02),
        pytest.approx(-45.7, abs=0.05),
    ]
    assert water_ppm(50.0, 20.0) == pytest.approx(66.8, abs=0.05)
    assert frost_point_c(35.0, reference_c=20.0) == pytest.approx(-48.50, abs=0.02)


def test_air_for_oxygen_clean_cylinders_is_held_to_less_oil_and_said_to_be_from_memory():
    """EN 12021:2014, oxygen-compatible air: 0.1 mg/m³ of oil is from memory and never a default."""
    rules = purity_rules()
    narrowed = limits_of(rules.oxygen_compatible["en12021_2014"])
    assert narrowed["oil_mg_m3"].at_most == 0.1 and not narrowed["oil_mg_m3"].citation.is_verified
    plain = limits_of("en12021_2014")
    assert {q: (v.at_least, v.at_most) for q, v in plain.items() if q != "oil_mg_m3"} == {
        q: (v.at_least, v.at_most) for q, v in narrowed.items() if q != "oil_mg_m3"
    }


def test_water_limits_follow_the_filling_pressure_and_the_strictest_counts_where_it_is_unknown():
    """Norwegian § 5-5 (read): 50 mg/m³ at 200 bar, 30 at 300. AS 3848.2 (restated): 50 to 225 bar, 30 to 330."""
    assert [limits_of("no_5_5", p)["water_mg_m3"].at_most for p in (200, 232, 300, np.nan)] == [50, 30, 30, 30]
    assert [limits_of("as_nzs_2299_2015", p)["water_mg_m3"].at_most for p in (225, 300, 400)] == [50, 30, 30]


@pytest.mark.parametrize(
    "mg_m3, reference_c, frost_c",
    [
        (50, 20, -45.5),
        (50, 15, -45.7),
        (35, 15, -48.6),
        (30, 15, -49.9),
        (25, 15, -51.4),
    ],
)
def test_frost_points(mg_m3, reference_c, frost_c):
    """Murphy and Koop 2005 and a Magnus form over ice agree to 0.01 K on these."""
    assert frost_point_c(mg_m3, reference_c=reference_c) == pytest.approx(frost_c, abs=0.1)
    assert water_mg_m3(frost_point_c(mg_m3), reference_c=15) == pytest.approx(mg_m3, rel=1e-6)


def test_frost_points_equal_those_of_a_humidity_library():
    """CoolProp HAPropsSI (ASHRAE RP-1485), an independent source; it holds down to about −100 °C."""
    HAPropsSI = pytest.importorskip("CoolProp.HumidAirProp").HAPropsSI
    for mg in (25.0, 50.0, 200.0):
        share = float(water_ppm(mg)) * 1e-6
        ratio = 18.015268 / 28.966 * share / (1 - share)
        assert frost_point_c(mg) == pytest.approx(
            HAPropsSI("D", "T", 288.15, "P", 101325, "W", ratio) - 273.15, abs=0.15
        )


@pytest.mark.parametrize("ppm, mg_m3", [(130, 99.0), (67, 51.0), (63, 48.0), (24, 18.3)])
def test_ppm_of_water_at_15_c(ppm, mg_m3):
    """Ideal gas at 1 atm, as computed for the source list."""
    assert water_mg_m3_from_ppm(ppm) == pytest.approx(mg_m3, abs=0.06)
    assert water_ppm(mg_m3) == pytest.approx(ppm, abs=0.1)


def test_fifty_milligrams_are_65_6_ppm():
    assert water_ppm(50) == pytest.approx(65.6, abs=0.05)


def test_vapour_pressures_at_the_triple_point_meet():
    """611.657 Pa at 273.16 K (a defined point, from memory)."""
    assert ice_vapour_pressure_pa(273.16) == pytest.approx(611.657, rel=2e-4)
    assert water_vapour_pressure_pa(273.16) == pytest.approx(611.657, rel=2e-4)


def test_under_pressure_air_grows_damp_sooner():
    assert frost_point_c(50, 200) > frost_point_c(50, 50) > frost_point_c(50)


def test_every_rule_set_has_its_interval_and_its_limits():
    """UK 3 months: two test laboratories and defence standard 68-284 (restated).

    US 6 months: OSHA, 9 October 1985 (read).
    """
    tests = purity_rules().tests
    assert {code: t.months for code, t in tests.items()} == {"uk": 3, "us": 6, "de": 3, "fr": 3, "au": 6, "adr": 3}
    for by_country in tests.values():
        for limit in limits_of(by_country.standard).values():
            assert limit.citation.source and limit.citation.is_verified
