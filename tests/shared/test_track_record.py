"""What a record of predictions says of the next one: nothing while it is short, and the truth when it is long."""

import numpy as np
import pytest

from shared.filling.track_record import BY_CHANCE, HELD, LATEST, at_most, correction, record


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


def test_how_much_was_wrong_long_ago_changes_nothing():
    """Thousands of answers back each counts for nothing, and all of them together do not either."""
    rng = np.random.default_rng(3)
    latest = rng.normal(size=8_000)
    assert correction(np.concatenate([rng.normal(3.0, 4.0, 50_000), latest])) == correction(latest)


def test_one_answer_far_off_does_not_move_all_others():
    rng = np.random.default_rng(2)
    record = rng.normal(size=200)
    wild = record.copy()
    wild[150] = 40.0
    a, b = correction(record), correction(wild)
    assert abs(a.shift_sd - b.shift_sd) < 0.05 and abs(a.widening - b.widening) < 0.05


def test_the_record_counts_what_was_held_and_how_far_off_it_was():
    """By hand: of three answers to 200 (198 to 202) two are held, and the middle one is 1 below the prediction."""
    found = record([200.0, 200.0, 200.0, np.nan], [198.0] * 4, [202.0] * 4, [202.0, 199.0, 195.0, 1.0])
    assert (found.answers, found.inside, found.off) == (3, 2, 1.0)
    assert not found.too_narrow and not found.biased, "of three nothing is said"


@pytest.mark.parametrize(
    ("answers", "too_narrow", "biased"),
    [
        ([199.0, 201.0] * 10, False, False),
        ([199.0] * 16 + [201.0] * 4, False, True),  # 16 of 20 on one side: 1.2 % by chance
        ([199.0] * 14 + [201.0] * 6, False, False),  # 14 of 20: 11.5 %
        ([199.0, 201.0] * 6 + [195.0, 205.0] * 4, True, False),  # 12 of 20 held: 3.2 % by chance
        ([199.0, 201.0] * 7 + [195.0, 205.0] * 3, False, False),  # 14 of 20: 19.6 %
    ],
)
def test_a_record_is_called_poor_where_chance_makes_one_so_in_fewer_than_one_of_twenty(answers, too_narrow, biased):
    """Binomial tails of 20 by 0.8 and, both ends, by 0.5: tables, checked by summing."""
    n = len(answers)
    found = record([200.0] * n, [198.0] * n, [202.0] * n, answers)
    assert (found.too_narrow, found.biased) == (too_narrow, biased)


def test_a_record_of_any_length_is_judged_as_by_the_incomplete_beta_function():
    """Reference: scipy's binomial distribution, which takes a twentieth of a second to load."""
    bdtr = pytest.importorskip("scipy.special").bdtr
    for share, tails in ((HELD, 1.0), (0.5, 2.0)):
        for n in (1, 2, 20, 21, 77, LATEST - 1, LATEST):
            ours = np.array([at_most(k, n, share) for k in range(n + 1)])
            theirs = bdtr(np.arange(n + 1), n, share)
            np.testing.assert_allclose(ours, theirs, rtol=1e-12)
            assert ((tails * ours < BY_CHANCE) == (tails * theirs < BY_CHANCE)).all()
