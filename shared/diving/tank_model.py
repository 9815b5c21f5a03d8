"""What a cylinder's gauge would read through a dive at given unknowns, and how that moves with them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import (
    CONTENT,
    COOLING,
    DEPARTURES,
    FILM,
    INFLATION,
    KNOT_WEIGHTS,
    KNOTS,
    RATE,
    SHARED,
    START,
    STEP_SHARES,
    STEPS,
    UNKNOWNS,
    USE,
    WALL,
    WATER,
    between_nodes,
    early_share,
    grid_share,
    steady_precision,
    times,
)
from shared.diving.tank_heat import (
    PIVOT_L,
    conductance_w_k,
    exchange_weights,
    expansion_heat_j_mol,
    heat_capacity_j_mol_k,
    immersed_lag_s,
    water_conductance_w_k,
)
from shared.diving.tank_records import TankRecords
from shared.gas import mix as gas
from shared.gas.constants import FREE_LITRE_MOL
from shared.gas.units import absolute, gauge, kelvin

_LEAST_FREE_L_PER_L = 0.7
_NUDGE = 0.02


@dataclass(frozen=True)
class Linear:
    """The model at one set of unknowns, and how its readings move with them."""

    used: NDArray
    amount: NDArray
    gas_c: NDArray
    modelled_bar: NDArray
    residual: NDArray
    seen: NDArray
    jacobian: NDArray  # (rows, readings, UNKNOWNS)
    apart_k: NDArray  # (rows, STEPS) gas against wall


class TankModel:
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
        amount = self.centre[:, CONTENT, None] - times(self.taken, self.centre[:, USE])
        middle = 0.5 * (amount[:, 1:] + amount[:, :-1]) / self.capacity
        density = np.maximum(middle, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL
        heat = expansion_heat_j_mol(density, kelvin(np.clip(r.water_c, -30, 60)), *self.mix)
        self.heat_j_free_l = np.where(np.isfinite(heat), heat, 2600.0) * FREE_LITRE_MOL

    def linearise(self, x: NDArray, apart_k: NDArray) -> Linear:
        """The model at `x`, its film taken as for gas and wall so far apart."""
        r, makes_use = self.records, self.makes_use
        used, amount = times(makes_use, x[:, USE]), x[:, CONTENT, None] - times(self.taken, x[:, USE])
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
        by_use = times(of_use, x[:, USE])
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
        residual = r.reading_bar - between_nodes(modelled, self.left, self.share)
        seen = self.known & np.isfinite(residual)
        return Linear(
            used,
            amount,
            gas_c,
            modelled,
            np.where(seen, residual, 0.0),
            seen,
            np.nan_to_num(between_nodes(jacobian, self.left, self.share)),
            0.5 * np.abs(gap[:, 1:] + gap[:, :-1]),
        )


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


def _at_ends(model: TankModel, start_c: NDArray) -> list[tuple[NDArray, NDArray, NDArray]]:
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
        gas_c = water + (start_c - water) * between_nodes(left, node[:, None], (place - node)[:, None])[:, 0]
        density = gas.density_mol_l(
            absolute(r.reading_bar[index, pick]), kelvin(gas_c), *(m[:, 0] for m in model.mix), strict=False
        )
        found.append((place, node, density * r.water_capacity_l / FREE_LITRE_MOL))
    return found


def _first_guess(model: TankModel, descent: NDArray) -> tuple[NDArray, NDArray]:
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
        integrals.append(between_nodes(served, node[:, None], (place - node)[:, None])[:, 0])
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


def content_as_read(model: TankModel, x: NDArray) -> NDArray:
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
    covariance = free_content(without_inflation(r.shared_cov, ~r.inflates), free, 300.0 * r.water_capacity_l)
    precision[:, SHARED, SHARED] = np.linalg.inv(covariance)
    precision[:, WATER, WATER] = 1.0 / r.water_sd_c**2
    precision[:, RATE, RATE] = 1.0 / (20.0 * reference_rate) ** 2
    return precision


def free_content(shared_cov: NDArray, free: NDArray, sd_free_l: NDArray) -> NDArray:
    """Covariances with a content of which nothing is said in some rows."""
    out, place = shared_cov.copy(), CONTENT - START
    out[free, place, :] = 0.0
    out[free, :, place] = 0.0
    out[free, place, place] = sd_free_l[free] ** 2
    return out


def without_inflation(shared_cov: NDArray, still: NDArray) -> NDArray:
    """Covariances in some rows of which neither wing nor suit is fed."""
    out, place = shared_cov.copy(), INFLATION - START
    out[still, place, :] = 0.0
    out[still, :, place] = 0.0
    out[still, place, place] = 1e-6
    return out
