"""The grid laid over a dive, and the unknowns of a cylinder on it."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

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


def steady_precision(duration_s: NDArray, rate_lag_s: NDArray) -> NDArray:
    """(rows, KNOTS, KNOTS) inverse correlation of a rate that forgets exponentially, at the knots: tridiagonal."""
    keeps, own = _kept_and_own(duration_s, rate_lag_s)
    out = np.zeros((len(duration_s), KNOTS, KNOTS))
    place = np.arange(KNOTS)
    out[:, place[:-1], place[:-1]] += own - 1.0
    out[:, place[1:], place[1:]] += own
    out[:, 0, 0] += 1.0
    out[:, place[:-1], place[1:]] = out[:, place[1:], place[:-1]] = -keeps * own
    return out


def log_steady_precision(duration_s: NDArray, rate_lag_s: NDArray) -> NDArray:
    """(rows,) log of the determinant of `steady_precision`: each knot adds what it has of its own."""
    return np.log(_kept_and_own(duration_s, rate_lag_s)[1]).sum(axis=1)


def _kept_and_own(duration_s: NDArray, rate_lag_s: NDArray) -> tuple[NDArray, NDArray]:
    """(rows, KNOTS - 1) the correlation of each knot with the one before, and the precision of what is its own."""
    keeps = np.exp(-np.diff(KNOT_SHARES) * (duration_s / rate_lag_s)[:, None])
    return keeps, 1.0 / np.maximum(1.0 - keeps**2, 1e-9)


def between_nodes(at_nodes: NDArray, left: NDArray, share: NDArray) -> NDArray:
    """Straight lines between nodes, at places left + share."""
    index = np.arange(len(at_nodes))[:, None]
    share = share if at_nodes.ndim == 2 else share[:, :, None]
    return at_nodes[index, left] * (1.0 - share) + at_nodes[index, left + 1] * share


def times(matrices: NDArray, vectors: NDArray) -> NDArray:
    return (matrices @ vectors[:, :, None])[:, :, 0]
