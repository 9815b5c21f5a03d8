"""What is known of a cylinder before its readings are fitted: centres and precision of the unknowns' priors."""

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import (
    CONTENT,
    DEPARTURES,
    INFLATION,
    RATE,
    SHARED,
    START,
    STEPS,
    UNKNOWNS,
    WATER,
    between_nodes,
    grid_share,
    steady_precision,
)
from shared.diving.tank_heat import immersed_lag_s
from shared.diving.tank_records import TankRecords
from shared.gas import mix as gas
from shared.gas.constants import FREE_LITRE_MOL
from shared.gas.units import absolute, kelvin


def contents_at_ends(
    r: TankRecords, at: NDArray, known: NDArray, start_c: NDArray
) -> list[tuple[NDArray, NDArray, NDArray]]:
    """Place, node and content in free litres at the first and at the last reading.

    `at` (rows, readings) are their places on the grid where `known`; `start_c` (rows,) the gas at the start.
    """
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
            absolute(r.reading_bar[index, pick]), kelvin(gas_c), r.o2_pct, r.he_pct, r.ar_pct, strict=False
        )
        found.append((place, node, density * r.water_capacity_l / FREE_LITRE_MOL))
    return found


def first_guess(r: TankRecords, at: NDArray, known: NDArray, descent: NDArray) -> tuple[NDArray, NDArray]:
    """(rows, UNKNOWNS) the priors' centres, content and mean rate from the first and the last reading where they are
    free; and the rate, L/min, to which its scatter is a share. `descent` (rows, STEPS) is in bar."""
    rows = len(r)
    blown_l = np.where(r.inflates, r.shared_mean[:, INFLATION - START], 0.0)
    grid = np.arange(1, STEPS + 1)
    served = np.cumsum(np.diff(r.bar_min, axis=1) * r.breathing_share, axis=1)
    served = np.concatenate([np.zeros((rows, 1)), served], axis=1)
    amounts, integrals, blown = [], [], []
    for place, node, content in contents_at_ends(r, at, known, r.shared_mean[:, 0]):
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


def prior_precision(r: TankRecords, reference_rate: NDArray) -> NDArray:
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
