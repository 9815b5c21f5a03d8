"""A day that is typed is the day that was meant, or is refused."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.typed_day import NotADay, said, typed_day

TODAY = date(2031, 6, 30)


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("3 May 2031", date(2031, 5, 3)),
        ("3 may", date(2031, 5, 3)),
        ("3 september", date(2030, 9, 3)),
        ("May 3, 2029", date(2029, 5, 3)),
        ("3rd May 2031", date(2031, 5, 3)),
        ("Sat 3 May 2031", date(2031, 5, 3)),
        ("2031-05-03", date(2031, 5, 3)),
        ("13.5.2031", date(2031, 5, 13)),
        ("5/13/2031", date(2031, 5, 13)),
        ("4/4/2031", date(2031, 4, 4)),
        (" Today ", TODAY),
        ("yesterday", date(2031, 6, 29)),
        ("29 feb", date(2028, 2, 29)),
    ],
)
def test_what_is_typed_is_understood(typed, meant):
    assert typed_day(typed, TODAY) == meant


def test_without_a_year_it_is_the_next_one_where_it_lies_ahead():
    assert typed_day("3 May", TODAY, ahead=True) == date(2032, 5, 3)
    assert typed_day("30 June", TODAY, ahead=True) == TODAY == typed_day("30 June", TODAY)


@pytest.mark.parametrize("typed", ["May 2019", "2019-05", "05/2019"])
def test_a_month_alone_is_its_first_day_where_a_stamp_says_no_more(typed):
    assert typed_day(typed, TODAY, month_will_do=True) == date(2019, 5, 1)
    with pytest.raises(NotADay, match="lacks the day"):
        typed_day(typed, TODAY)


@pytest.mark.parametrize("typed", ["31 June 2031", "13", "3 Ma", "soon", "", "3 4 May", "2031-13-01", "3 May 31 2031"])
def test_what_is_no_day_is_refused(typed):
    with pytest.raises(NotADay, match="Write it as 3 May 2031"):
        typed_day(typed, TODAY)


def test_what_could_be_two_days_is_asked_about():
    with pytest.raises(NotADay, match="'3/5/2031' is 3 May or 5 Mar"):
        typed_day("3/5/2031", TODAY)


@given(st.dates(date(1950, 1, 1), date(2090, 12, 31)))
def test_what_pages_show_reads_back(day):
    shown = said(day, TODAY)
    assert typed_day(shown.rpartition(",")[0], TODAY) == day
    if abs(day - TODAY) > timedelta(1):
        assert typed_day(shown, TODAY) == day
