"""Every number of every rule file, written down a second time from its source; none stands that is not listed here.

'read': in the source itself; 'restated': in another text that restates it; 'memory': remembered, to be read.
"""

import math
import tomllib
from datetime import date

import pytest

from shared.air.purity import limits_of
from shared.rules.reading import RULES

EN_2014 = "EN 12021:2014, three independent restatements"
EN_1999 = "EN 12021:1999, restated by a UK test laboratory"
EN_OXYGEN = "EN 12021:2014, oxygen-compatible air (memory: oil; the rest restated)"
HSE = "HSE Diving Information Sheet 9 rev. 1 (read)"
NORWAY = "Norwegian regulation on action and limit values, § 5-5 (read)"
AS_NZS = "AS/NZS 2299.1:2015 and, for water, AS 3848.2, restated by a training body"
AS_OLD = "AS 2299.1, restated 2006; water 130 ppm are 99.0 mg/m³ at 15 °C and 1 atm"
OSHA = "29 CFR 1910.430(b), restated by a federal dive unit; dew point: WAC 296-307-61605 (read)"
COAST_GUARD = "46 CFR 197.340(i) (read)"
GRADE_E = "NOAA Standards and Safety Manual § 3.6 (August 2008), restated by the EPA dive unit"
GRADE_D = "CGA G-7.1-1989, restated twice; dew point: WAC 296-307-61605 (read)"

#: (standard, quantity, up to bar): least, most, frost point °C
AIR = {
    COAST_GUARD + ", 29 CFR 1910.430(b) (restated)": {
        ("every", "o2_pct", None): (20.0, 22.0, None),
        ("every", "odour", None): (None, 0.0, None),
    },
    EN_OXYGEN: {
        ("en12021_2014_oxygen", "oil_mg_m3", None): (None, 0.1, None),
        ("en12021_2014_oxygen", "o2_pct", None): (20.0, 22.0, None),
        ("en12021_2014_oxygen", "co_ppm", None): (None, 5.0, None),
        ("en12021_2014_oxygen", "co2_ppm", None): (None, 500.0, None),
        ("en12021_2014_oxygen", "water_mg_m3", None): (None, 25.0, None),
    },
    EN_2014: {
        ("en12021_2014", "o2_pct", None): (20.0, 22.0, None),
        ("en12021_2014", "co_ppm", None): (None, 5.0, None),
        ("en12021_2014", "co2_ppm", None): (None, 500.0, None),
        ("en12021_2014", "oil_mg_m3", None): (None, 0.5, None),
        ("en12021_2014", "water_mg_m3", None): (None, 25.0, None),
    },
    EN_1999: {
        ("en12021_1999", "o2_pct", None): (20.0, 22.0, None),
        ("en12021_1999", "co_ppm", None): (None, 15.0, None),
        ("en12021_1999", "co2_ppm", None): (None, 500.0, None),
        ("en12021_1999", "oil_mg_m3", None): (None, 0.5, None),
        ("en12021_1999", "water_mg_m3", None): (None, 25.0, None),
    },
    HSE: {
        ("hse_sheet9", "o2_pct", None): (20.0, 22.0, None),
        ("hse_sheet9", "co_ppm", None): (None, 3.0, None),
        ("hse_sheet9", "co2_ppm", None): (None, 500.0, None),
        ("hse_sheet9", "oil_mg_m3", None): (None, 0.5, None),
        ("hse_sheet9", "water_mg_m3", None): (None, 25.0, None),
    },
    NORWAY: {
        ("no_5_5", "co_ppm", None): (None, 10.0, None),
        ("no_5_5", "co2_ppm", None): (None, 500.0, None),
        ("no_5_5", "oil_mg_m3", None): (None, 1.0, None),
        ("no_5_5", "water_mg_m3", 200.0): (None, 50.0, None),
        ("no_5_5", "water_mg_m3", 300.0): (None, 30.0, None),
    },
    AS_NZS: {
        ("as_nzs_2299_2015", "o2_pct", None): (20.0, 22.0, None),
        ("as_nzs_2299_2015", "co_ppm", None): (None, 5.0, None),
        ("as_nzs_2299_2015", "co2_ppm", None): (None, 600.0, None),
        ("as_nzs_2299_2015", "oil_mg_m3", None): (None, 0.5, None),
        ("as_nzs_2299_2015", "odour", None): (None, 0.0, None),
        ("as_nzs_2299_2015", "water_mg_m3", 225.0): (None, 50.0, None),
        ("as_nzs_2299_2015", "water_mg_m3", 330.0): (None, 30.0, None),
    },
    AS_OLD: {
        ("as_2299_1", "co_ppm", None): (None, 10.0, None),
        ("as_2299_1", "co2_ppm", None): (None, 480.0, None),
        ("as_2299_1", "oil_mg_m3", None): (None, 1.0, None),
        ("as_2299_1", "water_mg_m3", None): (None, 99.0, None),
    },
    OSHA: {
        ("us_work", "co_ppm", None): (None, 20.0, None),
        ("us_work", "co2_ppm", None): (None, 1000.0, None),
        ("us_work", "oil_mg_m3", None): (None, 5.0, None),
        ("us_work", "odour", None): (None, 0.0, None),
        ("us_work", "water_mg_m3", None): (None, None, -45.6),
    },
    COAST_GUARD: {
        ("us_coast_guard", "o2_pct", None): (20.0, 22.0, None),
        ("us_coast_guard", "co_ppm", None): (None, 20.0, None),
        ("us_coast_guard", "co2_ppm", None): (None, 1000.0, None),
        ("us_coast_guard", "odour", None): (None, 0.0, None),
    },
    GRADE_E: {
        ("cga_e", "o2_pct", None): (20.0, 22.0, None),
        ("cga_e", "co_ppm", None): (None, 10.0, None),
        ("cga_e", "co2_ppm", None): (None, 1000.0, None),
        ("cga_e", "oil_mg_m3", None): (None, 5.0, None),
        ("cga_e", "hydrocarbons_ppm", None): (None, 25.0, None),
    },
    GRADE_D: {
        ("cga_d", "o2_pct", None): (19.5, 23.5, None),
        ("cga_d", "co_ppm", None): (None, 10.0, None),
        ("cga_d", "co2_ppm", None): (None, 1000.0, None),
        ("cga_d", "oil_mg_m3", None): (None, 5.0, None),
        ("cga_d", "water_mg_m3", None): (None, None, -45.6),
    },
}
#: standard: temperature that its ppm and mg/m³ refer to
REFERENCES = {
    "en12021_2014": 20.0,  # EN 12021:2014, restated once: 20 °C, 1.013 bar, dry
    "en12021_2014_oxygen": 20.0,  # the same
    "as_nzs_2299_2015": 15.0,  # AS/NZS 2299.1:2015, restated: 15 °C and about 100 kPa
}
#: rule set: standard, months between tests
TESTS = {
    "uk": ("en12021_2014", 3),  # two test laboratories, and defence standard 68-284 as quoted: every 3 months
    "us": ("us_work", 6),  # OSHA interpretation of 1910.430(b)(4), 9 October 1985 (read): every 6 months
    "au": ("as_nzs_2299_2015", 6),  # AS 2299.1, restated 2006: every 6 months
    "de": ("en12021_2014", 3),  # no national interval read: the shortest known
    "fr": ("en12021_2014", 3),  # no national interval read: the shortest known
    "adr": ("en12021_2014", 3),  # no national interval read: the shortest known
}
#: rule set: (kind, regimes, excluded regimes, materials, alloys): months
PERIODS = {
    "uk": {
        # instructor manual of a British diving body, 2017 (read): hydrostatic 5 years, visual 2.5 years
        ("hydrostatic", "", "", "", ""): 60,
        ("visual", "", "", "", ""): 30,
    },
    "us": {
        # 49 CFR 180.209(a) Table 1 (read): 5 years taken for diving
        ("hydrostatic", "", "", "steel aluminium", ""): 60,
        # 49 CFR Part 180 Appendix C; 71 FR 51122 (read): alloy 6351-T6, every 5 years
        ("eddy_current", "", "", "aluminium", "6351"): 60,
        ("visual", "", "", "aluminium", "6351"): 60,
        # US Navy Diving Manual Rev. 4 Change A § 7-2.2.2.2 (read): at least every 12 months
        ("visual", "navy", "", "", ""): 12,
        # common practice, no source
        ("visual", "yearly_visual", "", "", ""): 12,
    },
    "de": {
        # BetrSichV 2002 § 15(7)2 (restated): 5 years and 2.5 years
        ("hydrostatic", "", "", "", ""): 60,
        ("visual", "", "", "", ""): 30,
    },
    "fr": {
        # Order of 20 November 2017, Art. 18 (restated): every 2 years
        ("hydrostatic", "", "club", "", ""): 24,
        ("hydrostatic", "club", "", "composite", ""): 24,
        # practice under Decision BSERR 15-106, a trader's worked example (restated): 6 years
        ("hydrostatic", "club", "", "steel aluminium", ""): 72,
        # a trader's worked example: first use July 2020, inspection July 2021
        ("visual", "", "", "", ""): 12,
    },
    "au": {("hydrostatic", "", "", "", ""): 12},  # AS 2030.1, restated by test stations: yearly
    "adr": {
        # BS EN ISO 18119:2018 informative annex (restated): full test every 5 years, internal every year
        ("hydrostatic", "", "", "", ""): 60,
        ("visual", "", "", "", ""): 12,
    },
}
#: file: every other number in it
OTHERS = {
    # 49 CFR 180.205(i), restated by a retester: condemned above 10 % of the total expansion
    "inspection_us": {"rejection.permanent_expansion_over_pct": 10.0},
    # test stations citing AS 2030.1 and AS 2337.1 (restated): approvals of alloy 6351 withdrawn 31 October 2017
    "inspection_au": {"barred.0.from_on": date(2017, 10, 31)},
    # ADR P200 and EN ISO 24431 (memory): settled at 15 °C, developed at 65 °C at most the test pressure;
    # EN 13949:2003, scope (a draft's was read): nitrox above 22 %
    "filling_eu": {
        "settled.reference_c": 15.0,
        "developed.0.temperature_c": 65.0,
        "developed.0.factor": 1.0,
        "oxygen.limit_pct": 22.0,
    },
    # 49 CFR 173.301a(c) and (d) (read): 21 °C (70 °F), and 5/4 of service pressure at 55 °C (131 °F);
    # 46 CFR 197.326 (read): 40 % oxygen
    "filling_us": {
        "settled.reference_c": 21.0,
        "developed.0.temperature_c": 55.0,
        "developed.0.factor": 1.25,
        "oxygen.limit_pct": 40.0,
    },
}
LISTED_APART = {"limits", "reference", "tests", "periods"}


def content(name: str) -> dict:
    return tomllib.loads((RULES / f"{name}.toml").read_text(encoding="utf-8"))


def numbers(value, path: str = "") -> dict[str, object]:
    """Numbers and dates by their path."""
    if isinstance(value, dict):
        parts = value.items()
    elif isinstance(value, list):
        parts = enumerate(value)
    else:
        return {path: value} if isinstance(value, int | float | date) and not isinstance(value, bool) else {}
    return {p: n for key, part in parts for p, n in numbers(part, f"{path}.{key}" if path else str(key)).items()}


def test_every_limit_of_air_is_the_printed_one():
    written = {
        (e["standard"], e["quantity"], e.get("up_to_bar")): (
            e.get("at_least"), e.get("at_most"), e.get("frost_point_c")
        )
        for e in content("purity")["limits"]
    }  # fmt: skip
    assert written == {key: limit for limits in AIR.values() for key, limit in limits.items()}


def test_references_and_intervals_of_air_tests_are_the_printed_ones():
    purity = content("purity")
    assert {e["standard"]: e["reference_c"] for e in purity["reference"]} == REFERENCES
    assert {e["rule_set"]: (e["standard"], e["months"]) for e in purity["tests"]} == TESTS


@pytest.mark.parametrize("rule_set", PERIODS)
def test_every_period_of_inspection_is_the_printed_one(rule_set):
    conditions = ("regimes", "without_regimes", "materials", "alloys")
    written = {
        (e["kind"], *(" ".join(e.get(c, ())) for c in conditions)): e["months"]
        for e in content(f"inspection_{rule_set}")["periods"]
    }
    assert written == PERIODS[rule_set]


@pytest.mark.parametrize("name", sorted(p.stem for p in RULES.glob("*.toml")))
def test_no_other_number_stands_in_a_rule_file(name):
    rest = {key: value for key, value in content(name).items() if key not in LISTED_APART}
    assert numbers(rest) == OTHERS.get(name, {})
    assert name == "purity" or not name.startswith("inspection_") or name.removeprefix("inspection_") in PERIODS


def test_what_is_read_of_a_limit_is_what_is_written():
    """A wider limit of the standard's own gives way to the one that every air is held to."""
    for limits in AIR.values():
        for (standard, quantity, up_to_bar), (low, high, frost_c) in limits.items():
            if standard == "every" or frost_c is not None or up_to_bar is not None:
                continue
            low, high = (20.0, 22.0) if (standard, quantity) == ("cga_d", "o2_pct") else (low, high)
            found = limits_of(standard)[quantity]
            wanted = (-math.inf if low is None else low, math.inf if high is None else high)
            assert (found.at_least, found.at_most) == wanted, (standard, quantity)
