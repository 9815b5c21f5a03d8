"""What a pass, a fail, a condemnation and a missing date mean, whatever the country."""

import numpy as np
import pytest

from shared.inspection.dates import MANY_DAYS, add_months, last_event_on
from shared.inspection.history import oxygen_clean_at
from shared.inspection.rules import load_rule_set, rule_sets
from shared.inspection.state import state_on_days
from shared.rules.reading import RuleError
from tests.shared.inspection_arrays import history, register, state

MADE = {"manufactured_on": "2022-01-01"}
HYDRO = ("2023-01-01", "hydrostatic", "pass")


def test_months_are_calendar_months_and_stop_at_a_short_one():
    days = add_months(np.array(["2024-02-29", "2023-08-31", "NaT"], "datetime64[D]"), [12, 6, 6])
    assert [str(d) for d in days] == ["2025-02-28", "2024-02-29", "NaT"]


def test_months_of_many_days_are_those_of_each():
    days = np.resize(np.array(["2023-12-31", "2024-02-29", "NaT", "2023-08-30"], "datetime64[D]"), MANY_DAYS + 1)
    assert [str(d) for d in add_months(days, 6)[-4:]] == ["2024-08-29", "NaT", "2024-02-29", "2024-06-30"]
    assert np.isnat(add_months(days[[2] * len(days)], 6)).all()


def test_why_a_cylinder_stands_so_is_said_where_somebody_asks():
    asked = register(MADE), history(), "uk", np.array([0, 0]), np.array(["2023-01-01", "2031-01-01"], "datetime64[D]")
    why, bare = state_on_days(*asked), state_on_days(*asked, with_reasons=False)
    assert why.reasons[1] and not len(bare.reasons)
    assert (why.state == bare.state).all() and (why.due_on == bare.due_on).all()


def test_nothing_known_is_unknown_and_never_in_date():
    assert state({}, [], "2024-01-01")[0] == "unknown"
    assert "no_inspection_known" in state({}, [], "2024-01-01")[3]


def test_a_visual_alone_does_not_tell_when_the_cylinder_was_last_tested():
    found = state({}, [("2023-06-01", "visual", "pass")], "2023-07-01")
    assert found[0] == "unknown" and "hydrostatic_date_unknown" in found[3]


def test_a_fail_keeps_out_until_a_later_pass_of_its_kind():
    failed = [HYDRO, ("2023-06-01", "visual", "fail")]
    assert state(MADE, failed, "2023-05-31")[0] == "in_date"
    assert state(MADE, failed, "2023-06-01")[0] == "out_of_date"
    assert state(MADE, failed, "2023-06-01")[1:] == ("2023-06-01", "visual", ("visual_failed",))
    assert state(MADE, [*failed, ("2023-06-20", "visual", "pass")], "2023-06-20")[0] == "in_date"


def test_a_hydrostatic_pass_clears_a_failed_visual_but_not_the_reverse():
    assert (
        state(MADE, [HYDRO, ("2023-06-01", "visual", "fail"), ("2023-07-01", "hydrostatic", "pass")], "2023-08-01")[0]
        == "in_date"
    )
    assert (
        state(MADE, [HYDRO, ("2023-06-01", "hydrostatic", "fail"), ("2023-07-01", "visual", "pass")], "2023-08-01")[0]
        == "out_of_date"
    )


def test_a_pass_on_the_day_of_the_fail_is_not_a_later_pass():
    assert (
        state(MADE, [HYDRO, ("2023-06-01", "visual", "fail"), ("2023-06-01", "hydrostatic", "pass")], "2023-08-01")[0]
        == "out_of_date"
    )


def test_condemned_is_for_ever():
    rows = [HYDRO, ("2023-06-01", "visual", "condemned"), ("2023-09-01", "hydrostatic", "pass")]
    assert state(MADE, rows, "2023-05-31")[0] == "in_date"
    assert state(MADE, rows, "2024-01-01")[:3] == ("condemned", "NaT", "")
    assert state(MADE | {"status": "condemned"}, [HYDRO], "2023-02-01")[0] == "condemned"


def test_a_failed_oxygen_clean_bars_oxygen_service_only():
    assert state(MADE, [HYDRO, ("2023-06-01", "oxygen_clean", "fail")], "2023-07-01")[0] == "in_date"


def test_a_composite_needs_the_end_of_its_service_life():
    assert state(MADE | {"material": "composite"}, [HYDRO], "2023-02-01")[0] == "unknown"
    ends = MADE | {"material": "composite", "service_life_ends_on": "2024-06-30"}
    assert state(ends, [HYDRO], "2024-06-30")[1:3] == ("2024-06-30", "end_of_service_life")
    assert state(ends, [HYDRO], "2024-06-30")[0] == "due_soon"
    assert state(ends, [HYDRO], "2024-07-01")[0] == "out_of_date"


@pytest.mark.parametrize(
    ("day", "found"), [("2024-05-01", "in_date"), ("2024-05-02", "due_soon"), ("2024-05-03", "due_soon")]
)
def test_due_in_sixty_days_is_soon_and_in_sixty_one_is_not(day, found):
    """1 July 2024 less 60 days is 2 May: by default a cylinder is due soon 60 days ahead."""
    ends = MADE | {"material": "composite", "service_life_ends_on": "2024-07-01"}
    assert state(ends, [HYDRO], day)[0] == found


def test_no_period_for_its_material_is_unknown():
    """49 CFR 180.209(a) Table 1 (read): a special-permit cylinder as its permit says."""
    composite = MADE | {"material": "composite", "service_life_ends_on": "2037-01-01"}
    assert state(composite, [HYDRO], "2023-02-01", "us")[0] == "unknown"


def test_the_cylinders_own_rule_set_counts_before_the_stations():
    assert state(MADE | {"rule_set": "au"}, [HYDRO], "2023-02-01", "uk")[1] == "2024-01-01"
    found = state(MADE | {"rule_set": "xx"}, [HYDRO], "2023-02-01", "uk")
    assert found[0] == "unknown" and "rule_set_unknown" in found[3]


def test_an_unknown_regime_never_lengthens_a_period():
    found = state(
        MADE | {"regime": "clubb", "first_used_on": "2022-01-01"},
        [HYDRO, ("2024-06-01", "visual", "pass")],
        "2024-06-02",
        "fr",
    )
    assert found[1:3] == ("2025-01-01", "hydrostatic") and "regime_unknown" in found[3]


def test_an_inspection_after_the_day_is_not_known_yet():
    assert state(MADE, [HYDRO, ("2024-05-01", "visual", "fail")], "2024-04-30")[0] == "in_date"


def test_withdrawn_counts_from_the_fail_that_stands():
    cylinders, rows = register(MADE | {"status": "withdrawn"}), history(HYDRO, ("2024-01-10", "visual", "fail"))
    found = state_on_days(
        cylinders, rows, "uk", np.array([0, 0]), np.array(["2024-01-09", "2024-01-10"], "datetime64[D]")
    )
    assert list(found.withdrawn) == [False, True]


def test_the_default_rule_sets_hold_nothing_from_memory():
    assert {"uk", "us", "de", "fr", "au", "adr"} <= set(rule_sets())
    assert all(rules.default_is_verified for rules in rule_sets().values())


ENTRY = {
    "kind": '"visual"', "months": "12", "counts_from": '["visual"]', "start": '"manufactured_on"', "source": '"s"',
    "edition": '"1"', "verified": '"read"',
}  # fmt: skip


def rule_file(**changed):
    """A rule file of one entry on line 4; a value of None leaves its line out."""
    entry = {k: v for k, v in (ENTRY | changed).items() if v is not None}
    return 'code = "x"\nname = "X"\n\n[[periods]]\n' + "".join(f"{k} = {v}\n" for k, v in entry.items())


@pytest.mark.parametrize(
    "text, says",
    [
        (rule_file(source=None), "line 4: this entry of [periods] has no `source`"),
        (rule_file(months=None), "line 4: this entry of [periods] has no `months`"),
        (rule_file(edition='""'), "line 4: this entry of [periods] has no `edition`"),
        (rule_file(verified='"memory"'), "line 4: an entry from memory may not apply by default"),
        (rule_file(verified='"sure"'), "line 4: `verified` is one of"),
        (rule_file(kind='"sniff"'), "line 4: `kind` 'sniff'"),
        ("code = [", "rule.toml"),
    ],
)
def test_a_rule_file_that_lacks_something_is_refused_with_its_line(tmp_path, text, says):
    path = tmp_path / "rule.toml"
    path.write_text(text)
    with pytest.raises(RuleError) as refused:
        load_rule_set(path)
    assert says in str(refused.value)


def test_oxygen_clean_ends_with_time_a_fail_valve_work_or_a_fill_of_unclean_gas():
    clean = ("2024-01-10", "oxygen_clean", "pass")
    at = np.array(["2024-06-01T10:00"], "datetime64[s]")

    def is_clean(*rows, when=at, soiled=None):
        who = None if soiled is None else np.array([0])
        return bool(
            oxygen_clean_at(
                history(*rows),
                np.array([0]),
                when,
                soiled_cylinder=who,
                soiled_at=None if soiled is None else np.array([soiled], "datetime64[s]"),
            )[0]
        )

    assert not is_clean(HYDRO) and is_clean(clean)
    assert is_clean(clean, when=np.array(["2025-01-10T23:00"], "datetime64[s]"))
    assert not is_clean(clean, when=np.array(["2025-01-11T00:00"], "datetime64[s]"))
    assert not is_clean(clean, ("2024-03-01", "oxygen_clean", "fail"))
    assert not is_clean(clean, ("2024-01-10", "oxygen_clean", "fail"))  # of one day nobody knows which came last
    assert is_clean(("2024-01-09", "oxygen_clean", "fail"), clean)
    assert not is_clean(clean, ("2024-03-01", "valve_service", "pass"))
    assert is_clean(("2024-03-01", "valve_service", "pass"), ("2024-03-01", "oxygen_clean", "pass"))
    assert not is_clean(clean, soiled="2024-05-01T10:00")
    assert is_clean(clean, soiled="2024-06-01T10:00")  # the fill itself found it clean


def test_the_last_event_is_found_for_many_questions_at_once():
    rng = np.random.default_rng(4)
    who, when = rng.integers(0, 20, 300), np.datetime64("2024-01-01") + rng.integers(0, 300, 300)
    asked, at = rng.integers(0, 20, 500), np.datetime64("2024-01-01") + rng.integers(-10, 320, 500)
    found = last_event_on(who, when, asked, at)
    for w, t, f in zip(asked, at, found, strict=True):
        mine = when[(who == w) & (when <= t)]
        assert (np.isnat(f) and not len(mine)) or f == mine.max()


def test_a_day_of_many_cylinders_equals_one_at_a_time():
    rng = np.random.default_rng(5)
    kinds, results = (
        ["visual", "hydrostatic", "valve_service", "oxygen_clean"],
        ["pass", "pass", "pass", "fail", "condemned"],
    )
    made = [{"manufactured_on": str(np.datetime64("2010-01-01") + int(rng.integers(0, 4000)))} for _ in range(30)]
    rows = [
        (
            str(np.datetime64("2012-01-01") + int(rng.integers(0, 4500))),
            str(rng.choice(kinds)),
            str(rng.choice(results)),
            int(rng.integers(0, 30)),
        )
        for _ in range(150)
    ]
    days = np.datetime64("2015-01-01") + rng.integers(0, 4000, 30)
    together = state_on_days(register(*made), history(*rows), "uk", np.arange(30), days)
    for i in range(30):
        alone = state(made[i], [(*r[:3], 0) for r in rows if r[3] == i], str(days[i]))
        assert alone == (together.state[i], str(together.due_on[i]), together.due_kind[i], together.reasons[i])


def test_a_day_before_the_cylinder_was_made_is_never_in_date():
    """One of the two dates is wrong, and the due date hangs on it."""
    before = state(MADE, [], "2021-12-31")
    assert before[0] == "unknown" and "not_made_by_then" in before[3]
    assert state(MADE, [], "2022-01-01")[0] == "in_date"
