"""The chance of a thin dive: its limits, what moves it, and what a record corrects."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import norm

from shared.diving.reserve_chance import (
    CORRECTION_PRIOR_SD,
    LEAST_DIVES,
    PastDives,
    Record,
    chance_next_below,
    corrected,
    fit_correction,
)


def past(room, odd=None, age_days=None, sd=0.15, rate=16.0):
    """Dives before one other, the newest first, with this room each; `odd` is how far their rates were off."""
    room = np.atleast_2d(np.asarray(room, float))
    j = room.shape[1]
    odd = np.zeros_like(room) if odd is None else np.broadcast_to(odd, room.shape)
    return PastDives(
        known=np.isfinite(room),
        age_days=np.broadcast_to(7.0 * (1 + np.arange(j)) if age_days is None else age_days, room.shape),
        newer=np.broadcast_to(np.arange(j, dtype=float), room.shape),
        critical_rmv_l_min=rate * np.exp(room),
        log_rmv=np.log(rate) + odd,
        expected_log_rmv=np.full(room.shape, np.log(rate)),
        expected_sd=np.full(room.shape, sd),
    )


def test_under_five_dives_there_is_no_chance_to_state():
    assert LEAST_DIVES == 5
    assert np.isnan(chance_next_below(past([0.4] * 4)))[0]
    assert np.isnan(chance_next_below(past([0.4] * 4 + [np.nan] * 9)))[0]
    assert chance_next_below(past([0.4] * 5))[0] > 0


def test_dives_that_bore_any_rate_or_none_are_sure():
    assert chance_next_below(past([20.0] * 30))[0] < 0.005
    assert chance_next_below(past([-20.0] * 30))[0] > 0.995
    with_none = past([0.5] * 20)
    with_none.critical_rmv_l_min[0, 3], with_none.critical_rmv_l_min[0, 5] = 0.0, np.inf
    assert 0.0 < chance_next_below(with_none)[0] < 0.5


def test_many_dives_alike_give_the_share_that_their_distribution_has():
    """Rooms drawn from a normal distribution: the share below is known in closed form."""
    rng = np.random.default_rng(3)
    for mean, room_sd, rate_sd in ((0.3, 0.2, 0.15), (0.0, 0.3, 0.1), (0.6, 0.25, 0.2), (-0.2, 0.15, 0.15)):
        rooms = rng.normal(mean, room_sd, (400, 120))
        odd = rng.normal(0, rate_sd, (400, 120))
        chance = chance_next_below(past(rooms, odd, sd=rate_sd)).mean()
        assert chance == pytest.approx(norm.cdf(-mean / np.hypot(room_sd, rate_sd)), abs=0.02)


def test_there_is_a_tail_beyond_the_thinnest_dive_seen():
    """Twelve dives whose rooms all lie two deviations above nothing: an even draw of them would say 0.001."""
    rooms = np.array([0.35, 0.5, 0.42, 0.61, 0.38, 0.47, 0.55, 0.4, 0.66, 0.52, 0.45, 0.58])
    even = norm.cdf(-rooms / 0.12).mean()
    assert chance_next_below(past(rooms, sd=0.12))[0] > 4 * even


def test_the_newer_dives_weigh_more():
    rooms = np.r_[np.full(8, -0.1), np.full(22, 0.7)]
    ages = 12.0 * (1 + np.arange(30))
    now = chance_next_below(past(rooms, age_days=ages))[0]
    before = chance_next_below(past(rooms[::-1], age_days=ages))[0]
    assert now > 0.3 > before


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(5, 60), st.floats(0.01, 0.5))
def test_more_room_on_every_dive_is_never_a_greater_chance(seed, dives, more):
    rng = np.random.default_rng(seed)
    rooms, odd = rng.normal(0.4, 0.3, dives).clip(-0.9, 0.9), rng.normal(0, 0.12, dives)
    less, greater = chance_next_below(past(np.stack([rooms, rooms + more]), odd))
    assert 0.0 <= greater <= less + 1e-9 <= 1.0 + 1e-9


def test_a_diver_who_ends_the_dive_by_the_gauge_is_less_at_risk_than_one_who_does_not():
    """Room that grows as much as the rate was off: the dive was cut short by just that."""
    rng = np.random.default_rng(5)
    odd = rng.normal(0, 0.18, 40)
    noise = rng.normal(0, 0.05, 40)
    by_gauge = chance_next_below(past(0.2 + odd + noise, odd, sd=0.18))[0]
    by_clock = chance_next_below(past(0.2 + rng.permutation(odd) + noise, odd, sd=0.18))[0]
    assert by_gauge < 0.1 < by_clock


def test_a_row_does_not_hang_on_what_else_is_asked():
    rng = np.random.default_rng(9)
    rooms, odd = rng.normal(0.3, 0.3, (6, 25)), rng.normal(0, 0.1, (6, 25))
    together = chance_next_below(past(rooms, odd))
    alone = [chance_next_below(past(rooms[i], odd[i]))[0] for i in range(6)]
    assert together.tolist() == alone


# --- what a record corrects -------------------------------------------------------------------
def record_of(chance, below):
    return Record.empty().with_dives(np.asarray(chance, float), np.asarray(below, bool))


def test_without_a_record_nothing_is_corrected():
    shift, stretch = fit_correction(Record.empty())
    assert (shift, stretch) == (0.0, 1.0)
    chance = np.array([0.001, 0.02, 0.3, 0.97, np.nan])
    np.testing.assert_allclose(corrected(chance, shift, stretch), chance, rtol=1e-9)


def test_a_record_that_came_as_said_corrects_next_to_nothing():
    rng = np.random.default_rng(2)
    chance = rng.beta(0.4, 2.0, 20_000)
    shift, stretch = fit_correction(record_of(chance, rng.random(20_000) < chance))
    assert abs(shift) < 0.05 and abs(stretch - 1) < 0.05


def test_chances_half_the_truth_are_raised_towards_it():
    rng = np.random.default_rng(4)
    true = rng.beta(0.5, 6.0, 20_000)
    said = true / 2
    correction = fit_correction(record_of(said, rng.random(20_000) < true))
    for low, high in ((0.01, 0.03), (0.03, 0.06), (0.1, 0.2)):
        band = (said >= low) & (said < high)
        assert corrected(said[band], *correction).mean() == pytest.approx(true[band].mean(), rel=0.15)


def test_the_correction_is_the_greatest_posterior():
    """Against a general minimiser of the same posterior, on single dives rather than counts."""
    rng = np.random.default_rng(6)
    chance = rng.beta(0.6, 1.4, 400)
    below = rng.random(400) < norm.cdf(-0.3 + 0.8 * norm.ppf(chance))
    score = np.clip(norm.ppf(chance), -3.5, 3.5)

    def minus_log(at):
        p = np.clip(norm.cdf(at[0] + at[1] * score), 1e-12, 1 - 1e-12)
        prior = (at[0] / CORRECTION_PRIOR_SD[0]) ** 2 + ((at[1] - 1) / CORRECTION_PRIOR_SD[1]) ** 2
        return 0.5 * prior - np.log(np.where(below, p, 1 - p)).sum()

    best = minimize(minus_log, [0.0, 1.0]).x
    np.testing.assert_allclose(fit_correction(record_of(chance, below)), best, atol=0.01)


def test_a_record_adds_up():
    chance, below = np.array([0.1, 0.5, np.nan, 0.9]), np.array([True, False, True, True])
    once = record_of(chance, below)
    twice = record_of(chance[:2], below[:2]).with_dives(chance[2:], below[2:])
    assert once.said.sum() == 3 and once.below.sum() == 2
    np.testing.assert_array_equal(once.said, twice.said)
    np.testing.assert_array_equal(once.below, twice.below)
