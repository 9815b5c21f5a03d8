"""One joint posterior of fills and of what is wrong with their estimates: against dense algebra; what it promises."""

import numpy as np
import pytest

from shared.filling import settling
from shared.filling.settling import Belief
from shared.filling.settling_beliefs import Beliefs, growing_blocks
from shared.filling.settling_causes import NONE, Estimates, Fills, Term, number_causes

STOP_SD = 0.25


class World:
    """Fills on one gauge; heat balance = truth + gauge offset × share − warmth × its lever − the unit's own + noise.

    Each fill has a check reading (rank 0) and, with `arrivals`, one on the same gauge when it comes back (rank 1).
    """

    def __init__(self, rng, n, *, units=8, gauge_bar=4.0, thermal_bar=-2.0, noise_bar=1.0, drift=0.0, months=6,
                 arrivals=False, read_sd=0.3, stated_noise=1.0):  # fmt: skip
        unit, step = rng.integers(0, units, n), np.sort(rng.integers(0, months, n))
        lever = rng.uniform(0.5, 1.5, n)
        own_true = rng.normal(0, 0.7, units)
        offset = gauge_bar + drift * step
        self.truth = 200.0 + rng.normal(0, 5.0, n)
        warm = thermal_bar * lever + own_true[unit]
        model = self.truth + 0.87 * offset - warm + rng.normal(0, noise_bar, n) + rng.normal(0, STOP_SD, n)
        check = self.truth + rng.normal(0, read_sd, n)
        back = self.truth + 0.97 * offset + rng.normal(0, 0.5, n)
        kinds = 3 if arrivals else 2
        zero = np.zeros(n)
        on_gauge = [-0.87 * np.ones(n), zero, -0.97 * np.ones(n)][:kinds]
        per_gauge, one = np.concatenate(on_gauge), np.zeros(kinds * n, int)
        acts = np.where(per_gauge != 0, 0, NONE)
        terms = [
            Term("gauge", acts, ["g"], per_gauge, 3.2),
            Term("gauge_walk", acts, ["g"], per_gauge, 1.0, step=np.tile(step, kinds)),
            Term("warmth", one, ["s"], np.concatenate([lever, zero, zero][:kinds]), 2.0),
        ]
        own_per = np.concatenate([np.ones(n), zero, zero][:kinds])
        own = Term("own", np.tile(unit, kinds), [f"u{i}" for i in range(units)], own_per, 0.7)
        self.causes, column, per = number_causes(terms, own)
        sds = [stated_noise * np.ones(n), read_sd * np.ones(n), 0.5 * np.ones(n)][:kinds]
        kind = np.repeat(np.arange(kinds), n)
        self.estimates = Estimates(
            np.concatenate([model, check, back][:kinds]), np.concatenate(sds), column, per, np.tile(unit, kinds),
            own_per, kind == 2, kind == 1,
        )  # fmt: skip
        self.unit, self.n = unit, n
        self.read(np.arange(n), np.arange(n) if arrivals else [])

    def read(self, checked, arrived):
        """Which fills have a check reading and which came back; of both the check is known first."""
        rows = np.arange(self.n)
        ranks = np.full((2, self.n), NONE)
        ranks[0, checked] = self.n + np.asarray(checked, int)
        for fill in arrived:
            ranks[int(ranks[0, fill] != NONE), fill] = 2 * self.n + fill
        self.fills = Fills(rows, np.full(self.n, NONE), ranks, np.full(self.n, STOP_SD))

    def belief(self):
        return Belief(self.causes, self.estimates, self.fills)

    def beliefs(self):
        return Beliefs(self.causes, self.estimates, self.fills)


def checks(fills):
    """Rank of the first reading of each."""
    return np.zeros(len(fills), int)


def at_stop(world, belief, fills):
    """What is predicted of fills before any later reading of theirs."""
    return belief.settled(np.asarray(fills), ())


def test_nothing_known_is_the_prior():
    world = World(np.random.default_rng(0), 20)
    said = at_stop(world, world.belief(), np.arange(20))
    model = world.estimates.bar[:20]
    np.testing.assert_allclose(said.bar, model, atol=1e-9)
    e = world.estimates
    least = np.sqrt(1.0 + STOP_SD**2 + (0.87 * 3.2) ** 2 + (e.per[2, :20] * 2.0) ** 2 + 0.49 + (0.87 * 0.2) ** 2)
    assert (said.sd_bar >= least - 1e-9).all() and (said.sd_bar < least + 0.3).all()


@pytest.fixture
def plain_normal(monkeypatch):
    """All readings believed alike and the stated noise taken as it is: then all is linear algebra."""
    monkeypatch.setattr(Belief, "_trusted", lambda self, row, off, sd: np.ones(len(row)))
    monkeypatch.setattr(Belief, "_scatter_of", lambda self, *seen: None)


def dense(world, known_check, known_back):
    """Mean and SD of every fill's settled pressure from all causes and all fills in one matrix."""
    e, p, units, n = world.estimates, len(world.causes), len(world.causes.own_levels), world.n
    size = p + units + n
    information = np.zeros((size, size))
    information[:p, :p] = world.causes.prior_information + world.causes.walk_information / 0.2**2
    information[p : p + units, p : p + units] = np.eye(units) / world.causes.own_sd**2
    information[p + units :, p + units :] = np.eye(n) * 1e-12
    pull = np.zeros(size)
    rows = [*range(n), *(n + f for f in known_check), *(2 * n + f for f in known_back)]
    levers = e.levers(np.array([rows]), np.ones((1, len(rows))), np.arange(p), p)
    for row, lever in zip(rows, levers, strict=True):
        x = np.zeros(size)
        x[:p] = -lever
        x[p + e.own[row]] -= e.own_per[row]
        x[p + units + row % n] = 1.0
        variance = e.sd_bar[row] ** 2 + (STOP_SD**2 if row < n else 0.0)
        information += np.outer(x, x) / variance
        pull += x * e.bar[row] / variance
    covariance = np.linalg.inv(information)
    of_fills = slice(p + units, size)
    return (covariance @ pull)[of_fills], np.sqrt(np.diag(covariance)[of_fills])


@pytest.mark.usefixtures("plain_normal")
def test_the_belief_is_the_textbook_posterior_of_everything_at_once():
    """No reading counts twice: fills with none, one and two later readings agree with the dense normal equations."""
    world = World(np.random.default_rng(1), 40, arrivals=True)
    checked, arrived = np.arange(30), np.arange(10, 36)
    world.read(checked, arrived)
    belief = world.belief()
    belief.learn(checked[:12], checks(checked[:12]))
    belief.learn(checked[12:], checks(checked[12:]))
    belief.learn(arrived, (world.fills.readings[1, arrived] != NONE).astype(int))
    said = belief.settled(np.arange(40))
    mean, sd = dense(world, checked, arrived)
    np.testing.assert_allclose(said.bar, mean, atol=1e-5)
    np.testing.assert_allclose(said.sd_bar, sd, atol=1e-5)


@pytest.mark.usefixtures("plain_normal")
def test_alone_a_fill_and_its_reading_are_weighed_once():
    world = World(np.random.default_rng(2), 1, units=1)
    belief = world.belief()
    before = at_stop(world, belief, [0])
    belief.learn(np.array([0]), np.array([0]))
    said = belief.settled(np.array([0]))
    assert said.sd_bar[0] == pytest.approx((1 / before.sd_bar[0] ** 2 + 1 / 0.3**2) ** -0.5, rel=1e-6)


@pytest.mark.parametrize("known, at_most_bar", [(1, 2.4), (5, 1.6), (50, 0.95), (3000, 0.75)])
def test_more_readings_come_nearer(known, at_most_bar):
    off = []
    for seed in range(8):
        world = World(np.random.default_rng(seed), known + 200)
        fills = np.sort(np.random.default_rng(seed).permutation(known + 200)[:known])
        others = np.setdiff1d(np.arange(known + 200), fills)
        belief = world.belief()
        belief.learn(fills, checks(fills))
        off.append(np.median(np.abs(at_stop(world, belief, others).bar - world.truth[others])))
    assert np.median(off) < at_most_bar


def test_a_fill_with_its_own_reading_is_known_better_than_by_either():
    world = World(np.random.default_rng(11), 800, read_sd=0.8)
    belief = world.belief()
    belief.learn(np.arange(800), checks(np.arange(800)))
    off = {
        "both": belief.settled(np.arange(800)).bar - world.truth,
        "reading": world.estimates.bar[800:] - world.truth,
        "stop": at_stop(world, belief, np.arange(800)).bar - world.truth,
    }
    spread = {k: np.std(v) for k, v in off.items()}
    assert spread["both"] < 0.9 * min(spread["reading"], spread["stop"])


def test_a_rogue_reading_does_not_move_the_belief():
    for seed in range(5):
        world = World(np.random.default_rng(seed), 60)
        sane, fooled = world.belief(), World(np.random.default_rng(seed), 60)
        sane.learn(np.arange(40), checks(np.arange(40)))
        fooled.estimates.bar[60 + 7] += 60.0
        wild = fooled.belief()
        wild.learn(np.arange(40), checks(np.arange(40)))
        others = np.arange(40, 60)
        moved = np.abs(at_stop(world, wild, others).bar - at_stop(world, sane, others).bar)
        assert np.median(moved) < 0.3


def test_a_rogue_after_others_hardly_counts_even_for_its_own_fill():
    world = World(np.random.default_rng(3), 60)
    world.estimates.bar[60 + 31] -= 80.0
    belief = world.belief()
    belief.learn(np.arange(30), checks(np.arange(30)))
    before = at_stop(world, belief, np.arange(60))
    belief.learn(np.array([31]), np.array([0]))
    assert np.abs(at_stop(world, belief, np.arange(60)).bar - before.bar).max() < 1.0
    assert belief.settled(np.array([31])).bar[0] == pytest.approx(before.bar[31], abs=4.0)


@pytest.mark.parametrize("true", [0.5, 1.0, 2.0])
def test_the_noise_of_the_heat_balance_is_found(true):
    world = World(np.random.default_rng(4), 800, noise_bar=true)
    belief = world.belief()
    for i in range(0, 800, 40):
        part = np.arange(i, i + 40)
        belief.learn(part, checks(part))
    assert belief.noise_scale == pytest.approx(true, rel=0.15)


def test_order_of_readings_hardly_matters():
    world = World(np.random.default_rng(5), 120)
    at_once, one_by_one = world.belief(), world.belief()
    at_once.learn(np.arange(100), checks(np.arange(100)))
    for i in range(0, 100, 10):
        part = np.arange(i, i + 10)
        one_by_one.learn(part, checks(part))
    others = np.arange(100, 120)
    np.testing.assert_allclose(at_stop(world, at_once, others).bar, at_stop(world, one_by_one, others).bar, atol=0.3)


def test_a_drifting_gauge_is_followed_and_a_steady_one_is_not_blamed():
    for drift, mobile in ((0.0, False), (1.0, True)):
        world = World(np.random.default_rng(6), 400, drift=drift, months=12)
        beliefs = world.beliefs()
        for i in range(0, 400, 20):
            part = np.arange(i, i + 20)
            beliefs.score(part, 0)
            beliefs.learn(part, checks(part))
        assert (beliefs.weight[1] > 0.5) == mobile
        last = np.arange(380, 400)
        assert np.abs(np.mean(beliefs.settled(last, ()).bar - world.truth[last])) < 0.6


def test_one_tells_another_fill_of_the_same_unit_more():
    world = World(np.random.default_rng(7), 40)
    belief = world.belief()
    before = at_stop(world, belief, np.arange(40)).sd_bar
    belief.learn(np.array([0]), np.array([0]))
    gain = before - at_stop(world, belief, np.arange(40)).sd_bar
    same = (world.unit == world.unit[0]) & (np.arange(40) > 0)
    assert (gain > 0).all() and gain[same].mean() > gain[~same].mean()


def test_on_one_gauge_the_offset_cancels_and_the_warmth_is_found():
    """Stop and arrival on the same gauge say how warm the gas was, whatever the gauge is off by."""
    world = World(np.random.default_rng(8), 200, arrivals=True)
    world.read([], np.arange(200))
    belief = world.belief()
    warmth, gauge = world.causes.column["warmth", "s", 0], world.causes.column["gauge", "g", 0]
    before = np.sqrt(np.diag(belief.covariance))
    belief.learn(np.arange(200), checks(np.arange(200)))
    after = np.sqrt(np.diag(belief.covariance))
    assert after[warmth] < 0.25 * before[warmth]
    assert after[gauge] > 0.6 * before[gauge]
    assert belief.mean[warmth] == pytest.approx(-2.0, abs=3 * after[warmth])


def test_a_cylinder_that_was_used_after_all_teaches_nothing():
    world = World(np.random.default_rng(9), 80, arrivals=True)
    world.estimates.bar[2 * 80 : 2 * 80 + 40] -= np.random.default_rng(9).uniform(12.0, 30.0, 40)
    world.read(np.arange(40, 80), np.arange(40))
    belief, without = world.belief(), world.belief()
    for b in (belief, without):
        b.learn(np.arange(40, 80), checks(np.arange(40)))
    belief.learn(np.arange(40), checks(np.arange(40)))
    moved = at_stop(world, belief, np.arange(80)).bar - at_stop(world, without, np.arange(80)).bar
    assert np.abs(moved).max() < 0.6
    assert belief.trust[2 * 80 : 2 * 80 + 40].max() < 0.1


def test_a_stated_offset_of_a_gauge_is_believed_and_moves_on_with_it():
    world = World(np.random.default_rng(10), 60)
    belief = world.belief()
    levers = np.zeros(len(world.causes))
    levers[world.causes.column["gauge", "g", 0]] = 1.0
    belief.learn_cause(levers, 4.0, 0.4)
    assert belief.mean[world.causes.column["gauge", "g", 0]] == pytest.approx(4.0, abs=0.1)
    assert np.abs(np.mean(at_stop(world, belief, np.arange(60)).bar - world.truth)) < 3.0


def test_blocks_grow_so_that_fits_stay_few():
    known = np.arange(100_000)
    starts = growing_blocks(known)
    assert starts[0] == 0 and len(starts) < 80
    assert (np.diff(starts[:6]) == 1).all()
    assert len(growing_blocks(np.zeros(50, int))) == 1
    assert len(growing_blocks(np.zeros(0, int))) == 1


def test_many_fills_are_asked_some_at_a_time_and_say_the_same(monkeypatch):
    """Only the causes that act on some fills are looked at; what is left out has no lever."""
    world = World(np.random.default_rng(5), 40, arrivals=True)
    world.read(np.arange(30), np.arange(10, 36))
    belief = world.belief()
    all_fills = np.arange(world.n)
    whole = [belief.settled(all_fills), belief.settled(all_fills, ()), belief.effect(all_fills)]
    monkeypatch.setattr(settling, "AT_ONCE", 3)
    parts = [belief.settled(all_fills), belief.settled(all_fills, ()), belief.effect(all_fills)]
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_allclose(other.bar, one.bar, rtol=1e-12)
        np.testing.assert_allclose(other.sd_bar, one.sd_bar, rtol=1e-9)
    few = world.estimates.acting(np.array([0, -1]), len(world.causes))
    assert len(few) == np.count_nonzero(np.unique(world.estimates.column[:, 0]) >= 0)
