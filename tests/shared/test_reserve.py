"""Causes add to one, critical rates are exact."""

from itertools import permutations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.diving.reserve import Traces, cause_shares, critical_rmv_l_min, least_at


def traces(seed=0, dives=8, low=400.0):
    """Invented dives: gas runs down, what is required goes up and down with depth."""
    rng = np.random.default_rng(seed)
    count = rng.integers(5, 60, dives)
    start = np.r_[0, np.cumsum(count)[:-1]]
    content, required, used = [], [], []
    for n in count:
        breathed = np.r_[0, np.cumsum(rng.uniform(5, 60, n - 1))]
        content.append(rng.uniform(low, low + 1500) - breathed)
        required.append(rng.uniform(60, 1100, n))
        used.append(breathed)
    return Traces(start, np.concatenate(content), np.concatenate(required), np.concatenate(used))


def test_the_least_is_found_in_each_dive_and_unknown_samples_are_passed_over():
    value = np.array([3.0, np.nan, 1.0, 1.0, 5.0, 2.0, np.nan])
    assert least_at(value, np.array([0, 4, 6])).tolist() == [2, 5, 6]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(5, 40))
def test_at_its_critical_rate_a_dive_just_meets_the_policy(seed, rmv):
    t = traces(seed)
    critical = critical_rmv_l_min(t, np.full(len(t.start), rmv))
    dive = t.dive()
    whole = t.content_free_l + t.used_free_l
    again = whole - np.where(np.isfinite(critical), critical, 0.0)[dive] / rmv * t.used_free_l - t.required_free_l
    least = np.minimum.reduceat(again, t.start)
    met = critical > 0
    np.testing.assert_allclose(least[met], 0.0, atol=1e-6)
    assert (least[~met] < 0).all()


def by_orders(margin, used, fixes, save):
    """Shapley value over all orders of one dive's players, one at a time."""

    def left(players):
        fixed = margin + sum(fixes[p] for p in players if p < 2) + (save * used if 2 in players else 0.0)
        return max(0.0, -fixed.min())

    share = np.zeros(3)
    for order in permutations(range(3)):
        for i, player in enumerate(order):
            share[player] += (left(order[:i]) - left(order[: i + 1])) / 6
    return np.r_[share, left((0, 1, 2))] / left(())


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_shares_are_the_shapley_value_and_add_to_one(seed):
    t = traces(seed, low=-200.0)
    rng = np.random.default_rng(seed + 1)
    d = len(t.start)
    short, cooled, save = rng.uniform(0, 300, d), rng.uniform(0, 300, d), rng.uniform(0, 0.4, d)
    shares, deficit = cause_shares(t, short, cooled, save)
    below = deficit > 0
    assert np.isnan(shares[~below]).all()
    np.testing.assert_allclose(shares[below].sum(axis=1), 1.0, atol=1e-12)
    assert (shares[below] >= -1e-12).all()
    ends = np.r_[t.start[1:], len(t.content_free_l)]
    for i in np.flatnonzero(below):
        part = slice(t.start[i], ends[i])
        expected = by_orders(t.margin_free_l[part], t.used_free_l[part], (short[i], cooled[i]), save[i])
        np.testing.assert_allclose(shares[i], expected, atol=1e-12)


def test_a_dive_with_nothing_to_fix_was_its_profile():
    t = traces(3, low=-300.0)
    nothing = np.zeros(len(t.start))
    shares, deficit = cause_shares(t, nothing, nothing, nothing)
    np.testing.assert_allclose(shares[deficit > 0], np.tile([0.0, 0, 0, 1], (int((deficit > 0).sum()), 1)))
