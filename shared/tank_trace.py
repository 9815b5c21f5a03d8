"""Gas in a dived cylinder over time, from what its gauge read: many dives and cylinders at once.

The unknowns of a cylinder are its content and gas temperature at the start, how the gas follows the
water (lag and conductance), the water's offset, gas that went into wing and suit on descent, and the rate
of breathing at knots through the dive. Pressures say what the real gas of that content at that
temperature reads. All are fitted together (Gauss-Newton, a normal prior for each, Student-t weights for
the readings), so that readings may be two or four hundred, stepped, missing or wild; what the readings
leave open shows in the interval.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from shared import gas
from shared.constants import FREE_LITRE_MOL
from shared.tank_heat import conductance_w_k, expansion_heat_j_mol, immersed_lag_s, lag_weights
from shared.units import absolute, gauge, kelvin

STEPS = 64
"""Steps of the even grid laid over each dive."""

KNOTS = 24
"""Places at which the rate may depart from its mean."""

# Unknowns of a row: gas at the start °C, log of the lag and the chill by expansion as factors on the physics' own, the
# water's offset K, content at the start in free litres, then what makes use of gas: litres blown into wing and suit,
# mean rate L/min, its departures at the knots. All but the lag act all but linearly.
START, LAG, CHILL, WATER, CONTENT, INFLATION, RATE = range(7)
DEPARTURES = slice(7, 7 + KNOTS)
USE = slice(INFLATION, 7 + KNOTS)
UNKNOWNS = 7 + KNOTS

_NU = 4.0
_ROWS_AT_ONCE = 128
_LEAST_FREE_L_PER_L = 0.7


@dataclass(frozen=True)
class TankRecords:
    """Rows, one a cylinder (or joined set) of a dive, on a grid of STEPS even steps from first to last sample.

    Readings stand at places of the grid (0 to STEPS, fractions allowed), NaN where there is none.
    """

    duration_s: NDArray
    bar_min: NDArray  # (rows, STEPS + 1) integral of ambient pressure
    ambient_bar_abs: NDArray  # (rows, STEPS + 1)
    water_c: NDArray  # (rows, STEPS)
    water_sd_c: NDArray
    start_c: NDArray
    start_sd_c: NDArray
    water_capacity_l: NDArray
    cylinders: NDArray
    o2_pct: NDArray
    he_pct: NDArray
    ar_pct: NDArray
    reading_at: NDArray  # (rows, readings)
    reading_bar: NDArray
    reading_sd_bar: NDArray
    rate_sd: NDArray  # scatter of the rate around its mean, as a share of the mean
    rate_lag_s: NDArray  # how long the rate remembers
    duty: NDArray  # (rows, STEPS) part of the breathing that it serves, 1 for a cylinder breathed alone
    inflates: NDArray  # True where wing or suit are fed from it
    wall_share: NDArray  # part of the lag between water and wall
    lag_ln: NDArray
    lag_ln_sd: NDArray
    chill: NDArray
    chill_sd: NDArray
    inflation_l: NDArray
    inflation_sd_l: NDArray

    def __len__(self) -> int:
        return len(self.duration_s)

    def take(self, rows: NDArray | slice) -> "TankRecords":
        """The same for some of the rows."""
        return TankRecords(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass
class TankFits:
    """What was found, a row a record; free litres and °C."""

    unknowns: NDArray  # (rows, UNKNOWNS): the columns are START, LAG, … of this module
    spread: NDArray  # (rows, UNKNOWNS, UNKNOWNS) their covariance
    used_free_l: NDArray
    used_sd_free_l: NDArray
    amount_free_l: NDArray  # (rows, STEPS + 1)
    gas_c: NDArray  # (rows, STEPS + 1)
    modelled_bar: NDArray  # (rows, STEPS + 1)
    rate_l_min: NDArray  # (rows, STEPS)
    residual_bar: NDArray  # (rows, readings)
    weight: NDArray  # (rows, readings): 1 believed, 0 not
    log_evidence: NDArray  # up to what does not depend on the prior

    @property
    def start_free_l(self) -> NDArray:
        """Content at the first sample, free litres."""
        return self.amount_free_l[:, 0]

    @property
    def start_c(self) -> NDArray:
        """Gas temperature at the first sample, °C."""
        return self.unknowns[:, START]

    @property
    def start_c_sd(self) -> NDArray:
        """Its standard deviation, K."""
        return self.sd_of(START)

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


def _knots() -> NDArray:
    """(STEPS, KNOTS) weights of straight lines between knots at the middle of each step."""
    middle = (np.arange(STEPS) + 0.5) / STEPS * (KNOTS - 1)
    left = np.minimum(middle.astype(int), KNOTS - 2)
    weights = np.zeros((STEPS, KNOTS))
    weights[np.arange(STEPS), left] = 1.0 - (middle - left)
    weights[np.arange(STEPS), left + 1] = middle - left
    return weights


KNOT_WEIGHTS = _knots()
_WIDE = np.full(KNOTS, np.inf)
_LARGEST_STEP = np.array([15.0, 0.5, 1.0, 8.0, np.inf, np.inf, np.inf, *_WIDE])
_LOW = np.array([-25.0, -1.2, 0.0, -12.0, -np.inf, -5.0, -np.inf, *-_WIDE])
_HIGH = np.array([75.0, 1.2, 5.0, 12.0, np.inf, 40.0, np.inf, *_WIDE])


def fit_tanks(records: TankRecords, rounds: int = 6, start: NDArray | None = None) -> TankFits:
    """Fit each record.

    Parameters
    ----------
    records : TankRecords
        Each row needs two readings apart in time; a row without gets NaN.
    rounds : int
        Gauss-Newton steps; each also reweighs the readings.
    start : ndarray, optional
        `unknowns` of an earlier fit of the same records, to go on from.

    Returns
    -------
    TankFits
        NaN in a row that could not be fitted (too few readings, states outside the gas engine's box).
    """
    parts = []
    for first in range(0, max(len(records), 1), _ROWS_AT_ONCE):
        some = slice(first, first + _ROWS_AT_ONCE)
        parts.append(_fit(records.take(some), rounds, None if start is None else start[some]))
    return TankFits(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(TankFits)})


def _fit(r: TankRecords, rounds: int, start: NDArray | None) -> TankFits:
    rows = len(r)
    mix = r.o2_pct[:, None], r.he_pct[:, None], r.ar_pct[:, None]
    capacity = r.water_capacity_l[:, None]
    known = np.isfinite(r.reading_bar) & np.isfinite(r.reading_at)
    at = np.where(known, np.clip(np.nan_to_num(r.reading_at), 0.0, STEPS), 0.0)
    left = np.minimum(at.astype(int), STEPS - 1)
    share = at - left
    sd = np.where(known, r.reading_sd_bar, 1.0)
    few = known.sum(axis=1, keepdims=True) <= 3
    enough = (known.sum(axis=1) >= 2) & (np.ptp(np.where(known, at, at[:, :1]), axis=1) > 0)

    step_s = r.duration_s / STEPS
    breath = np.diff(r.bar_min, axis=1) * r.duty
    descent = np.maximum(np.diff(r.ambient_bar_abs, axis=1), 0.0)
    per_cylinder = r.water_capacity_l / r.cylinders
    prior_lag_s = immersed_lag_s(per_cylinder)
    prior_conductance = conductance_w_k(per_cylinder, r.cylinders)

    # what is used in a step is linear in inflation, mean rate and the rate's departures at knots
    makes_use = np.concatenate([descent[:, :, None], breath[:, :, None], breath[:, :, None] * KNOT_WEIGHTS], axis=2)
    taken = np.concatenate([np.zeros((rows, 1, 2 + KNOTS)), np.cumsum(makes_use, axis=1)], axis=1)
    guess = _first_guess(r, mix, capacity, known, at, descent)
    x = guess.copy() if start is None else np.where(np.isfinite(start), start, guess)
    reference_rate = np.clip(np.abs(guess[:, RATE]), 2.0, None)
    centre = guess.copy()
    prior = _prior_precision(r, reference_rate)

    scale = np.ones(rows)
    weight = known.astype(float)
    chill_per_free_l = np.empty(0)
    for turn in range(rounds + 1):
        used = np.einsum("ijk,ik->ij", makes_use, x[:, USE])
        amount = x[:, CONTENT][:, None] - np.einsum("ijk,ik->ij", taken, x[:, USE])
        density = np.maximum(amount / capacity, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL
        of_start, of_water, of_pull = lag_weights(step_s, prior_lag_s * np.exp(x[:, LAG]), STEPS, r.wall_share)
        water = r.water_c + x[:, WATER][:, None]
        if turn == 0:
            heat = expansion_heat_j_mol(0.5 * (density[:, 1:] + density[:, :-1]), kelvin(np.clip(water, -30, 60)), *mix)
            chill_per_free_l = (
                np.where(np.isfinite(heat), heat, 2600.0) * FREE_LITRE_MOL / (step_s * prior_conductance)[:, None]
            )
        colder = used * chill_per_free_l  # where the gas would come to rest, K below the water, times the factor
        pull = x[:, CHILL][:, None] * colder
        gas_c = np.clip(of_start * x[:, START][:, None] + _times(of_water, water) - _times(of_pull, pull), -40.0, 90.0)

        temperature = kelvin(gas_c)
        pressure = gas.pressure_bar_abs(density, temperature, *mix, strict=False)
        by_temperature = gas.pressure_bar_abs(density, temperature + 1.0, *mix, strict=False) - pressure
        by_content = (
            (gas.pressure_bar_abs(density * 1.002, temperature, *mix, strict=False) - pressure)
            / (0.002 * density)
            * (FREE_LITRE_MOL / capacity)
        )
        residual = r.reading_bar - _read(gauge(pressure), left, share)
        told = known & np.isfinite(residual)
        residual = np.where(told, residual, 0.0)
        if turn >= 2 or start is not None:
            scale = np.clip(
                1.4826 * np.nan_to_num(_median(np.where(told, np.abs(residual) / sd, np.nan)), nan=1.0), 1.0, 20.0
            )
        weight = (_NU + 1) / (_NU + (residual / (sd * scale[:, None])) ** 2)
        weight = np.where(told, np.where(few, 1.0, weight), 0.0)

        jacobian = np.empty((rows, STEPS + 1, UNKNOWNS))
        chill = (-x[:, CHILL][:, None] * chill_per_free_l)[:, :, None] * makes_use
        slow = 0.5 * (gas_c[:, 1:] + gas_c[:, :-1]) - water + pull
        chilled = of_pull @ np.concatenate([slow[:, :, None], -colder[:, :, None], chill], axis=2)
        jacobian[:, :, START] = by_temperature * of_start
        jacobian[:, :, LAG] = by_temperature * chilled[:, :, 0]
        jacobian[:, :, CHILL] = by_temperature * chilled[:, :, 1]
        jacobian[:, :, WATER] = by_temperature * (1.0 - of_start)
        jacobian[:, :, CONTENT] = by_content
        jacobian[:, :, USE] = by_temperature[:, :, None] * chilled[:, :, 2:] - by_content[:, :, None] * taken
        j = np.nan_to_num(_read(jacobian, left, share))
        root = np.sqrt(weight) / (sd * scale[:, None])
        j *= root[:, :, None]
        hessian = j.transpose(0, 2, 1) @ j + prior
        if turn == rounds:
            break
        pulled = np.einsum("ijk,ij->ik", j, residual * root) + _times(prior, centre - x)
        step = np.nan_to_num(np.linalg.solve(hessian, pulled[:, :, None])[:, :, 0])
        x = np.clip(x + np.clip(step, -_LARGEST_STEP, _LARGEST_STEP), _LOW, _HIGH)

    spread = np.linalg.inv(hessian)
    to_used = np.zeros((rows, UNKNOWNS))
    to_used[:, USE] = taken[:, -1]
    variance = np.einsum("ij,ijk,ik->i", to_used, spread, to_used)
    modelled = gauge(pressure)
    fine = enough & np.isfinite(modelled).all(axis=1) & np.isfinite(variance)

    def kept(values: NDArray) -> NDArray:
        return np.where(fine.reshape(-1, *[1] * (values.ndim - 1)), values, np.nan)

    off = x - centre
    z = residual / (sd * scale[:, None])
    wild = np.where(few, z**2, (_NU + 1) * np.log1p(z**2 / _NU))
    misfit = np.where(told, wild, 0.0).sum(axis=1) + np.einsum("ij,ijk,ik->i", off, prior, off)
    evidence = 0.5 * (np.linalg.slogdet(prior)[1] - np.linalg.slogdet(hessian)[1] - misfit) - np.log(scale) * told.sum(
        axis=1
    )
    departures = x[:, DEPARTURES]
    return TankFits(
        unknowns=kept(x),
        spread=kept(spread),
        used_free_l=kept(used.sum(axis=1)),
        used_sd_free_l=kept(np.sqrt(np.maximum(variance, 0.0))),
        amount_free_l=kept(amount),
        gas_c=kept(gas_c),
        modelled_bar=kept(modelled),
        rate_l_min=kept(r.duty * (x[:, RATE][:, None] + departures @ KNOT_WEIGHTS.T)),
        residual_bar=np.where(known, residual, np.nan),
        weight=np.where(known, np.minimum(weight, 1.0), 0.0),
        log_evidence=kept(evidence),
    )


def _times(matrices: NDArray, vectors: NDArray) -> NDArray:
    return (matrices @ vectors[:, :, None])[:, :, 0]


def _first_guess(r: TankRecords, mix, capacity: NDArray, known: NDArray, at: NDArray, descent: NDArray) -> NDArray:
    """(rows, UNKNOWNS): the priors' centres, with content and mean rate from the first and the last reading."""
    rows = len(r)
    index = np.arange(rows)
    blown_l = np.where(r.inflates, r.inflation_l, 0.0)
    weights, _, _ = lag_weights(r.duration_s / STEPS, immersed_lag_s(r.water_capacity_l / r.cylinders), 1)
    grid = np.arange(1, STEPS + 1)
    amounts, integrals, blown = [], [], []
    for pick in (np.argmin(np.where(known, at, np.inf), axis=1), np.argmax(np.where(known, at, -np.inf), axis=1)):
        place = at[index, pick]
        node = np.minimum(place.astype(int), STEPS - 1)
        water = r.water_c[index, node]
        gas_c = water + (r.start_c - water) * weights[:, 1] ** place
        density = gas.density_mol_l(
            absolute(r.reading_bar[index, pick]), kelvin(gas_c), *(m[:, 0] for m in mix), strict=False
        )
        amounts.append(density * capacity[:, 0] / FREE_LITRE_MOL)
        integrals.append(_read(r.bar_min, node[:, None], (place - node)[:, None])[:, 0])
        blown.append((descent * (grid <= place[:, None])).sum(axis=1) * blown_l)
    with np.errstate(all="ignore"):
        rate = (amounts[0] - amounts[1] - (blown[1] - blown[0])) / (integrals[1] - integrals[0])
    rate = np.where(np.isfinite(rate), rate, 0.0)
    content = amounts[0] + rate * integrals[0] + blown[0]
    guess = np.zeros((rows, UNKNOWNS))
    guess[:, START], guess[:, LAG], guess[:, CHILL] = r.start_c, r.lag_ln, r.chill
    guess[:, INFLATION], guess[:, RATE] = blown_l, rate
    guess[:, CONTENT] = np.where(np.isfinite(content), content, capacity[:, 0] * 100.0)
    return guess


def _prior_precision(r: TankRecords, reference_rate: NDArray) -> NDArray:
    """(rows, UNKNOWNS, UNKNOWNS) inverse covariance of the prior; content and mean rate are all but free."""
    apart = r.duration_s / (KNOTS - 1)
    places = np.arange(KNOTS)
    correlation = np.exp(-np.abs(places[:, None] - places) * (apart / r.rate_lag_s)[:, None, None])
    precision = np.zeros((len(r), UNKNOWNS, UNKNOWNS))
    precision[:, DEPARTURES, DEPARTURES] = (
        np.linalg.inv(correlation) / ((reference_rate * r.rate_sd) ** 2)[:, None, None]
    )
    sds = {
        START: r.start_sd_c,
        LAG: r.lag_ln_sd,
        CHILL: r.chill_sd,
        WATER: r.water_sd_c,
        INFLATION: np.where(r.inflates, r.inflation_sd_l, 1e-3),
        RATE: 20.0 * reference_rate,
        CONTENT: 300.0 * r.water_capacity_l,
    }
    for place, sd in sds.items():
        precision[:, place, place] = 1.0 / np.asarray(sd, float) ** 2
    return precision


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


__all__ = ["KNOTS", "STEPS", "TankFits", "TankRecords", "fit_tanks"]
