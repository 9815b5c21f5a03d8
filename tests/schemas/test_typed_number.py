"""A figure that is typed is the figure that was meant, or is refused."""

import pytest

from schemas.typed_number import NotANumber, as_typed, typed_number


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("60", 60.0), (" 60,5 ", 60.5), ("5.25", 5.25), ("-3,5", -3.5), ("\u22123", -3.0), ("+4", 4.0), (",5", 0.5),
        ("3365", 3365.0), ("0,125", 0.125), ("1,5000", 1.5), ("1234,567", 1234.567), ("６０，５", 60.5), ("", None),
        (None, None), ("  ", None),
    ],
)  # fmt: skip
def test_a_figure_is_read_as_it_is_typed(typed, meant):
    assert typed_number(typed, most=5000.0) == meant


@pytest.mark.parametrize(
    "typed",
    [
        "1,500", "12,345", "1 500", "1'500", "1’500", "1\u202f500", "1.500", "-1,500", "1,500,000", "1,500.5",
        "1.500,5", "１，５００", "1,2,3", "1..5", "--5", "60 bar", "60bar", "12 °F", "1 500 psi", "1e3", "nan", "inf",
        "5²", "٦٠", "9" * 400, "sixty", "-", ",", "0x10", "1_500", "50-60",
    ],
)  # fmt: skip
def test_what_could_be_two_or_is_none_is_never_another_figure(typed):
    with pytest.raises(NotANumber):
        typed_number(typed, "psi", 5000.0)


def test_a_point_before_three_digits_is_asked_about_where_thousands_can_be():
    assert typed_number("20.946", "%", 100.0) == 20.946 and typed_number("1.501", "m", 1500.0) == 1.501
    with pytest.raises(NotANumber, match=r"write 1500, or 1.5"):
        typed_number("1.500", "m", 1500.0)  # as much as can be can be
    with pytest.raises(NotANumber, match=r"a decimal point or thousands\? .* write 1500, or 1.5"):
        typed_number("1.500", "bar", 450.0, coarse=True)
    with pytest.raises(NotANumber, match="alone, in psi"):
        typed_number("60 bar", "psi")


def test_a_field_is_begun_with_few_digits():
    assert [as_typed(v) for v in (12.222222222222221, 232.0, 20.95, -0.0, None, float("nan"))] == [
        "12.22", "232", "20.95", "0", None, None,
    ]  # fmt: skip
