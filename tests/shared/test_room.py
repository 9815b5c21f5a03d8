"""The filling room's temperature from its logs: better than one log where neighbours agree, never worse where not."""

import numpy as np
import pytest

from shared.filling.room import filtered_c


def sessions(rng, days=200, a_day=6, noise=0.7, session_sd=0.0):
    """Hours, true room and logs of a station that fills some cylinders one after another on each day."""
    hours = (24.0 * np.arange(days)[:, None] + 10.0 + 0.2 * np.arange(a_day)).ravel()
    room = 15.0 + 6.0 * np.sin(hours / 24.0 / 58.0) + np.repeat(rng.normal(0, 1.5, days), a_day)
    room = room + rng.normal(0, session_sd, len(room))
    return hours, room, room + rng.normal(0, noise, len(room))


def rms(x):
    return float(np.sqrt(np.mean(np.square(x))))


def test_neighbours_take_out_much_of_the_noise():
    hours, room, logged = sessions(np.random.default_rng(0))
    found, sd, _ = filtered_c(hours, logged)
    late = slice(300, None)
    assert rms((found - room)[late]) < 0.75 * rms((logged - room)[late])
    assert rms((found - room)[late] / sd[late]) == pytest.approx(1.0, abs=0.25)


def test_where_neighbours_differ_a_log_stands_for_itself():
    """Fills hours apart in a room that swings by degrees: nothing is smoothed away."""
    hours, room, logged = sessions(np.random.default_rng(1), session_sd=4.0)
    found, _, _ = filtered_c(hours, logged)
    assert rms(found - room) < 1.05 * rms(logged - room)


def test_no_log_sees_a_later_one():
    hours, _, logged = sessions(np.random.default_rng(2), days=30)
    whole = filtered_c(hours, logged)
    part = filtered_c(hours[:90], logged[:90])
    for a, b in zip(whole, part, strict=True):
        np.testing.assert_array_equal(a[:90], b)


def test_a_slip_of_the_pen_moves_no_neighbour_and_a_gap_is_no_log():
    hours, _, logged = sessions(np.random.default_rng(3), days=60)
    wild = logged.copy()
    wild[200] += 40.0
    kept, slipped = filtered_c(hours, logged)[0], filtered_c(hours, wild)[0]
    assert np.abs(np.delete(slipped - kept, 200)).max() < 1.0
    assert slipped[200] == wild[200]
    gap = logged.copy()
    gap[100] = np.nan
    found, sd, _ = filtered_c(hours, gap)
    assert np.isnan(found[100]) and np.isnan(sd[100]) and np.isfinite(found[101])


def test_logs_that_agree_are_what_they_say():
    found, _, _ = filtered_c(np.arange(20.0), np.full(20, 18.5))
    np.testing.assert_allclose(found, 18.5)
    assert all(len(v) == 0 for v in filtered_c([], []))


def test_a_room_that_stays_as_it_is_is_found_not_to_walk():
    """Logs some hours apart differ by twice their noise's variance and by nothing else."""
    hours = (24.0 * np.arange(100)[:, None] + 10.0 + np.array([0.0, 0.2, 0.4, 3.0, 3.2, 3.4])).ravel()
    _, _, walk = filtered_c(hours, 18.0 + np.random.default_rng(5).normal(0, 0.7, len(hours)))
    assert walk[0] == 0.5 and walk[-1] < 0.1
