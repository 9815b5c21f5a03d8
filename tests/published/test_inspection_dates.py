"""Due dates counted by hand under each shipped rule set, with the clause they come from.

'read': read in the source itself; 'restated': read in another text that restates it.
"""

import numpy as np
import pytest

from tests.shared.inspection_arrays import state

MADE_2018 = {"manufactured_on": "2018-05-20"}
ALLOY_6351 = {"material": "aluminium", "alloy": "6351-T6", "manufactured_on": "1985-01-10"}

UK = "British Sub-Aqua Club instructor manual, entry course, 2017 (read): visual 2.5 years, hydrostatic 5 years"
US = "49 CFR 180.209(a) Table 1 (read): 5 years taken for diving"
EDDY = "49 CFR Part 180 Appendix C; 71 FR 51122 (read): alloy 6351, eddy current and visual every 5 years"
NAVY = "US Navy Diving Manual Rev. 4 Change A § 7-2.2.2.2 (read): visual at least every 12 months"
DE = "BetrSichV 2002 § 15(7)2 (restated): 5 years; external, internal and weight every 2.5 years"
FR = "Order of 20 November 2017, Art. 18 (restated): 2 years from first use or the last requalification"
FR_CLUB = "Later practice under Decision BSERR 15-106, a trader's worked example (restated): yearly inspection, 6 years"
AU = "AS 2030.1, restated by test stations: hydrostatic yearly"
ADR = "BS EN ISO 18119:2018 informative annex (restated): internal every year, full test every 5 years"


@pytest.mark.parametrize(
    "rule_set, cylinder, rows, due_on, kind, clause",
    [
        (
            "uk",
            {},
            [("2020-03-01", "hydrostatic", "pass"), ("2024-03-01", "visual", "pass")],
            "2025-03-01",
            "hydrostatic",
            UK,
        ),
        ("uk", MADE_2018, [], "2020-11-20", "visual", UK),
        ("uk", MADE_2018, [("2020-11-30", "visual", "pass")], "2023-05-20", "hydrostatic", UK),
        ("uk", MADE_2018, [("2023-05-02", "hydrostatic", "pass")], "2025-11-02", "visual", UK),
        ("uk", MADE_2018, [("2023-08-31", "hydrostatic", "pass")], "2026-02-28", "visual", UK),
        ("us", MADE_2018, [], "2023-05-20", "hydrostatic", US),
        (
            "us",
            MADE_2018,
            [("2023-07-04", "hydrostatic", "pass"), ("2024-07-04", "visual", "pass")],
            "2028-07-04",
            "hydrostatic",
            US,
        ),
        ("us", MADE_2018 | {"regime": "navy"}, [("2023-07-04", "hydrostatic", "pass")], "2024-07-04", "visual", NAVY),
        (
            "us",
            ALLOY_6351,
            [
                ("2024-02-29", "hydrostatic", "pass"),
                ("2022-06-01", "eddy_current", "pass"),
                ("2022-06-01", "visual", "pass"),
            ],
            "2027-06-01",
            "eddy_current",
            EDDY,
        ),
        (
            "us",
            ALLOY_6351,
            [
                ("2024-02-29", "hydrostatic", "pass"),
                ("2024-02-29", "eddy_current", "pass"),
                ("2024-02-29", "visual", "pass"),
            ],
            "2029-02-28",
            "hydrostatic",
            US,
        ),
        ("de", MADE_2018, [("2022-01-15", "hydrostatic", "pass")], "2024-07-15", "visual", DE),
        (
            "de",
            MADE_2018,
            [("2022-01-15", "hydrostatic", "pass"), ("2024-09-01", "visual", "pass")],
            "2027-01-15",
            "hydrostatic",
            DE,
        ),
        ("fr", {"first_used_on": "2020-07-01"}, [], "2021-07-01", "visual", FR_CLUB),
        ("fr", {"first_used_on": "2020-07-01"}, [("2021-07-01", "visual", "pass")], "2022-07-01", "hydrostatic", FR),
        (
            "fr",
            {"first_used_on": "2020-07-01", "regime": "club"},
            [(f"{y}-07-01", "visual", "pass") for y in range(2021, 2026)],
            "2026-07-01",
            "hydrostatic",
            FR_CLUB,
        ),
        (
            "fr",
            {"manufactured_on": "2020-02-01"},
            [("2022-01-20", "hydrostatic", "pass"), ("2023-01-20", "visual", "pass")],
            "2024-01-20",
            "hydrostatic",
            FR,
        ),
        ("au", MADE_2018, [("2025-02-10", "hydrostatic", "pass")], "2026-02-10", "hydrostatic", AU),
        ("adr", MADE_2018, [("2023-05-20", "hydrostatic", "pass")], "2024-05-20", "visual", ADR),
        (
            "adr",
            MADE_2018,
            [("2023-05-20", "hydrostatic", "pass")] + [(f"{y}-05-20", "visual", "pass") for y in range(2024, 2028)],
            "2028-05-20",
            "hydrostatic",
            ADR,
        ),
    ],
)
def test_the_next_date_equals_a_hand_count(rule_set, cylinder, rows, due_on, kind, clause):
    cylinder = cylinder if "first_used_on" in cylinder else {"manufactured_on": "2018-01-01"} | cylinder
    known_on = max([r[0] for r in rows], default="2019-01-01")
    assert state(cylinder, rows, known_on, rule_set)[1:3] == (due_on, kind), clause
    # in test up to and including the day, out on the next
    day_after = str(np.datetime64(due_on) + 1)
    assert state(cylinder, rows, due_on, rule_set)[0] == "due_soon"
    assert state(cylinder, rows, day_after, rule_set)[0] == "out_of_date"


def test_a_late_visual_does_not_move_the_hydrostatic_date():
    """British Sub-Aqua Club instructor manual, entry course, 2017 (read)."""
    rows = [("2020-03-01", "hydrostatic", "pass"), ("2023-12-01", "visual", "pass")]
    assert state({}, rows, "2024-01-01")[1:3] == ("2025-03-01", "hydrostatic")


def test_permanent_expansion_condemns_only_beyond_ten_per_cent():
    """49 CFR 180.205(i), restated by a retester: exceeds 10 %. 18.0 of 180.0 mL passes, 18.1 condemns."""
    for expansion_ml, expected in ((18.0, "in_date"), (18.1, "condemned")):
        rows = [("2024-01-01", "hydrostatic", "pass", 0, 100 * expansion_ml / 180.0)]
        assert state({"manufactured_on": "2018-01-01"}, rows, "2024-02-01", "us")[0] == expected


def test_permanent_expansion_is_measured_by_a_hydrostatic_test_alone():
    """49 CFR 180.205(g): the pressure test measures it; a figure copied beside a visual inspection condemns nothing."""
    rows = [("2024-01-01", "hydrostatic", "pass"), ("2024-01-02", "visual", "pass", 0, 12.0)]
    assert state({"manufactured_on": "2018-01-01"}, rows, "2024-02-01", "us")[0] == "in_date"


def test_alloy_6351_may_not_be_filled_in_australia_since_its_approval_was_withdrawn():
    """Test stations citing AS 2030.1 and AS 2337.1 (restated): approvals withdrawn 31 October 2017."""
    rows = [("2017-10-01", "hydrostatic", "pass")]
    assert state(ALLOY_6351, rows, "2017-10-30", "au")[0] == "in_date"
    assert state(ALLOY_6351, rows, "2017-10-31", "au")[0] == "out_of_date"
