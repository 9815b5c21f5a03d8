"""Who changes is called, who is steady is not, and what is stated holds: on seasons from another process."""

import numpy as np
import pytest

from shared.gas.constants import Z80
from shared.trend.level import NAMED_FROM_CHANCE, OUTLIER_Z
from tests.shared.season import make_season
from tests.shared.trend_grades import grade, pooled


def seasons(*seeds, **options):
    usual = {"members": 32, "least_dives": 40, "most_dives": 100, "days": (430, 730), "scatter": 0.12}
    usual |= {"wrong_share": 0.01, "differ": 1.0}
    return [grade(make_season(seed=seed, **(usual | options))) for seed in seeds]


@pytest.fixture(scope="module")
def drifting():
    """Three in ten drift by 1.5 to 2.3 % a month all along, the others stay."""
    return seasons(41, 42, 43, kinds={"steady": 7, "drift": 3})


@pytest.fixture(scope="module")
def mixed():
    """Members that drift late, learn, step, stop halfway; levels that wander; odd scatter."""
    return [
        *seasons(51, kinds={"steady": 3, "late": 2, "learn": 2, "step": 2, "half": 2}, days=(430, 1100)),
        *seasons(52, walk_month=0.03),
        *seasons(53, kinds={"steady": 2, "drift": 1}, tail_df=4, scatter=0.09, wrong_share=0.03, pauses=0.5),
    ]


def every_tenth(grades):
    """Rows far enough apart to tell something new, of members of whom enough is known."""
    return ~grades.few & grades.sampled


def last_of(*kinds):
    return lambda g: g.last & ~g.few & np.isin(g.kind, kinds)


def test_who_drifts_is_called_the_right_way(drifting):
    right = pooled(drifting, lambda g: g.called() == np.sign(g.true_change), last_of("drift"))
    assert right >= 0.9
    wrong = pooled(drifting, lambda g: g.called() * g.true_change < 0, lambda g: g.sampled & (g.kind == "drift"))
    assert wrong == 0


def test_who_is_steady_is_seldom_called_and_hardly_ever_by_name(drifting):
    assert pooled(drifting, lambda g: g.called() != 0, last_of("steady")) <= 0.1
    assert pooled(drifting, lambda g: g.called(NAMED_FROM_CHANCE) != 0, last_of("steady")) <= 0.04


@pytest.mark.parametrize("kind", ["steady", "drift"])
def test_intervals_of_the_change_hold_for_the_steady_and_for_the_drifting(drifting, kind):
    assert 0.74 <= pooled(drifting, lambda g: g.held(), lambda g: every_tenth(g) & (g.kind == kind)) <= 0.90


def test_the_figure_of_a_change_is_not_drawn_to_zero(drifting):
    towards = pooled(drifting, lambda g: (g.change[:, 1] - g.true_change) * np.sign(g.true_change), last_of("drift"))
    assert abs(towards) < 0.02


def test_intervals_hold_where_levels_move_otherwise(mixed):
    assert 0.74 <= pooled(mixed, lambda g: g.held(), every_tenth) <= 0.90


def test_a_slope_is_sure_only_where_the_rate_moves(drifting):
    def sure(g):
        return ((g.slope[:, 0] > 0) | (g.slope[:, -1] < 0)) & ~g.few_for_slope

    assert pooled(drifting, sure, lambda g: every_tenth(g) & (g.kind == "steady")) <= 0.05
    assert pooled(drifting, sure, last_of("drift")) >= 0.6
    inside = pooled(drifting, lambda g: (g.slope[:, 1] <= g.true_slope) & (g.true_slope <= g.slope[:, 3]), every_tenth)
    assert inside >= 0.78


@pytest.mark.parametrize("these", ["drifting", "mixed"])
def test_bands_of_level_and_next_dive_hold(these, request):
    grades = request.getfixturevalue(these)
    assert 0.74 <= pooled(grades, lambda g: g.next_inside) <= 0.87
    assert 0.74 <= pooled(grades, lambda g: g.known_inside) <= 0.87
    assert 0.07 <= pooled(grades, lambda g: g.next_over) <= 0.13
    assert 0.74 <= pooled(grades, lambda g: g.level_held) <= 0.89


def test_wrong_records_are_named_and_right_ones_are_not():
    season = make_season(members=30, least_dives=20, seed=33, wrong_share=0.04)
    z = np.abs(grade(season).levels.z)
    assert (z[season.wrong] > OUTLIER_Z).mean() > 0.6
    assert (z[~season.wrong] > OUTLIER_Z).mean() < 0.02


@pytest.mark.parametrize("members", [1, 3])
def test_few_members_are_judged_by_what_is_known_beforehand(members):
    """Where nobody else teaches, a drift is called all the same, and steady members are not."""
    grades = [
        g
        for seed in range(6 if members == 1 else 3)
        for kind in ("drift", "steady")
        for g in seasons(60 + seed, members=members, kinds={kind: 1}, scatter=0.1)
    ]
    assert pooled(grades, lambda g: g.called() == np.sign(g.true_change), last_of("drift")) >= 0.8
    assert pooled(grades, lambda g: g.called() != 0, last_of("steady")) <= 0.17
    assert pooled(grades, lambda g: g.held(), every_tenth) >= 0.74


def test_a_course_in_which_all_improve_is_seen_in_each():
    grades = seasons(71, 72, members=12, kinds={"learn": 1}, days=300.0)
    assert pooled(grades, lambda g: g.called() == -1, lambda g: g.last) >= 0.9


def test_after_a_pause_of_a_year_the_band_is_wider_and_holds():
    grades = seasons(81, 82, pauses=1.0, kinds={"steady": 1, "half": 1}, members=24)
    for g in grades:
        gap = np.r_[0.0, np.diff(g.dives.day)]
        back = (gap > 300) & ~g.dives.first_of_member()
        assert (np.abs(g.levels.z[back]) < 1.5 * Z80).mean() >= 0.85
        assert g.levels.level_var[back].mean() > 2 * g.levels.level_var[np.flatnonzero(back) - 1].mean()
