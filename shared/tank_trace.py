"""Gas in a dived cylinder over time, from what its gauge read: many dives and cylinders at once.

The unknowns of a cylinder are its content and gas temperature at the start, how the gas follows the
water (lag and conductance), the water's offset, gas that went into wing and suit on descent, and the rate
of breathing at knots through the dive. Pressures say what the real gas of that content at that
temperature reads. All are fitted together (Gauss-Newton, a normal prior for each, Student-t weights for
the readings), so that readings may be two or four hundred, stepped, missing or wild; what the readings
leave open shows in the interval.
"""

from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from shared import gas
from shared.constants import FREE_LITRE_MOL
from shared.tank_heat import conductance_w_k, expansion_heat_j_mol, immersed_lag_s, lag_weights
from shared.units import absolute, gauge, kelvin

STEPS = 96
"""Steps of the even grid laid over each dive."""

KNOTS = 24
_NU = 4.0
_ROWS_AT_ONCE = 128
_LEAST_FREE_L_PER_L = 0.7


@dataclass(frozen=True)
class HeatPrior:
    """What is known of a cylinder under water before its trace is read, as factors on the physics' own numbers."""

    lag_ln: float = 0.0
    lag_ln_sd: float = 0.3
    conductance_ln: float = 0.0
    conductance_ln_sd: float = 0.35
    inflation_l: float = 2.0
    inflation_sd_l: float = 3.0


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
    inflates: NDArray  # True where wing or suit are fed from it
    lag_ln: NDArray
    lag_ln_sd: NDArray
    conductance_ln: NDArray
    conductance_ln_sd: NDArray
    inflation_l: NDArray
    inflation_sd_l: NDArray

    def __len__(self) -> int:
        return len(self.duration_s)

    def take(self, rows: NDArray | slice) -> "TankRecords":
        """The same for some of the rows."""
        return TankRecords(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


@dataclass
class TankFits:
    """What was found, a row a record; free litres and °C, standard deviations beside."""

    used_free_l: NDArray
    used_sd_free_l: NDArray
    start_free_l: NDArray
    end_free_l: NDArray
    start_c: NDArray
    start_c_sd: NDArray
    end_c: NDArray
    lag_ln: NDArray
    lag_ln_sd: NDArray
    conductance_ln: NDArray
    conductance_ln_sd: NDArray
    amount_free_l: NDArray  # (rows, STEPS + 1)
    gas_c: NDArray  # (rows, STEPS + 1)
    modelled_bar: NDArray  # (rows, STEPS + 1)
    rate_l_min: NDArray  # (rows, STEPS)
    residual_bar: NDArray  # (rows, readings)
    weight: NDArray  # (rows, readings): 1 believed, 0 not
    rate_scatter: NDArray  # mean square of the rate's departures, as the prior measures them
    extra: dict = field(default_factory=dict)


def _knots() -> NDArray:
    """(STEPS, KNOTS) weights of straight lines between knots at the middle of each step."""
    middle = (np.arange(STEPS) + 0.5) / STEPS * (KNOTS - 1)
    left = np.minimum(middle.astype(int), KNOTS - 2)
    weights = np.zeros((STEPS, KNOTS))
    weights[np.arange(STEPS), left] = 1.0 - (middle - left)
    weights[np.arange(STEPS), left + 1] = middle - left
    return weights


def fit_tanks(records: TankRecords, rounds: int = 6) -> TankFits:
    """Fit each record.

    Parameters
    ----------
    records : TankRecords
        Each row needs two readings apart in time; a row without gets NaN.
    rounds : int
        Gauss-Newton steps; each also reweighs the readings.

    Returns
    -------
    TankFits
        NaN in a row that could not be fitted (too few readings, states outside the gas engine's box).
    """
    parts = [
        _fit(records.take(slice(start, start + _ROWS_AT_ONCE)), rounds)
        for start in range(0, max(len(records), 1), _ROWS_AT_ONCE)
    ]
    names = [f.name for f in fields(TankFits) if f.name != "extra"]
    return TankFits(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})


def _fit(r: TankRecords, rounds: int) -> TankFits:
    rows, readings = r.reading_bar.shape
    mix = r.o2_pct[:, None], r.he_pct[:, None], r.ar_pct[:, None]
    capacity = r.water_capacity_l[:, None]
    known = np.isfinite(r.reading_bar) & np.isfinite(r.reading_at)
    at = np.where(known, np.clip(np.nan_to_num(r.reading_at), 0.0, STEPS), 0.0)
    left = np.minimum(at.astype(int), STEPS - 1)
    share = at - left
    observed = np.where(known, r.reading_bar, 0.0)
    sd = np.where(known, r.reading_sd_bar, 1.0)
    enough = (known.sum(axis=1) >= 2) & (np.ptp(np.where(known, at, at[:, :1]), axis=1) > 0)

    step_s = r.duration_s / STEPS
    breath = np.diff(r.bar_min, axis=1)
    descent = np.maximum(np.diff(r.ambient_bar_abs, axis=1), 0.0)
    knots = _knots()
    per_cylinder = r.water_capacity_l / r.cylinders
    prior_lag_s = immersed_lag_s(per_cylinder)
    prior_conductance = conductance_w_k(per_cylinder, r.cylinders)

    # unknowns: start_c, ln lag, ln conductance, water offset, inflation, mean rate, content at start, departures
    start_c, lag_ln, conductance_ln = r.start_c.copy(), r.lag_ln.copy(), r.conductance_ln.copy()
    water_off, inflation = np.zeros(rows), np.where(r.inflates, r.inflation_l, 0.0)
    content, mean_rate = _first_guess(r, mix, capacity, known, at, inflation, descent)
    reference_rate = np.where(np.isfinite(mean_rate), np.clip(np.abs(mean_rate), 2.0, None), 10.0)
    departures = np.zeros((rows, KNOTS))

    scale = np.ones(rows)
    weight = known.astype(float)
    of_knots = breath[:, :, None] * knots
    prior = _departure_precision(r, reference_rate)
    spread = np.empty((rows, 7 + KNOTS, 7 + KNOTS))
    for turn in range(rounds + 1):
        used = breath * (mean_rate[:, None] + departures @ knots.T) + inflation[:, None] * descent
        amount = content[:, None] - np.concatenate([np.zeros((rows, 1)), np.cumsum(used, axis=1)], axis=1)
        density = np.maximum(amount / capacity, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL

        lag = prior_lag_s * np.exp(lag_ln)
        conductance = prior_conductance * np.exp(conductance_ln)
        of_start, of_drive = lag_weights(step_s, lag, STEPS)
        if turn == 0:
            gas_c = of_start * start_c[:, None] + np.einsum("ijk,ik->ij", of_drive, r.water_c)
            middle = 0.5 * (density[:, 1:] + density[:, :-1])
            heat = expansion_heat_j_mol(middle, kelvin(np.clip(0.5 * (gas_c[:, 1:] + gas_c[:, :-1]), -35, 80)), *mix)
            heat = np.where(np.isfinite(heat), heat, 2600.0)
            cooling_per_free_l = heat * FREE_LITRE_MOL / step_s[:, None]
        pull = used * cooling_per_free_l / conductance[:, None]
        drive = r.water_c + water_off[:, None] - pull
        gas_c = np.clip(of_start * start_c[:, None] + np.einsum("ijk,ik->ij", of_drive, drive), -35.0, 90.0)

        temperature = kelvin(gas_c)
        pressure = gas.pressure_bar_abs(density, temperature, *mix, strict=False)
        by_temperature = gas.pressure_bar_abs(density, temperature + 1.0, *mix, strict=False) - pressure
        by_content = (gas.pressure_bar_abs(density * 1.002, temperature, *mix, strict=False) - pressure) / (
            0.002 * density
        ) * (FREE_LITRE_MOL / capacity)
        modelled = gauge(pressure)
        residual = np.where(known, observed - _read(modelled, left, share), 0.0)
        if turn >= 2:
            spare = np.where(known & (weight > 0.05), np.abs(residual) / sd, np.nan)
            with np.errstate(all="ignore"):
                scale = np.clip(1.4826 * np.nan_to_num(_median(spare), nan=1.0), 1.0, 20.0)
        z = residual / (sd * scale[:, None])
        weight = np.where(known, (_NU + 1) / (_NU + z**2), 0.0)
        weight = np.where(known.sum(axis=1, keepdims=True) <= 3, known.astype(float), weight)

        # Jacobian at the nodes
        no_start = np.zeros((rows, 1))
        reads_rate = np.concatenate([no_start, np.cumsum(breath, axis=1)], axis=1)
        reads_inflation = np.concatenate([no_start, np.cumsum(descent, axis=1)], axis=1)
        reads_knots = np.concatenate([np.zeros((rows, 1, KNOTS)), np.cumsum(of_knots, axis=1)], axis=1)
        cold = -(cooling_per_free_l / conductance[:, None])
        chilled = np.concatenate(
            [(cold * breath)[:, :, None], (cold * descent)[:, :, None], cold[:, :, None] * of_knots, pull[:, :, None],
             (0.5 * (gas_c[:, 1:] + gas_c[:, :-1]) - drive)[:, :, None]], axis=2,
        )
        chilled = of_drive @ chilled
        jacobian = np.empty((rows, STEPS + 1, 7 + KNOTS))
        jacobian[:, :, 0] = by_temperature * of_start
        jacobian[:, :, 1] = by_temperature * chilled[:, :, -1]
        jacobian[:, :, 2] = by_temperature * chilled[:, :, -2]
        jacobian[:, :, 3] = by_temperature * (1.0 - of_start)
        jacobian[:, :, 4] = by_temperature * chilled[:, :, 1] - by_content * reads_inflation
        jacobian[:, :, 5] = by_temperature * chilled[:, :, 0] - by_content * reads_rate
        jacobian[:, :, 6] = by_content
        jacobian[:, :, 7:] = by_temperature[:, :, None] * chilled[:, :, 2:-2] - by_content[:, :, None] * reads_knots
        np.nan_to_num(jacobian, copy=False)
        index = np.arange(rows)[:, None]
        j = jacobian[index, left] * (1.0 - share)[:, :, None] + jacobian[index, left + 1] * share[:, :, None]
        root = np.sqrt(weight) / (sd * scale[:, None])
        j *= root[:, :, None]
        hessian = j.transpose(0, 2, 1) @ j + prior
        if turn == rounds:
            spread = np.linalg.inv(hessian)
            break
        now = np.concatenate(
            [np.stack([start_c, lag_ln, conductance_ln, water_off, inflation, mean_rate, content], axis=1), departures], axis=1
        )
        centre = np.concatenate(
            [np.stack([r.start_c, r.lag_ln, r.conductance_ln, np.zeros(rows), np.where(r.inflates, r.inflation_l, 0.0),
                       mean_rate, content], axis=1), np.zeros((rows, KNOTS))], axis=1,
        )
        pulled = np.einsum("ijk,ij->ik", j, np.nan_to_num(residual) * root) + np.einsum("ijk,ik->ij", prior, centre - now)
        step = np.linalg.solve(hessian, pulled[:, :, None])[:, :, 0]
        step = np.where(np.isfinite(step), step, 0.0)
        start_c = np.clip(start_c + np.clip(step[:, 0], -15, 15), -25.0, 75.0)
        lag_ln = np.clip(lag_ln + np.clip(step[:, 1], -0.5, 0.5), -1.2, 1.2)
        conductance_ln = np.clip(conductance_ln + np.clip(step[:, 2], -0.5, 0.5), -1.2, 1.2)
        water_off = water_off + np.clip(step[:, 3], -8, 8)
        inflation = np.clip(inflation + step[:, 4], -5.0, 40.0)
        mean_rate = mean_rate + step[:, 5]
        content = content + step[:, 6]
        departures = departures + step[:, 7:]

    to_used = np.zeros((rows, 7 + KNOTS))
    to_used[:, 4], to_used[:, 5] = descent.sum(axis=1), breath.sum(axis=1)
    to_used[:, 7:] = of_knots.sum(axis=1)
    variance = np.einsum("ij,ijk,ik->i", to_used, spread, to_used)
    total = used.sum(axis=1)
    fine = enough & np.isfinite(modelled).all(axis=1) & np.isfinite(variance)

    def kept(values: NDArray) -> NDArray:
        return np.where(fine if values.ndim == 1 else fine[:, None], values, np.nan)

    precision = prior[:, 7:, 7:] * (reference_rate**2 * r.rate_sd**2)[:, None, None]
    relative = departures / reference_rate[:, None]
    scatter = (
        np.einsum("ij,ijk,ik->i", relative, precision, relative)
        + np.einsum("ijk,ikj->i", precision, spread[:, 7:, 7:]) / reference_rate**2
    ) / KNOTS
    return TankFits(
        used_free_l=kept(total), used_sd_free_l=kept(np.sqrt(np.maximum(variance, 0.0))),
        start_free_l=kept(amount[:, 0]), end_free_l=kept(amount[:, -1]),
        start_c=kept(start_c), start_c_sd=kept(np.sqrt(np.abs(spread[:, 0, 0]))), end_c=kept(gas_c[:, -1]),
        lag_ln=kept(lag_ln), lag_ln_sd=kept(np.sqrt(np.abs(spread[:, 1, 1]))),
        conductance_ln=kept(conductance_ln), conductance_ln_sd=kept(np.sqrt(np.abs(spread[:, 2, 2]))),
        amount_free_l=kept(amount), gas_c=kept(gas_c), modelled_bar=kept(modelled),
        rate_l_min=kept(mean_rate[:, None] + departures @ knots.T),
        residual_bar=np.where(known, residual, np.nan), weight=np.where(known, np.minimum(weight, 1.0), 0.0),
        rate_scatter=kept(scatter),
    )


def _first_guess(r, mix, capacity, known, at, inflation, descent):
    """Content at the start and mean rate from the first and the last reading."""
    rows = len(r)
    index = np.arange(rows)
    first = np.argmin(np.where(known, at, np.inf), axis=1)
    last = np.argmax(np.where(known, at, -np.inf), axis=1)
    weights, _ = lag_weights(r.duration_s / STEPS, immersed_lag_s(r.water_capacity_l / r.cylinders), 1)
    grid = np.arange(STEPS + 1)
    amounts, integrals, blown = [], [], []
    for pick in (first, last):
        place = at[index, pick]
        node = np.minimum(place.astype(int), STEPS - 1)
        water = r.water_c[index, node]
        gas_c = water + (r.start_c - water) * weights[:, 1] ** place
        density = gas.density_mol_l(absolute(r.reading_bar[index, pick]), kelvin(gas_c), mix[0][:, 0], mix[1][:, 0],
                                    mix[2][:, 0], strict=False)
        amounts.append(density * capacity[:, 0] / FREE_LITRE_MOL)
        integrals.append(r.bar_min[index, node] + (place - node) * (r.bar_min[index, node + 1] - r.bar_min[index, node]))
        blown.append((descent * (grid[1:] <= place[:, None])).sum(axis=1) * inflation)
    with np.errstate(all="ignore"):
        rate = (amounts[0] - amounts[1] - (blown[1] - blown[0])) / (integrals[1] - integrals[0])
    rate = np.where(np.isfinite(rate), rate, 0.0)
    content = amounts[0] + rate * integrals[0] + blown[0]
    return np.where(np.isfinite(content), content, capacity[:, 0] * 100.0), rate


def _departure_precision(r: TankRecords, reference_rate: NDArray) -> NDArray:
    """(rows, unknowns, unknowns) inverse covariance of the prior."""
    rows = len(r)
    apart = r.duration_s / (KNOTS - 1)
    places = np.arange(KNOTS)
    correlation = np.exp(-np.abs(places[:, None] - places) * (apart / r.rate_lag_s)[:, None, None])
    precision = np.zeros((rows, 7 + KNOTS, 7 + KNOTS))
    precision[:, 7:, 7:] = np.linalg.inv(correlation) / ((reference_rate * r.rate_sd) ** 2)[:, None, None]
    inflation_sd = np.where(r.inflates, r.inflation_sd_l, 1e-3)
    for place, sd in enumerate((r.start_sd_c, r.lag_ln_sd, r.conductance_ln_sd, r.water_sd_c, inflation_sd,
                                20.0 * reference_rate, 1e3 * r.water_capacity_l)):
        precision[:, place, place] = 1.0 / np.asarray(sd, float) ** 2
    return precision


def _read(at_nodes: NDArray, left: NDArray, share: NDArray) -> NDArray:
    index = np.arange(len(at_nodes))[:, None]
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


__all__ = ["KNOTS", "STEPS", "HeatPrior", "TankFits", "TankRecords", "fit_tanks", "replace"]
