"""Whether to fill at all, and the limits of each rule set."""

import pytest

from shared.filling.limits import filling_rules, load_filling_rules, refusals
from shared.rules.reading import RULES, RuleError


@pytest.mark.parametrize(
    "change, expected",
    [
        ({}, []),
        ({"inspection_states": ["in_date", "due_soon"]}, []),
        ({"inspection_states": ["in_date", "out_of_date"]}, ["fill_out_of_test"]),
        ({"inspection_states": []}, ["fill_test_unknown"]),
        ({"inspection_states": ["condemned"]}, ["fill_condemned"]),
        ({"withdrawn": True}, ["fill_withdrawn"]),
        ({"open_findings": True}, ["fill_finding_open"]),
        ({"arrival_bar": 1.9}, ["fill_arrived_empty"]),
        ({"arrival_bar": 2.0}, []),
        ({"oxygen_service_needed": True}, ["fill_not_oxygen_clean"]),
        ({"oxygen_service_needed": True, "oxygen_clean": True}, []),
        ({"air_state": "failed"}, ["fill_air_failed"]),
        ({"air_state": "failed", "inspection_states": ["unknown"]}, ["fill_test_unknown", "fill_air_failed"]),
    ],
)
def test_what_may_not_be_filled_is_refused_with_its_reasons(change, expected):
    given = {"inspection_states": ["in_date"]} | change
    assert refusals(given.pop("inspection_states"), **given) == expected


def test_every_limit_is_cited_and_every_rule_set_has_one():
    for code in ("uk", "us", "de", "fr", "au", "adr"):
        rules = filling_rules(code)
        for cited in (rules.settled_citation, rules.oxygen_citation, *(d.citation for d in rules.developed)):
            assert cited.source and cited.edition and cited.verified in ("read", "restated", "memory")
    assert filling_rules("uk").oxygen_limit_pct == 22.0  # scope of EN 13949
    assert filling_rules("us").oxygen_limit_pct == 40.0  # 46 CFR 197.326
    assert filling_rules("uk").reference_c == 15.0
    (eu,) = filling_rules("uk").developed
    assert (eu.temperature_c, eu.of, eu.factor) == (65.0, "test_pressure", 1.0)
    assert not eu.citation.is_verified  # from memory, and said so


def test_a_local_rule_set_is_one_more_file_and_a_bad_one_names_its_line(tmp_path):
    text = (RULES / "filling_us.toml").read_text()
    local = tmp_path / "filling_local.toml"
    local.write_text(text.replace('["us"]', '["island"]').replace("21.0", "27.0"))
    assert load_filling_rules(local)["island"].reference_c == 27.0
    local.write_text(text.replace('of = "working_pressure"', 'of = "hope"'))
    with pytest.raises(RuleError, match="line 1"):
        load_filling_rules(local)
    local.write_text(text.replace("factor = 1.25\n", ""))
    with pytest.raises(RuleError, match="factor"):
        load_filling_rules(local)


def test_limits_of_another_country_are_not_taken_for_those_of_a_rule_set_that_has_none():
    with pytest.raises(RuleError, match=r"'nz' has no filling limits.*filling_nz.toml"):
        filling_rules("nz")
