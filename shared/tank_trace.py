"""Gas in a dived cylinder over time, from what its gauge read: many dives and cylinders at once.

The unknowns of a cylinder are its content and gas temperature at the start, how gas and wall follow the
water, the water's offset, gas that went into wing and suit on descent, and the rate of breathing at knots
through the dive. Pressures say what the real gas of that content at that temperature reads. All are fitted
together (Gauss-Newton, normal priors, Student-t weights for the readings), so that readings may be two or
four hundred, stepped, missing or wild; what the readings leave open shows in the interval.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared import gas
from shared.constants import FREE_LITRE_MOL
from shared.tank_heat import (
    PIVOT_L,
    conductance_w_k,
    exchange_weights,
    expansion_heat_j_mol,
    heat_capacity_j_mol_k,
    immersed_lag_s,
    water_conductance_w_k,
)
from shared.units import absolute, gauge, kelvin

STEPS = 64
"""Steps of the grid laid over each dive."""

KNOTS = 24
"""Places at which the rate may depart from its mean."""

EARLY_S = 240.0
"""How fast a diver's first haste, or calm, dies away."""

FIRST_STEPS = 0.35
"""Length of the first steps as a share of an even one: a warm cylinder cools in the first minutes."""

# Unknowns of a row: the water's offset K; then what dives have in common (SHARED): gas at the start °C, logs of factors
# on the film inside and on the wall's lag, a factor on cooling by expansion, content at the start in free litres,
# litres blown into wing and suit by a bar of descent, how much more of the mean rate is breathed in the first minutes;
# then mean rate L/min and its departures at the knots.
WATER, START, FILM, WALL, COOLING, CONTENT, INFLATION, EARLY, RATE = range(9)
SHARED = slice(START, RATE)
SHARED_COUNT = RATE - START
DEPARTURES = slice(RATE + 1, RATE + 1 + KNOTS)
USE = slice(INFLATION, RATE + 1 + KNOTS)
UNKNOWNS = RATE + 1 + KNOTS

_NU = 4.0
_ROWS_AT_ONCE = 128
_LEAST_FREE_L_PER_L = 0.7
_NUDGE = 0.02


def grid_share(place: ArrayLike) -> NDArray:
    """Share of the dive's duration that has passed at places 0 to STEPS of the grid."""
    even = np.asarray(place, float) / STEPS
    return even * (FIRST_STEPS + (1.0 - FIRST_STEPS) * even)


def grid_place(share: ArrayLike) -> NDArray:
    """The reverse of `grid_share`."""
    passed = np.clip(np.asarray(share, float), 0.0, 1.0)
    bend = 1.0 - FIRST_STEPS
    return STEPS * (np.sqrt(FIRST_STEPS**2 + 4.0 * bend * passed) - FIRST_STEPS) / (2.0 * bend)


STEP_SHARES = np.diff(grid_share(np.arange(STEPS + 1)))


@dataclass(frozen=True)
class TankRecords:
    """Rows, one a cylinder (or joined set) of a dive, on a grid of STEPS steps from first to last sample.

    Readings stand at places of the grid (0 to STEPS, fractions allowed), NaN where there is none.
    """

    duration_s: NDArray
    bar_min: NDArray  # (rows, STEPS + 1) integral of ambient pressure
    ambient_bar_abs: NDArray  # (rows, STEPS + 1)
    water_c: NDArray  # (rows, STEPS)
    water_sd_c: NDArray
    water_capacity_l: NDArray
    cylinders: NDArray
    wall_j_k_l: NDArray  # heat of the wall per litre of capacity
    o2_pct: NDArray
    he_pct: NDArray
    ar_pct: NDArray
    reading_at: NDArray  # (rows, readings)
    reading_bar: NDArray
    reading_sd_bar: NDArray
    rate_sd: NDArray  # scatter of the rate around its mean, as a share of the mean
    rate_lag_s: NDArray  # how long the rate remembers
    breathing_share: NDArray  # (rows, STEPS) part of the breathing that it serves, 1 for a cylinder breathed alone
    inflates: NDArray  # True where wing or suit are fed from it
    shared_mean: NDArray  # (rows, SHARED_COUNT) prior of the unknowns SHARED; content NaN where only readings say it
    shared_cov: NDArray  # (rows, SHARED_COUNT, SHARED_COUNT)

    def __len__(self) -> int:
        return len(self.duration_s)

    def take(self, rows: NDArray | slice) -> "TankRecords":
        """The same for some of the rows."""
        return TankRecords(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass
class TankFits:
    """What was found, a row a record; free litres and °C."""

    unknowns: NDArray  # (rows, UNKNOWNS): the columns are WATER, START, … of this module
    spread: NDArray  # (rows, UNKNOWNS, UNKNOWNS) their covariance
    prior_mean: NDArray  # (rows, UNKNOWNS)
    prior_precision: NDArray  # (rows, UNKNOWNS, UNKNOWNS)
    information: NDArray  # (rows, UNKNOWNS, UNKNOWNS) of the readings alone, where it was asked for
    vector: NDArray  # (rows, UNKNOWNS) information times mean
    reference_rate_l_min: NDArray
    used_free_l: NDArray
    used_sd_free_l: NDArray
    amount_free_l: NDArray  # (rows, STEPS + 1)
    gas_c: NDArray  # (rows, STEPS + 1)
    modelled_bar: NDArray  # (rows, STEPS + 1)
    rate_l_min: NDArray  # (rows, STEPS)
    residual_bar: NDArray  # (rows, readings)
    weight: NDArray  # (rows, readings): 1 believed, 0 not

    @property
    def start_free_l(self) -> NDArray:
        """Content at the first sample, free litres."""
        return self.amount_free_l[:, 0]

    @property
    def start_c(self) -> NDArray:
        """Gas temperature at the first sample, °C."""
        return self.unknowns[:, START]

    def sd_of(self, place: int) -> NDArray:
        """Standard deviation of one of the unknowns."""
        return np.sqrt(np.abs(self.spread[:, place, place]))

    @property
    def end_c(self) -> NDArray:
        """Gas temperature at the last sample, °C."""
        return self.gas_c[:, -1]

    def take(self, rows: NDArray) -> "TankFits":
        """The same for some of the rows."""
        return TankFits(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    @classmethod
    def blank(cls, rows: int, readings: int) -> "TankFits":
        """Nothing known of so many rows."""
        wide: dict[str, tuple[int, ...]] = {
            "unknowns": (UNKNOWNS,),
            "spread": (UNKNOWNS, UNKNOWNS),
            "prior_mean": (UNKNOWNS,),
            "prior_precision": (UNKNOWNS, UNKNOWNS),
            "information": (UNKNOWNS, UNKNOWNS),
            "vector": (UNKNOWNS,),
            "amount_free_l": (STEPS + 1,),
            "gas_c": (STEPS + 1,),
            "modelled_bar": (STEPS + 1,),
            "rate_l_min": (STEPS,),
            "residual_bar": (readings,),
            "weight": (readings,),
        }
        return cls(**{f.name: np.full((rows, *wide.get(f.name, ())), np.nan) for f in fields(cls)})

    def put(self, rows: NDArray, fits: "TankFits") -> None:
        """Write fits of some rows into their places."""
        for f in fields(self):
            mine, theirs = getattr(self, f.name), getattr(fits, f.name)
            if mine.ndim == 2:
                mine[rows, : theirs.shape[1]] = theirs
            else:
                mine[rows] = theirs


def early_share(duration_s: NDArray) -> NDArray:
    """(rows, STEPS) how much of what is breathed more in the first minutes is left in each step."""
    middle = 0.5 * (grid_share(np.arange(STEPS)) + grid_share(np.arange(1, STEPS + 1)))
    return np.exp(-middle * np.asarray(duration_s, float)[:, None] / EARLY_S)


def _knots() -> NDArray:
    """(STEPS, KNOTS) weights of straight lines between knots at the middle of each step."""
    middle = (np.arange(STEPS) + 0.5) / STEPS * (KNOTS - 1)
    left = np.minimum(middle.astype(int), KNOTS - 2)
    weights = np.zeros((STEPS, KNOTS))
    weights[np.arange(STEPS), left] = 1.0 - (middle - left)
    weights[np.arange(STEPS), left + 1] = middle - left
    return weights


KNOT_WEIGHTS = _knots()
KNOT_SHARES = grid_share(np.linspace(0.0, STEPS, KNOTS))
"""When the knots are, as shares of the duration."""

_WIDE = np.full(KNOTS, np.inf)
_LARGEST_STEP = np.array([8.0, 15.0, 0.5, 0.6, 1.0, np.inf, np.inf, 0.5, np.inf, *_WIDE])
_LOW = np.array([-12.0, -25.0, -1.2, -1.5, 0.0, -np.inf, -5.0, -0.9, -np.inf, *-_WIDE])
_HIGH = np.array([12.0, 75.0, 1.2, 1.5, 4.0, np.inf, 40.0, 2.0, np.inf, *_WIDE])


def fit_tanks(
    records: TankRecords, rounds: int = 6, start: NDArray | None = None, likelihood: bool = False
) -> TankFits:
    """Fit each record.

    Parameters
    ----------
    records : TankRecords
        Each row needs two readings apart in time; a row without gets NaN.
    rounds : int
        Gauss-Newton steps; each also reweighs the readings.
    start : ndarray, optional
        `unknowns` of an earlier fit of the same records, to go on from.
    likelihood : bool
        Also say what the readings alone say of the unknowns (`TankFits.information` and `vector`).

    Returns
    -------
    TankFits
        NaN in a row that could not be fitted (too few readings, states outside the gas engine's box).
    """
    parts = []
    for first in range(0, max(len(records), 1), _ROWS_AT_ONCE):
        some = slice(first, first + _ROWS_AT_ONCE)
        parts.append(_fit(records.take(some), rounds, None if start is None else start[some], likelihood))
    return TankFits(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(TankFits)})


def with_shared_prior(fits: TankFits, shared_mean: NDArray, shared_cov: NDArray) -> TankFits:
    """Fits whose likelihood is known, solved with a normal prior of the unknowns SHARED: one linear step.

    Unknowns, spread and prior are found; what is over the grid stays. Content NaN in `shared_mean` keeps its prior.
    """
    fine = np.isfinite(fits.used_free_l)
    mean, precision = fits.prior_mean[fine].copy(), fits.prior_precision[fine].copy()
    stated = shared_mean[fine].copy()
    free = ~np.isfinite(stated[:, CONTENT - START])
    stated[free, CONTENT - START] = mean[free, CONTENT]
    mean[:, SHARED] = stated
    still = precision[:, INFLATION, INFLATION] > 1e5
    precision[:, SHARED, SHARED] = np.linalg.inv(
        _free_content(_no_inflation(shared_cov[fine], still), free, precision[:, CONTENT, CONTENT] ** -0.5)
    )
    spread = np.linalg.inv(fits.information[fine] + precision)
    found = {f: getattr(fits, f).copy() for f in ("unknowns", "spread", "prior_mean", "prior_precision")}
    found["unknowns"][fine] = _times(spread, fits.vector[fine] + _times(precision, mean))
    found["spread"][fine], found["prior_mean"][fine], found["prior_precision"][fine] = spread, mean, precision
    return replace(fits, **found)


@dataclass(frozen=True)
class _Linear:
    """The model at one set of unknowns, and how its readings move with them."""

    used: NDArray
    amount: NDArray
    gas_c: NDArray
    modelled_bar: NDArray
    residual: NDArray
    seen: NDArray
    jacobian: NDArray  # (rows, readings, UNKNOWNS)
    apart_k: NDArray  # (rows, STEPS) gas against wall


class _Model:
    """What a batch of records makes of its unknowns; all that does not hang on them is worked out once."""

    def __init__(self, r: TankRecords):
        self.records = r
        rows = len(r)
        self.mix = r.o2_pct[:, None], r.he_pct[:, None], r.ar_pct[:, None]
        self.capacity = r.water_capacity_l[:, None]
        self.known = np.isfinite(r.reading_bar) & np.isfinite(r.reading_at)
        self.at = np.where(self.known, np.clip(np.nan_to_num(r.reading_at), 0.0, STEPS), 0.0)
        self.left = np.minimum(self.at.astype(int), STEPS - 1)
        self.share = self.at - self.left
        self.sd = np.where(self.known, r.reading_sd_bar, 1.0)
        self.step_s = r.duration_s[:, None] * STEP_SHARES
        per_cylinder = r.water_capacity_l / r.cylinders
        self.wall_j_k = (r.wall_j_k_l * r.water_capacity_l)[:, None]
        self.film_w_k = conductance_w_k(per_cylinder, r.cylinders)[:, None] / conductance_w_k(PIVOT_L)
        self.water_w_k = water_conductance_w_k(per_cylinder, r.cylinders)[:, None]
        self.heat_j_mol_k = heat_capacity_j_mol_k(r.he_pct)[:, None]
        breath = np.diff(r.bar_min, axis=1) * r.breathing_share
        descent = np.maximum(np.diff(r.ambient_bar_abs, axis=1), 0.0)
        self.centre, self.reference_rate = _first_guess(self, descent)
        # what is used in a step is linear in inflation, early haste, mean rate and the rate's departures at knots
        early = breath * self.reference_rate[:, None] * early_share(r.duration_s)
        self.makes_use = np.concatenate(
            [descent[:, :, None], early[:, :, None], breath[:, :, None], breath[:, :, None] * KNOT_WEIGHTS], axis=2
        )
        self.taken = np.concatenate([np.zeros((rows, 1, 3 + KNOTS)), np.cumsum(self.makes_use, axis=1)], axis=1)
        self.prior = _prior_precision(r, self.reference_rate)
        amount = self.centre[:, CONTENT, None] - _times(self.taken, self.centre[:, USE])
        middle = 0.5 * (amount[:, 1:] + amount[:, :-1]) / self.capacity
        density = np.maximum(middle, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL
        heat = expansion_heat_j_mol(density, kelvin(np.clip(r.water_c, -30, 60)), *self.mix)
        self.heat_j_free_l = np.where(np.isfinite(heat), heat, 2600.0) * FREE_LITRE_MOL

    def linearise(self, x: NDArray, apart_k: NDArray) -> _Linear:
        """The model at `x`, its film taken as for gas and wall so far apart."""
        r, makes_use = self.records, self.makes_use
        used, amount = _times(makes_use, x[:, USE]), x[:, CONTENT, None] - _times(self.taken, x[:, USE])
        density = np.maximum(amount / self.capacity, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL
        middle = 0.5 * (density[:, 1:] + density[:, :-1])
        water = r.water_c + x[:, WATER, None]
        cooling, thicker = x[:, COOLING, None], np.exp(x[:, WALL, None])
        film = self.film_w_k * conductance_w_k(PIVOT_L, 1, middle, apart_k) * np.exp(x[:, FILM, None])
        gas_j_k = middle * self.capacity * self.heat_j_mol_k
        weights = exchange_weights(
            self.step_s, film / gas_j_k, film / self.wall_j_k, self.water_w_k / (thicker * self.wall_j_k)
        )
        # where gas and wall would come to rest by what is drawn off, K colder by a free litre in the step
        wall_colder = self.heat_j_free_l / (self.step_s * self.water_w_k) * thicker
        film_colder = self.heat_j_free_l / (self.step_s * film)
        follows = _follow(weights, makes_use, film_colder + wall_colder, wall_colder)
        of_start, of_use = follows[:, :, 0], follows[:, :, 1:]
        by_use = _times(of_use, x[:, USE])
        still = _still(weights, water, water, x[:, START])
        gas_c = np.clip(still[:, :, 0] + cooling * by_use, -40.0, 90.0)

        temperature = kelvin(gas_c)
        pressure = gas.pressure_bar_abs(density, temperature, *self.mix, strict=False)
        by_temperature = gas.pressure_bar_abs(density, temperature + 1.0, *self.mix, strict=False) - pressure
        thicker_gas = gas.pressure_bar_abs(density * 1.002, temperature, *self.mix, strict=False)
        by_content = (thicker_gas - pressure) / (0.002 * density) * (FREE_LITRE_MOL / self.capacity)

        jacobian = np.empty((len(r), STEPS + 1, UNKNOWNS))
        jacobian[:, :, START] = by_temperature * of_start
        jacobian[:, :, WATER] = by_temperature * (1.0 - of_start)
        jacobian[:, :, COOLING] = by_temperature * by_use
        jacobian[:, :, CONTENT] = by_content
        jacobian[:, :, USE] = (by_temperature * cooling)[:, :, None] * of_use - by_content[:, :, None] * self.taken
        drawn = cooling * used
        for place, of_film, of_wall in ((FILM, _NUDGE, 0.0), (WALL, 0.0, _NUDGE)):
            nudged_film, nudged_wall = film * np.exp(of_film), thicker * np.exp(of_wall)
            nudged = exchange_weights(
                self.step_s,
                nudged_film / gas_j_k,
                nudged_film / self.wall_j_k,
                self.water_w_k / (nudged_wall * self.wall_j_k),
            )
            wall_cold = wall_colder * drawn * np.exp(of_wall)
            gas_cold = film_colder * drawn * np.exp(-of_film) + wall_cold
            moved = _still(nudged, water - gas_cold, water - wall_cold, x[:, START])[:, :, 0]
            jacobian[:, :, place] = by_temperature * (moved - gas_c) / _NUDGE
        gap = gas_c - still[:, :, 1]
        modelled = gauge(pressure)
        residual = r.reading_bar - _read(modelled, self.left, self.share)
        seen = self.known & np.isfinite(residual)
        return _Linear(
            used,
            amount,
            gas_c,
            modelled,
            np.where(seen, residual, 0.0),
            seen,
            np.nan_to_num(_read(jacobian, self.left, self.share)),
            0.5 * np.abs(gap[:, 1:] + gap[:, :-1]),
        )


def _fit(r: TankRecords, rounds: int, start: NDArray | None, likelihood: bool) -> TankFits:
    model = _Model(r)
    known, sd, centre, prior = model.known, model.sd, model.centre, model.prior
    few = known.sum(axis=1, keepdims=True) <= 3
    enough = (known.sum(axis=1) >= 2) & (np.ptp(np.where(known, model.at, model.at[:, :1]), axis=1) > 0)
    x = centre.copy() if start is None else np.where(np.isfinite(start), start, centre)
    if start is None and np.isfinite(r.shared_mean[:, CONTENT - START]).any():
        x[:, CONTENT] = _read_content(model, x)
    scale = np.ones(len(r))
    apart_k = np.full((len(r), STEPS), 4.0)
    for turn in range(rounds + 1):
        now = model.linearise(x, apart_k)
        apart_k = now.apart_k
        if turn >= 2 or start is not None:
            off = np.where(now.seen, np.abs(now.residual) / sd, np.nan)
            scale = np.clip(1.4826 * np.nan_to_num(_median(off), nan=1.0), 1.0, 20.0)
        weight = (_NU + 1) / (_NU + (now.residual / (sd * scale[:, None])) ** 2)
        weight = np.where(now.seen, np.where(few, 1.0, weight), 0.0)
        root = np.sqrt(weight) / (sd * scale[:, None])
        j = now.jacobian * root[:, :, None]
        hessian = j.transpose(0, 2, 1) @ j + prior
        if turn == rounds:
            break
        pulled = _times(j.transpose(0, 2, 1), now.residual * root) + _times(prior, centre - x)
        step = np.nan_to_num(np.linalg.solve(hessian, pulled[:, :, None])[:, :, 0])
        x = np.clip(x + np.clip(step, -_LARGEST_STEP, _LARGEST_STEP), _LOW, _HIGH)

    spread = np.linalg.inv(hessian)
    to_used = np.zeros((len(r), UNKNOWNS))
    to_used[:, USE] = model.taken[:, -1]
    variance = np.einsum("ij,ijk,ik->i", to_used, spread, to_used)
    fine = enough & np.isfinite(now.modelled_bar).all(axis=1) & np.isfinite(variance)

    def kept(values: NDArray) -> NDArray:
        return np.where(fine.reshape(-1, *[1] * (values.ndim - 1)), values, np.nan)

    information, vector = np.full_like(spread, np.nan), np.full_like(x, np.nan)
    if likelihood:
        information, vector = _likelihood(model, x, root)
    rate = x[:, RATE, None] + x[:, DEPARTURES] @ KNOT_WEIGHTS.T
    rate += (x[:, EARLY] * model.reference_rate)[:, None] * early_share(r.duration_s)
    return TankFits(
        unknowns=kept(x),
        spread=kept(spread),
        prior_mean=kept(centre),
        prior_precision=kept(prior),
        information=kept(information),
        vector=kept(vector),
        reference_rate_l_min=kept(model.reference_rate),
        used_free_l=kept(now.used.sum(axis=1)),
        used_sd_free_l=kept(np.sqrt(np.maximum(variance, 0.0))),
        amount_free_l=kept(now.amount),
        gas_c=kept(now.gas_c),
        modelled_bar=kept(now.modelled_bar),
        rate_l_min=kept(r.breathing_share * rate),
        residual_bar=np.where(known, now.residual, np.nan),
        weight=np.where(known, np.minimum(weight, 1.0), 0.0),
    )


def _likelihood(model: _Model, x: NDArray, root: NDArray) -> tuple[NDArray, NDArray]:
    """What the readings, so weighted, say of the unknowns: information, and information times mean.

    Linear at what was said beforehand, with a steady rate, not at what the fit made of the readings: how a reading
    answers to lag or cooling hangs on how warm the gas was and on what was drawn. Taken where the readings themselves
    would have these, chance in the breathing would choose the answer and its weight, and hundreds of dives would agree
    on a wrong one; taken at what was said, chance averages out.
    """
    at = model.centre.copy()
    at[:, CONTENT] = np.where(np.isfinite(x[:, CONTENT]), x[:, CONTENT], at[:, CONTENT])
    before = model.linearise(at, np.full((len(at), STEPS), 4.0))
    now = model.linearise(at, before.apart_k)
    j = now.jacobian * (root * now.seen)[:, :, None]
    turned = j.transpose(0, 2, 1)
    return turned @ j, _times(turned, now.residual * root + _times(j, at))


def _follow(weights: tuple[NDArray, ...], makes_use: NDArray, gas_colder: NDArray, wall_colder: NDArray) -> NDArray:
    """(rows, STEPS + 1, 1 + uses) how the gas at the nodes hangs on its start, and on what is drawn off."""
    gas_of_gas, gas_of_wall, wall_of_gas, wall_of_wall = weights
    rows, steps, uses = makes_use.shape
    gas_in = -((1.0 - gas_of_gas) * gas_colder - gas_of_wall * wall_colder)[:, :, None] * makes_use
    wall_in = -((1.0 - wall_of_wall) * wall_colder - wall_of_gas * gas_colder)[:, :, None] * makes_use
    out = np.zeros((rows, steps + 1, 1 + uses))
    out[:, 0, 0] = 1.0
    gas_now, wall_now = out[:, 0].copy(), out[:, 0].copy()
    for k in range(steps):
        next_gas = gas_of_gas[:, k, None] * gas_now + gas_of_wall[:, k, None] * wall_now
        wall_now = wall_of_gas[:, k, None] * gas_now + wall_of_wall[:, k, None] * wall_now
        next_gas[:, 1:] += gas_in[:, k]
        wall_now[:, 1:] += wall_in[:, k]
        out[:, k + 1] = gas_now = next_gas
    return out


def _still(weights: tuple[NDArray, ...], gas_rest_c: NDArray, wall_rest_c: NDArray, start_c: NDArray) -> NDArray:
    """(rows, STEPS + 1, 2) gas and wall that would come to rest at these temperatures in each step."""
    gas_of_gas, gas_of_wall, wall_of_gas, wall_of_wall = weights
    rows, steps = gas_rest_c.shape
    gas_in = (1.0 - gas_of_gas) * gas_rest_c - gas_of_wall * wall_rest_c
    wall_in = (1.0 - wall_of_wall) * wall_rest_c - wall_of_gas * gas_rest_c
    out = np.empty((rows, steps + 1, 2))
    gas_now, wall_now = start_c.copy(), start_c.copy()
    out[:, 0, 0] = out[:, 0, 1] = start_c
    for k in range(steps):
        gas_now, wall_now = (
            gas_of_gas[:, k] * gas_now + gas_of_wall[:, k] * wall_now + gas_in[:, k],
            wall_of_gas[:, k] * gas_now + wall_of_wall[:, k] * wall_now + wall_in[:, k],
        )
        out[:, k + 1, 0], out[:, k + 1, 1] = gas_now, wall_now
    return out


def _times(matrices: NDArray, vectors: NDArray) -> NDArray:
    return (matrices @ vectors[:, :, None])[:, :, 0]


def _at_ends(model: _Model, start_c: NDArray) -> list[tuple[NDArray, NDArray, NDArray]]:
    """Place, node and content in free litres at the first and at the last reading."""
    r, known, at = model.records, model.known, model.at
    index = np.arange(len(r))
    elapsed_s = r.duration_s[:, None] * grid_share(np.arange(STEPS + 1))
    left = np.exp(-elapsed_s / immersed_lag_s(r.water_capacity_l / r.cylinders)[:, None])
    found = []
    for pick in (np.argmin(np.where(known, at, np.inf), axis=1), np.argmax(np.where(known, at, -np.inf), axis=1)):
        place = at[index, pick]
        node = np.minimum(place.astype(int), STEPS - 1)
        water = r.water_c[index, node]
        gas_c = water + (start_c - water) * _read(left, node[:, None], (place - node)[:, None])[:, 0]
        density = gas.density_mol_l(
            absolute(r.reading_bar[index, pick]), kelvin(gas_c), *(m[:, 0] for m in model.mix), strict=False
        )
        found.append((place, node, density * r.water_capacity_l / FREE_LITRE_MOL))
    return found


def _first_guess(model: _Model, descent: NDArray) -> tuple[NDArray, NDArray]:
    """(rows, UNKNOWNS) the priors' centres, content and mean rate from the first and the last reading where they are
    free; and the rate, L/min, to which its scatter is a share."""
    r = model.records
    rows = len(r)
    blown_l = np.where(r.inflates, r.shared_mean[:, INFLATION - START], 0.0)
    grid = np.arange(1, STEPS + 1)
    served = np.cumsum(np.diff(r.bar_min, axis=1) * r.breathing_share, axis=1)
    served = np.concatenate([np.zeros((rows, 1)), served], axis=1)
    amounts, integrals, blown = [], [], []
    for place, node, content in _at_ends(model, r.shared_mean[:, 0]):
        amounts.append(content)
        integrals.append(_read(served, node[:, None], (place - node)[:, None])[:, 0])
        blown.append((descent * (grid <= place[:, None])).sum(axis=1) * blown_l)
    with np.errstate(all="ignore"):
        rate = (amounts[0] - amounts[1] - (blown[1] - blown[0])) / (integrals[1] - integrals[0])
    rate = np.where(np.isfinite(rate), rate, 0.0)
    content = amounts[0] + rate * integrals[0] + blown[0]
    content = np.where(np.isfinite(content), content, r.water_capacity_l * 100.0)
    guess = np.zeros((rows, UNKNOWNS))
    guess[:, SHARED] = r.shared_mean
    guess[:, INFLATION], guess[:, RATE] = blown_l, rate
    stated = r.shared_mean[:, CONTENT - START]
    guess[:, CONTENT] = np.where(np.isfinite(stated), stated, content)
    return guess, np.clip(np.abs(rate), 2.0, None)


def _read_content(model: _Model, x: NDArray) -> NDArray:
    """Where to begin with the content: as the first reading has it."""
    _, node, content = _at_ends(model, x[:, START])[0]
    before = (model.taken[np.arange(len(x)), node] * x[:, USE]).sum(axis=1)
    return np.where(np.isfinite(content), content + before, x[:, CONTENT])


def _prior_precision(r: TankRecords, reference_rate: NDArray) -> NDArray:
    """(rows, UNKNOWNS, UNKNOWNS) inverse covariance of the prior; mean rate, and unsaid content, are free."""
    precision = np.zeros((len(r), UNKNOWNS, UNKNOWNS))
    precision[:, DEPARTURES, DEPARTURES] = (
        steady_precision(r.duration_s, r.rate_lag_s) / ((reference_rate * r.rate_sd) ** 2)[:, None, None]
    )
    free = ~np.isfinite(r.shared_mean[:, CONTENT - START])
    covariance = _free_content(_no_inflation(r.shared_cov, ~r.inflates), free, 300.0 * r.water_capacity_l)
    precision[:, SHARED, SHARED] = np.linalg.inv(covariance)
    precision[:, WATER, WATER] = 1.0 / r.water_sd_c**2
    precision[:, RATE, RATE] = 1.0 / (20.0 * reference_rate) ** 2
    return precision


def _free_content(shared_cov: NDArray, free: NDArray, sd_free_l: NDArray) -> NDArray:
    """Covariances with a content of which nothing is said in some rows."""
    out, place = shared_cov.copy(), CONTENT - START
    out[free, place, :] = 0.0
    out[free, :, place] = 0.0
    out[free, place, place] = sd_free_l[free] ** 2
    return out


def _no_inflation(shared_cov: NDArray, still: NDArray) -> NDArray:
    """Covariances in some rows of which neither wing nor suit is fed."""
    out, place = shared_cov.copy(), INFLATION - START
    out[still, place, :] = 0.0
    out[still, :, place] = 0.0
    out[still, place, place] = 1e-6
    return out


def steady_precision(duration_s: NDArray, rate_lag_s: NDArray) -> NDArray:
    """(rows, KNOTS, KNOTS) inverse correlation of a rate that forgets exponentially, at the knots: tridiagonal."""
    apart = np.diff(KNOT_SHARES) * (duration_s / rate_lag_s)[:, None]
    keeps = np.exp(-apart)
    own = 1.0 / np.maximum(1.0 - keeps**2, 1e-9)
    out = np.zeros((len(duration_s), KNOTS, KNOTS))
    place = np.arange(KNOTS)
    out[:, place[:-1], place[:-1]] += own - 1.0
    out[:, place[1:], place[1:]] += own
    out[:, 0, 0] += 1.0
    out[:, place[:-1], place[1:]] = out[:, place[1:], place[:-1]] = -keeps * own
    return out


def _read(at_nodes: NDArray, left: NDArray, share: NDArray) -> NDArray:
    """Straight lines between nodes, at places left + share."""
    index = np.arange(len(at_nodes))[:, None]
    share = share if at_nodes.ndim == 2 else share[:, :, None]
    return at_nodes[index, left] * (1.0 - share) + at_nodes[index, left + 1] * share


def _median(values: NDArray) -> NDArray:
    """Median of each row over what is known; NaN where nothing is."""
    ordered = np.sort(values, axis=1)
    count = np.isfinite(values).sum(axis=1)
    index = np.arange(len(values))
    low, high = np.maximum((count - 1) // 2, 0), np.maximum(count // 2, 0)
    high = np.minimum(high, values.shape[1] - 1)
    middle = 0.5 * (ordered[index, low] + ordered[index, high])
    return np.where(count > 0, middle, np.nan)


__all__ = [
    "KNOTS",
    "STEPS",
    "TankFits",
    "TankRecords",
    "fit_tanks",
    "grid_place",
    "grid_share",
    "steady_precision",
    "with_shared_prior",
]
