"""A thinned record keeps its ends, its extremes and its shape."""

import numpy as np

from shared.diving.thinning import kept_points


def test_no_more_points_than_asked_and_all_extremes_stay():
    rng = np.random.default_rng(2)
    count = [5000, 120, 401, 1]
    start = np.r_[0, np.cumsum(count)[:-1]]
    n = sum(count)
    depth, bar, gas_c, margin = (rng.normal(size=n).cumsum() for _ in range(4))
    gas_c[10:20] = np.nan
    keep = kept_points(start, [depth, bar], [gas_c, margin], 400)
    for first, many in zip(start, count, strict=True):
        part = slice(first, first + many)
        assert keep[part].sum() <= 400
        assert keep[first] and keep[first + many - 1]
        if many <= 400:
            assert keep[part].all()
        for curve in (depth, bar, gas_c, margin):
            kept = curve[part][keep[part]]
            assert np.nanmin(kept) == np.nanmin(curve[part]) and np.nanmax(kept) == np.nanmax(curve[part])


def test_the_shape_between_the_kept_points_is_near():
    t = np.linspace(0, 1, 6000)
    depth = 20 + 5 * np.sin(30 * t) + np.where(np.abs(t - 0.37) < 0.0004, 8.0, 0.0)
    keep = kept_points(np.array([0]), [depth, 200 - 150 * t], [depth], 400)
    again = np.interp(t, t[keep], depth[keep])
    assert np.abs(again - depth).max() < 8.0
    assert np.abs(again - depth).mean() < 0.1
