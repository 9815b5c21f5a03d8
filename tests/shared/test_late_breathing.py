"""When cylinders known by their ends alone were breathed."""

import numpy as np
import pytest

from shared.diving.tank_grid import STEPS
from shared.diving.tank_joint import late_breathing_shares

MINUTES = np.linspace(0, 45, STEPS + 1)
DEPTH_M = np.interp(MINUTES, [0, 3, 25, 28, 31, 33, 36, 38, 41.5, 43, 45], [0, 45, 45, 21, 21, 12, 12, 6, 6, 3, 0])
AMBIENT = 1.01325 + 1025 * 9.80665 * DEPTH_M / 1e5
BAR_MIN = np.r_[0, np.cumsum(0.5 * (AMBIENT[1:] + AMBIENT[:-1]) * np.diff(MINUTES))]
BREATH = np.diff(BAR_MIN)


def test_decompression_gas_lasts_for_its_share_of_the_end():
    late = BREATH[MINUTES[1:] > 28].sum()
    used = np.array([BAR_MIN[-1] - late, late]) * 15.0
    shares = late_breathing_shares(BAR_MIN, AMBIENT, used, np.array([False, True]), np.array([21.0, 50.0]), 1.6)
    assert (shares * BREATH).sum(axis=1) == pytest.approx(used / 15.0, rel=0.08)
    assert (shares[0, MINUTES[1:] < 25] > 0.99).all() and (shares[1, MINUTES[:-1] > 30] > 0.99).all()
    assert (shares.sum(axis=0) >= 1.0 - 1e-9).all()


def test_the_richest_comes_last_and_none_where_it_would_be_too_rich():
    used = np.array([BREATH.sum() * 0.6, BREATH.sum() * 0.2, BREATH.sum() * 0.2])
    shares = late_breathing_shares(
        BAR_MIN, AMBIENT, used, np.array([False, True, True]), np.array([18.0, 50.0, 99.0]), 1.6
    )
    middle = 0.5 * (AMBIENT[1:] + AMBIENT[:-1])
    assert (shares[2][middle * 0.99 > 1.61] < 0.05).all() and (shares[1][middle * 0.5 > 1.61] < 0.05).all()
    assert shares[2, -1] > 0.99


def test_a_decompression_cylinder_not_breathed_takes_no_time():
    shares = late_breathing_shares(
        BAR_MIN, AMBIENT, np.array([100.0, -3.0]), np.array([False, True]), np.array([21.0, 50.0]), 1.6
    )
    assert (shares[0] == 1.0).all() and (shares[1] < 0.05).all()
