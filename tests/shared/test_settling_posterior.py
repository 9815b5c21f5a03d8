"""A belief taken up again, over other fills, says what it said; and a gauge walks on."""

import numpy as np
import pytest
from test_settling import World, checks

from shared.filling.settling import Belief
from shared.filling.settling_beliefs import Beliefs
from shared.filling.settling_causes import Causes
from shared.filling.settling_posterior import Posterior

WALK_SD = 0.3


def test_a_belief_taken_up_again_says_what_it_said():
    world = World(np.random.default_rng(3), 40)
    beliefs, some = world.beliefs(), np.arange(25)
    beliefs.learn(some, checks(some))
    again = Beliefs.taken_up(beliefs.posteriors(), world.causes, world.estimates, world.fills)
    for b, a in zip(beliefs.beliefs, again.beliefs, strict=True):
        a.trust = b.trust.copy()
        assert a.readings == b.readings and a.noise_scale == b.noise_scale
    rest = np.arange(25, 40)
    for ranks in ((), None):
        said, taken = beliefs.settled(rest, ranks), again.settled(rest, ranks)
        np.testing.assert_allclose(taken.bar, said.bar, atol=1e-10)
        np.testing.assert_allclose(taken.sd_bar, said.sd_bar, atol=1e-10)
    np.testing.assert_allclose(again.weight, beliefs.weight, atol=1e-12)


def _causes(names, information, walk, units=("u",)):
    return Causes(
        {name: i for i, name in enumerate(names)}, np.asarray(information, float), np.asarray(walk, float),
        np.array(units, dtype=object), 0.06, {"gauge_walk": 1.0},
    )  # fmt: skip


def _known(names, mean, covariance):
    p = len(names)
    return Posterior(
        WALK_SD, 0.0, list(names), ["u"], np.asarray(mean, float), np.asarray(covariance, float),
        np.array([0.1]), np.array([0.002]), np.full((1, p), 0.001), 8.0, 8.0, 5,
    )  # fmt: skip


def _walk(step):
    return ("gauge_walk", "g", step)


def test_a_gauge_walks_on_from_its_last_step():
    known = _known([_walk(10), _walk(11)], [0.5, 0.7], [[0.2, 0.1], [0.1, 0.3]])
    # of the fills asked for the last step known and two later ones act
    causes = _causes([_walk(11), _walk(13), _walk(14)], np.zeros((3, 3)), np.eye(3))
    over = known.over(causes)
    np.testing.assert_allclose(over.mean, [0.7, 0.7, 0.7])
    moved = WALK_SD**2
    want = [[0.3, 0.3, 0.3], [0.3, 0.3 + 2 * moved, 0.3 + 2 * moved], [0.3, 0.3 + 2 * moved, 0.3 + 3 * moved]]
    np.testing.assert_allclose(over.covariance, want)
    np.testing.assert_allclose(over.own_to_shared, np.full((1, 3), 0.001))


def test_a_new_gauge_source_and_unit_begin_with_their_prior():
    known = _known([("jet", "s", 0)], [0.4], [[0.05]])
    names = [("jet", "s", 0), ("jet", "new", 0), _walk(20), _walk(22)]
    causes = _causes(names, np.diag([4.0, 4.0, 0.0, 0.0]), np.eye(4), ("u", "v"))
    over = known.over(causes)
    np.testing.assert_allclose(over.mean, [0.4, 0.0, 0.0, 0.0])
    moved = WALK_SD**2
    want = np.diag([0.05, 0.25, moved, 3 * moved])
    want[2, 3] = want[3, 2] = moved
    np.testing.assert_allclose(over.covariance, want)
    np.testing.assert_allclose(over.own_variance, [0.002, 0.06**2])
    np.testing.assert_allclose(over.own_mean, [0.1, 0.0])
    # as the walk's prior of a belief that has learned nothing: information of steps 20 and 22 from zero before
    walk = np.array([[1.0 + 0.5, -0.5], [-0.5, 0.5]]) / moved
    np.testing.assert_allclose(np.linalg.inv(walk), want[2:, 2:])


def test_it_is_the_same_as_a_belief_over_all_causes_when_these_were_not_read():
    """What is left out acts on nothing that is asked; taking a marginal of a normal is leaving rows out."""
    world = World(np.random.default_rng(5), 30)
    belief = world.belief()
    belief.learn(np.arange(20), checks(np.arange(20)))
    last = np.arange(24, 30)
    columns = world.estimates.acting(last, len(world.causes))
    names = [name for name, i in world.causes.column.items() if i in set(columns)]
    part = Causes(
        {name: i for i, name in enumerate(names)}, world.causes.prior_information[np.ix_(columns, columns)],
        world.causes.walk_information[np.ix_(columns, columns)], world.causes.own_levels, world.causes.own_sd,
        world.causes.walk_prior_sd,
    )  # fmt: skip
    over = belief.posterior().over(part)
    np.testing.assert_allclose(over.mean, belief.mean[columns])
    np.testing.assert_allclose(over.covariance, belief.covariance[np.ix_(columns, columns)])


def test_one_that_was_taken_up_learns_no_more():
    world = World(np.random.default_rng(3), 20)
    again = Belief.taken_up(world.belief().posterior(), world.causes, world.estimates, world.fills)
    with pytest.raises(AttributeError):
        again.learn(np.arange(3), checks(np.arange(3)))
