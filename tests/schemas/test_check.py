"""Rows are clean or rejected by the declared model; a quick look never lets through what the model would not."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas import check, contradictions, row_rules
from schemas.frames import PANDAS
from schemas.sources import SOURCES

LATEST = pd.Timestamp("2031-05-21T23:59:59", tz="UTC").as_unit("us")


def _value(field):
    """Good values, missing ones, and values at and beyond the bounds."""
    if field.kind == "float":
        low, high = field.low if field.low is not None else -10.0, field.high if field.high is not None else 10.0
        edges = [low, high, np.nextafter(low, -np.inf), np.nextafter(high, np.inf), (low + high) / 2, np.nan]
        return st.sampled_from(edges)
    if field.kind == "int":
        low, high = int(field.low if field.low is not None else 0), int(field.high if field.high is not None else 9)
        return st.sampled_from([low, high, low - 1, high + 1, None])
    if field.choices:
        return st.sampled_from([*field.choices, "neither", None])
    if field.kind == "bool":
        return st.sampled_from([True, False, None])
    if field.kind in ("time", "date"):
        return st.sampled_from([pd.Timestamp("2031-05-20"), pd.NaT])
    return st.sampled_from(["a", "b", None])


@st.composite
def _rows(draw, source: str) -> pd.DataFrame:
    size = draw(st.integers(0, 3))
    made = {}
    for name, field in SOURCES[source].fields.items():
        values = [draw(_value(field)) for _ in range(size)]
        column = pd.Series(values, dtype="object")
        if field.kind == "time":
            column = pd.to_datetime(column, utc=True)
        made[name] = column.astype(PANDAS[field.kind])
    frame = pd.DataFrame(made, index=range(size))
    return frame.assign(row_number=range(1, size + 1), line=range(2, size + 2))


@pytest.mark.parametrize("source", ["fills", "dive_tanks", "bookings", "links"])
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_the_quick_look_names_the_columns_in_which_the_model_is_broken(source, data):
    import pandera.pandas as pa

    def cases(columns) -> pd.DataFrame:
        try:
            check.model(source, tuple(columns)).validate(frame[list(columns)], lazy=True)
        except pa.errors.SchemaErrors as error:
            return error.failure_cases
        return pd.DataFrame({"column": []})

    frame = data.draw(_rows(source))
    whole, asked = cases(SOURCES[source].fields), check._may_break(source, frame)
    assert asked == [name for name in SOURCES[source].fields if name in set(whole["column"])]
    if asked:  # the same of each, in the same order, as from the columns that break a rule alone
        pd.testing.assert_frame_equal(cases(asked), whole)


@pytest.mark.parametrize("source", SOURCES)
def test_a_row_is_clean_or_has_a_problem_that_names_it(source):
    rows = {name: [None] * 2 for name in SOURCES[source].fields}
    frame = pd.DataFrame({n: pd.Series(v, dtype=PANDAS[SOURCES[source].fields[n].kind]) for n, v in rows.items()})
    clean, problems = check.check(source, frame.assign(row_number=[1, 2], line=[2, 3]), LATEST)
    assert clean.empty
    assert set(problems["row_number"]) == {1, 2}
    assert (problems["message"].str.len() > 0).all()
    assert (problems["fix"].str.len() > 0).all()
    assert set(problems["severity"]) == {"row"}


@pytest.mark.parametrize(
    ("zone", "end"), [("UTC", "2026-03-28T23:59:59.999999Z"), ("Europe/Dublin", "2026-03-28T23:59:59.999999Z"),
                      ("Australia/Sydney", "2026-03-28T12:59:59.999999Z")]
)  # fmt: skip
def test_the_future_begins_when_tomorrow_ends_at_the_station(zone, end):
    assert check.end_of_tomorrow(pd.Timestamp("2026-03-27"), zone) == pd.Timestamp(end)


def test_a_wrong_dtype_is_the_reader_s_fault_and_is_reported():
    frame = pd.DataFrame({n: pd.Series([1], dtype="int64") for n in SOURCES["members"].fields})
    with pytest.raises(TypeError, match="members"):
        check.check("members", frame.assign(row_number=[1], line=[2]), LATEST)


def test_a_rating_that_no_cylinder_has_is_rejected():
    """80 cubic feet at 3000 psi is an 11 l cylinder; 400 at 700 psi would be 230 l, and 6000 psi 414 bar."""
    good = {"cylinder_id": "A", "owner_id": "station", "material": "aluminium", "status": "in_service"}
    ratings = [(80.0, 3000.0), (400.0, 700.0), (80.0, 6000.0)]
    rows = [good | {"rated_capacity_cuft": c, "service_pressure_psi": p} for c, p in ratings]
    made = {
        n: pd.Series([r.get(n) for r in rows], dtype=PANDAS[f.kind]) for n, f in SOURCES["cylinders"].fields.items()
    }
    frame = pd.DataFrame(made).assign(
        cylinder_id=pd.Series(list("ABC"), dtype="str"), row_number=[1, 2, 3], line=[2, 3, 4]
    )
    clean, problems = check.check("cylinders", frame, LATEST)
    assert clean["cylinder_id"].tolist() == ["A"]
    assert problems["row_number"].tolist() == [2, 2, 3][-len(problems) :]
    assert {"rated_capacity_cuft", "service_pressure_psi"} == set(problems["column"])


@pytest.mark.parametrize("source", SOURCES)
def test_no_row_of_any_source_was_revised_after_tomorrow(source):
    fields = SOURCES[source].fields
    frame = pd.DataFrame({name: pd.Series([None, None], dtype=PANDAS[f.kind]) for name, f in fields.items()})
    frame["revised_at"] = pd.Series([LATEST, LATEST + pd.Timedelta(seconds=1)])
    frame["row_number"] = frame["line"] = pd.array([1, 2], dtype="Int64")
    _, problems = check.check(source, frame, LATEST)
    ahead = problems[problems["rule"] == "in_the_future"]
    assert ahead[["row_number", "column"]].to_numpy().tolist() == [[2, "revised_at"]]


def test_what_just_can_be_is_no_slip():
    """A mix of 100 % in all, a run that ended when it began, a mean depth as its rounding may leave it."""
    mixes = pd.DataFrame({"o2_pct": [18.0, 18.0], "he_pct": [82.0, 82.6]})
    assert list(row_rules.fractions(("o2_pct", "he_pct"))(mixes)["index"]) == [1]
    began = pd.Timestamp("2031-05-20T10:00Z")
    times = pd.DataFrame({"out_at": began, "back_at": [began, began - pd.Timedelta(seconds=1), pd.NaT]})
    assert list(row_rules.in_order("out_at", "back_at")(times)["index"]) == [1]
    (depths,) = contradictions.PAIRS["dives"]
    square = pd.DataFrame({"mean_depth_m": [20.5, 20.6, 19.0], "max_depth_m": 20.0})
    assert depths.contradicted(square).tolist() == [False, True, False]


@pytest.mark.parametrize(("litres", "fits"), [(11.1, True), (9.0, True), (13.5, True), (8.5, False), (14.2, False)])
def test_a_size_in_litres_and_one_in_cubic_feet_are_of_one_cylinder(litres, fits):
    """80 cubic feet at 3000 psi are 11 l, and trade names round: up to a quarter off is that, beyond it is a slip."""
    row = {"water_capacity_l": litres, "rated_capacity_cuft": 80.0, "service_pressure_psi": 3000.0}
    frame = pd.DataFrame([row | {"rated_at_psi": np.nan, "working_pressure_bar": np.nan}])
    assert check._two_ratings(frame) == [] if fits else len(check._two_ratings(frame)) == 1
