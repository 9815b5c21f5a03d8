"""What people read in other units: converted and named in one place, and nothing else follows it."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas import codes, reading_units, words
from schemas.codes.divers import CONDITION_WORDS, WATCH_REASONS
from schemas.reading_units import METRIC, US, reading, shown
from schemas.sources import SOURCES

UNITS = tuple(reading_units._US)
METRIC_FIGURE = re.compile(r"\d[ \u00a0](bar|°C|m|kg|L|L/min|m/min)(?![\w²³])")


@pytest.fixture
def us():
    with reading(US):
        yield


@pytest.mark.parametrize(
    "value, digits, unit, reads",
    [
        (206.84271879, 0, "bar", "3\u202f000\u00a0psi"),
        (232.0, 0, "bar", "3\u202f365\u00a0psi"),
        (0.3, 1, "bar", "4\u00a0psi"),
        (2831.6846592, 0, "L", "100.0\u00a0cu ft"),
        (14.158423296, 1, "L/min", "0.50\u00a0cu ft/min"),
        (30.48, 0, "m", "100\u00a0ft"),
        (15.0, 0, "°C", "59\u00a0°F"),
        (-40.0, 0, "°C", "\u221240\u00a0°F"),
        (4.5359237, 1, "kg", "10.0\u00a0lb"),
        (5.0, 0, "min", "5\u00a0min"),
        (32.0, 0, "%", "32\u00a0%"),
        (None, 0, "bar", "not known"),
    ],
)
def test_a_figure_reads_in_the_unit_of_the_reader(us, value, digits, unit, reads):
    assert words.number(value, digits, unit) == reads


def test_intervals_and_limits_follow(us):
    assert words.with_interval(258, 254, 262, 0, "bar") == "3\u202f742\u00a0psi (3\u202f684 to 3\u202f800)"
    assert words.between(254, 262, 0, "bar") == "3\u202f684 to 3\u202f800\u00a0psi"
    # what lies below a limit reads below it, as the limit is written
    assert words.number(50, 0, "bar") == "725\u00a0psi" and words.under(49.99, 50.0, "bar") != "725\u00a0psi"


def test_what_must_not_be_exceeded_is_rounded_down_in_the_unit_that_is_read(us):
    assert words.down(232.0, "bar") == "3\u202f364\u00a0psi"
    assert words.down(206.84271879, "bar") == "3\u202f000\u00a0psi"  # no foot lost to binary fractions
    assert words.depth_down(33.75) == "110\u00a0ft" and words.depth_up(3.1) == "11\u00a0ft"


def test_a_capacity_is_named_by_its_gas_only_where_its_pressure_is_known(us):
    assert words.capacity(11.04, 206.8427) == "80\u00a0cu\u00a0ft at 3\u202f000\u00a0psi"
    assert words.capacity(12.0, None) == "12.0\u00a0L"
    assert words.capacity(None, 200.0) == "not known"
    with reading(METRIC):
        assert words.capacity(12.0, 232.0) == "12.0\u00a0L"


@given(
    st.sampled_from(UNITS),
    st.floats(-500, 1e5, allow_nan=False),
)
def test_there_and_back_is_the_same(unit, value):
    with reading(US):
        how = shown(unit)
        assert how.back(how.of(value)) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.integers(0, 6000))
def test_whole_psi_come_back_as_they_were_typed(psi):
    with reading(US):
        assert words.bare(shown("bar").back(psi), 0, "bar").replace("\u202f", "") == str(psi)
        assert shown("bar").down(shown("bar").back(psi)) == psi


def test_texts_of_our_own_follow_differences_of_temperature_too(us):
    assert reading_units.text("it will read less at 15 °C.") == "it will read less at 59 °F."
    assert reading_units.text("Below -30 °C.") == "Below -22 °F."
    assert reading_units.text("Water 10 °C colder") == "Water 18 °F colder"
    assert reading_units.text("usual one, give or take 4 °C.") == "usual one, give or take 7 °F."
    assert reading_units.text("12 months, 50 mg/m³, 5 min") == "12 months, 50 mg/m³, 5 min"
    assert reading_units.label("Stopped at, bar") == "Stopped at, psi"


def test_no_reason_keeps_a_metric_figure(us):
    """But those of the intake, whose value is the file's own, and stays as it was written."""
    for code in codes.all_codes().values():
        if {"value", "other"} & set(code.figures):
            continue
        row = dict.fromkeys(code.figures, 123.4)
        for says in (code.words(row), code.words({}), words.with_fix(code.code, row)):
            assert not METRIC_FIGURE.search(says), says
    for says in (*WATCH_REASONS.values(), *CONDITION_WORDS.values()):
        assert not METRIC_FIGURE.search(reading_units.text(says)), says


def test_a_metric_reader_reads_the_sentence_as_it_is_declared():
    row = {"stop_pressure_bar": 206.8427, "target_pressure_bar": 232.0}
    assert codes.sentence("stopped_early", row) == "Stopped at 206.8 bar, below the 232 asked for."
    with reading(US):
        assert codes.sentence("stopped_early", row) == "Stopped at 3\u202f000 psi, below the 3\u202f365 asked for."


def test_the_choice_ends_with_what_it_was_made_for():
    with pytest.raises(ZeroDivisionError), reading(US):
        raise ZeroDivisionError
    assert reading_units.current() == METRIC
    with pytest.raises(ValueError, match="none of metric, us"):
        reading_units.use("imperial")


@pytest.mark.parametrize("source", SOURCES)
def test_a_header_in_other_units_is_no_other_column_and_reads_as_the_forms_convert(source):
    from pipelines.readers.tables.mapping import known_conversion, same_header, unit_in_header

    fields = SOURCES[source].fields
    headers = {c: reading_units.header_of(c, US) for c in fields}
    assert len({same_header(h) for h in headers.values()}) == len(fields)
    for column, header in headers.items():
        if header != column:
            assert header not in fields
            convert = known_conversion(column, unit_in_header(column, header))[1]
            assert float(convert(3000.0)) == reading_units.typed(column, 3000.0, US)
