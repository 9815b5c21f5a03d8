"""What was read of a fill after its row was written, and the return of a loan, stand beside it."""

import pandas as pd
import pytest

from pipelines.derive.afterwards import with_readings, with_returns
from schemas.frames import conform
from schemas.sources import SOURCES


def frame(source, *rows):
    made = conform(pd.DataFrame(list(rows)), SOURCES[source].fields.values())
    return made.assign(value_flags=[list(r.get("flags", [])) for r in rows])


def at(hour, day=20):
    return pd.Timestamp(f"2026-03-{day} {hour:02d}:00Z")


FILLS = ({"fill_id": "F1", "filled_at": at(8)}, {"fill_id": "F2", "filled_at": at(9), "analysed_o2_pct": 32.0})


def read(fills, *readings):
    return with_readings(frame("fills", *fills), frame("fill_readings", *readings)).set_index("fill_id")


def test_an_analysis_and_a_settled_reading_of_their_own_stand_in_the_fill():
    made = read(
        FILLS,
        {"fill_id": "F1", "read_at": at(10), "analysed_o2_pct": 20.9, "read_by": "Ines", "co_ppm": 1.0},
        {"fill_id": "F1", "read_at": at(18), "settled_pressure_bar": 221.0, "settled_c": 14.0, "flags": ["a_flag"]},
    )
    row = made.loc["F1"]
    assert (row["analysed_o2_pct"], row["analysed_by"], row["analysed_at"], row["co_ppm"]) == (
        20.9,
        "Ines",
        at(10),
        1.0,
    )
    assert (row["settled_pressure_bar"], row["settled_c"], row["settled_at"]) == (221.0, 14.0, at(18))
    assert row["value_flags"] == ["a_flag"] and made.loc["F2", "value_flags"] == []
    assert made.loc["F2", "analysed_o2_pct"] == 32.0 and pd.isna(made.loc["F2", "settled_pressure_bar"])


def test_of_two_the_later_counts_whole():
    first = {"fill_id": "F1", "read_at": at(10), "analysed_o2_pct": 30.0, "analysed_he_pct": 2.0, "read_by": "Ines"}
    later = {"fill_id": "F1", "read_at": at(11), "analysed_o2_pct": 20.9}
    for order in ((first, later), (later, first)):
        row = read(FILLS, *order).loc["F1"]
        assert row["analysed_o2_pct"] == 20.9 and pd.isna(row["analysed_he_pct"]) and pd.isna(row["analysed_by"])


@pytest.mark.parametrize("logged_at, counts", [(at(12), 32.0), (at(10), 20.9), (pd.NaT, 20.9)])
def test_what_the_log_read_later_stays(logged_at, counts):
    fill = {"fill_id": "F1", "filled_at": at(8), "analysed_o2_pct": 32.0, "analysed_at": logged_at}
    assert (
        read([fill], {"fill_id": "F1", "read_at": at(11), "analysed_o2_pct": 20.9}).loc["F1", "analysed_o2_pct"]
        == counts
    )


def test_half_an_analysis_does_not_clear_sides_that_differ():
    sides = {"analysed_o2_pct": 29.0, "second_analysed_o2_pct": 36.0}
    one_side = {"fill_id": "F1", "read_at": at(12), "analysed_o2_pct": 32.0}
    logged = {"fill_id": "F1", "filled_at": at(8), "analysed_at": at(9)} | sides
    for fills, readings in (
        ([logged], [one_side]),
        (FILLS, [{"fill_id": "F1", "read_at": at(10)} | sides, one_side]),
    ):
        row = read(fills, *readings).loc["F1"]
        assert (row["analysed_o2_pct"], row["second_analysed_o2_pct"]) == (32.0, 36.0)
    both = one_side | {"second_analysed_o2_pct": 32.1, "read_at": at(13)}
    assert read([logged], one_side, both).loc["F1", "second_analysed_o2_pct"] == 32.1


@pytest.mark.parametrize(
    "analysed_at, read_at, counts",
    [(at(9), at(10), 2.0), (pd.NaT, at(10), 2.0), (at(11), at(10), 60.0), (at(9), at(7), 60.0)],
)
def test_carbon_monoxide_in_the_log_is_cleared_by_a_later_reading_alone(analysed_at, read_at, counts):
    fill = {"fill_id": "F1", "filled_at": at(8), "analysed_at": analysed_at, "co_ppm": 60.0}
    assert read([fill], {"fill_id": "F1", "read_at": read_at, "co_ppm": 2.0}).loc["F1", "co_ppm"] == counts
    without = fill | {"co_ppm": None}
    assert read([without], {"fill_id": "F1", "read_at": read_at, "co_ppm": 2.0}).loc["F1", "co_ppm"] == 2.0


def test_a_reading_of_a_fill_that_does_not_count_changes_nothing():
    made = read(FILLS, {"fill_id": "F9", "read_at": at(11), "analysed_o2_pct": 20.9, "co_ppm": 3.0})
    pd.testing.assert_frame_equal(made, frame("fills", *FILLS).set_index("fill_id"))


def returned(loans, *returns):
    return with_returns(frame("loans", *loans), frame("returns", *returns))


def test_a_return_ends_the_loan_that_was_out():
    loans = [
        {"unit_id": "C1", "member_id": "M1", "out_at": at(8, 1), "back_at": at(8, 3)},
        {"unit_id": "C1", "member_id": "M2", "out_at": at(8, 10)},
        {"unit_id": "C2", "member_id": "M2", "out_at": at(8, 10)},
    ]
    made = returned(
        loans,
        {"unit_id": "C1", "back_at": at(9, 12), "back_pressure_bar": 60.0},
        {"unit_id": "C1", "back_at": at(9, 13), "back_pressure_bar": 10.0},
        {"unit_id": "C2", "back_at": at(7, 10)},
        {"unit_id": "C3", "back_at": at(9, 12)},
    )
    assert made["back_at"].tolist()[:2] == [at(8, 3), at(9, 12)] and pd.isna(made["back_at"].iloc[2])
    assert made["back_pressure_bar"].tolist()[1] == 60.0


def test_a_return_says_nothing_of_a_loan_that_the_log_has_back_already():
    loan = {"unit_id": "C1", "member_id": "M1", "out_at": at(8, 1), "back_at": at(8, 3), "back_pressure_bar": 55.0}
    made = returned([loan], {"unit_id": "C1", "back_at": at(9, 12), "back_pressure_bar": 10.0}).iloc[0]
    assert (made["back_at"], made["back_pressure_bar"]) == (at(8, 3), 55.0)


def test_without_any_the_rows_stay_as_they_are():
    fills, loans = frame("fills", *FILLS), frame("loans", {"unit_id": "C1", "member_id": "M1", "out_at": at(8)})
    assert with_readings(fills, frame("fill_readings").head(0)) is fills
    assert with_returns(loans, frame("returns").head(0)) is loans
