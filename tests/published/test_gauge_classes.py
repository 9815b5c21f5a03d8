"""EN 837-1:1996, table 11: accuracy classes as per cent of span (read in the standard; bar figures computed)."""

import pytest

from shared.filling.gauges import limit_of_error_bar, offset_sd_bar, offset_sd_of_limit_bar, reading_sd_bar


@pytest.mark.parametrize("accuracy_class, limit_bar", [(1, 4.0), (1.6, 6.4), (2.5, 10.0)])
def test_limit_of_error_of_a_400_bar_gauge(accuracy_class, limit_bar):
    assert limit_of_error_bar(accuracy_class, 400) == pytest.approx(limit_bar, abs=1e-12)
    assert offset_sd_bar(accuracy_class, 400) == pytest.approx(limit_bar / 2)


def test_a_reading_is_uniform_over_its_step_and_a_stated_limit_is_two_deviations():
    """JCGM 100:2008, 4.3.7, from memory: uniform over 2 a has the variance a²/3; here a is half a step."""
    assert reading_sd_bar(2.0) == pytest.approx(3**-0.5, rel=1e-12)
    assert offset_sd_of_limit_bar(0.5) == 0.25
