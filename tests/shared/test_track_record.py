"""What a record of predictions says of the next one: nothing while it is short, and the truth when it is long."""

import numpy as np
import pytest

from shared.filling.track_record import correction


def test_no_record_changes_nothing():
    found = correction([])
    assert (found.shift_sd, found.widening) == (0.0, 1.0)
    assert correction([np.nan]).widening == 1.0


@pytest.mark.parametrize("bias, spread", [(0.0, 1.0), (0.8, 1.0), (-0.5, 1.6), (0.0, 0.6), (0.0, 2.2)])
def test_a_long_record_is_believed(bias, spread):
    """Errors of a normal with another mean and width than was said: corrected, 80 % intervals hold 80 %."""
    rng = np.random.default_rng(0)
    found = correction(bias + spread * rng.normal(size=600))
    off = bias + spread * rng.normal(size=20_000)
    held = np.mean(np.abs(off - found.shift_sd) <= 1.2815515655446004 * found.widening)
    assert (0.74 <= held <= 0.87) or (spread < 1.0 and held > 0.9 and found.widening == 1.0)
    assert found.shift_sd == pytest.approx(bias, abs=0.3)


def test_a_short_record_is_hardly_believed():
    found = correction([2.0, 1.8, 2.2, 2.1])
    assert 0.0 < found.shift_sd < 0.6 and found.widening < 1.3


def test_what_was_wrong_long_ago_is_forgotten():
    rng = np.random.default_rng(1)
    record = np.concatenate([rng.normal(3.0, 1.0, 300), rng.normal(0.0, 1.0, 500)])
    assert abs(correction(record).shift_sd) < 0.25


def test_one_answer_far_off_does_not_move_all_others():
    rng = np.random.default_rng(2)
    record = rng.normal(size=200)
    wild = record.copy()
    wild[150] = 40.0
    a, b = correction(record), correction(wild)
    assert abs(a.shift_sd - b.shift_sd) < 0.05 and abs(a.widening - b.widening) < 0.05
