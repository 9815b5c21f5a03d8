"""Gas and wall of many cylinders, step by step through a dive, and how both hang on the start and on what is drawn off.

Two bodies beside the water: in each step both become a mixture of what they were (`exchange_weights`) plus what the
step brings. Arrays have steps or nodes first and rows last, so that a step is a few operations on whole arrays.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_grid import KNOTS, STEPS

LEFT_KNOT = np.minimum(((np.arange(STEPS) + 0.5) / STEPS * (KNOTS - 1)).astype(int), KNOTS - 2)
"""Of each step, the first of the two knots between which its rate lies."""

_FREE = 4  # columns that every step feeds: the start, and what is drawn off by inflation, haste and mean rate
COLUMNS = _FREE + KNOTS


def march(of_gas: NDArray, of_wall: NDArray, brings: NDArray, start_c: NDArray) -> NDArray:
    """Gas and wall at the nodes of several courses.

    Parameters
    ----------
    of_gas, of_wall : ndarray, (STEPS, 2, courses, rows)
        What gas and wall at the end of a step, in this order, have of the gas, and of the wall, at its beginning.
    brings : ndarray, (STEPS, 2, courses, rows)
        What the step adds to both.
    start_c : ndarray, (courses, rows)
        Gas and wall at the start.

    Returns
    -------
    ndarray, (STEPS + 1, 2, courses, rows)
    """
    out = np.empty((len(brings) + 1, *brings.shape[1:]))
    part = np.empty(brings.shape[1:])
    out[0] = start_c
    for k in range(len(brings)):
        np.multiply(of_gas[k], out[k, 0], out=out[k + 1])
        np.multiply(of_wall[k], out[k, 1], out=part)
        part += brings[k]
        out[k + 1] += part
    return out


class Answers:
    """How the gas answers to the start, and to each unknown of what is drawn off: at all nodes, or at both ends.

    Parameters
    ----------
    inflation, haste, breath : ndarray, (STEPS, rows)
        What is drawn off in each step for one unit of each of the first three; the last also of each knot's
        departure, by the knot's weight.
    weights : ndarray, (STEPS, KNOTS)
    ends : bool
        At the first node and at the last alone, for a tenth of the work.
    """

    def __init__(self, inflation: NDArray, haste: NDArray, breath: NDArray, weights: NDArray, ends: bool):
        rows = breath.shape[1]
        self._weights, self._ends = weights, ends
        if ends:
            self._draws = np.stack([inflation, haste, breath], axis=1)
            self.taken = np.zeros((2, COLUMNS - 1, rows))
            self.taken[1] = self._drawn(np.ones((STEPS, rows)))
            return
        steps = np.arange(STEPS)
        left, right = weights[steps, LEFT_KNOT], weights[steps, LEFT_KNOT + 1]
        self._draws = np.stack([inflation, haste, breath, breath * left[:, None], breath * right[:, None]], axis=1)
        self._out = np.zeros((STEPS + 1, 2, COLUMNS, rows))
        self._out[0, :, 0] = 1.0
        self._part = np.empty((2, COLUMNS, rows))
        taken = np.zeros((STEPS + 1, COLUMNS - 1, rows))
        taken[1:, :3] = self._draws[:, :3]
        taken[1 + steps, 3 + LEFT_KNOT] = self._draws[:, 3]
        taken[1 + steps, 4 + LEFT_KNOT] = self._draws[:, 4]
        for before, after in pairwise(taken):  # many times quicker than a cumulative sum over the first axis
            after += before
        self.taken = taken
        """(nodes, unknowns, rows) drawn off up to each node for one unit of each."""

    def __call__(self, of_gas: NDArray, of_wall: NDArray, draw_brings: NDArray) -> NDArray:
        """(nodes, COLUMNS, rows) the gas at the nodes for one unit of the start, then of each unknown.

        `of_gas` and `of_wall` are as in `march`, (STEPS, 2, rows); `draw_brings`, (STEPS, 2, rows), is what drawing
        off one free litre in a step adds to gas and wall. Valid until the next call.
        """
        if self._ends:
            return self._at_ends(of_gas, of_wall, draw_brings)
        out, brings = self._out, draw_brings[:, :, None] * self._draws[:, None]
        for k in range(STEPS):
            left = _FREE + LEFT_KNOT[k]
            some = left + 2  # later knots are not drawn on yet
            now, after, part = out[k, :, :some], out[k + 1, :, :some], self._part[:, :some]
            np.multiply(of_gas[k, :, None], now[0], out=after)
            np.multiply(of_wall[k, :, None], now[1], out=part)
            part[:, 1:_FREE] += brings[k, :, :3]
            part[:, left:] += brings[k, :, 3:]
            after += part
        return out[:, 0]

    def _at_ends(self, of_gas: NDArray, of_wall: NDArray, draw_brings: NDArray) -> NDArray:
        """What the last node has of gas and wall after each step, from the last step back to the first."""
        has = np.zeros((STEPS + 1, 2, draw_brings.shape[2]))
        has[-1, 0] = 1.0
        both = np.stack([of_gas, of_wall], axis=1)  # of what was before, in what is after
        for k in range(STEPS - 1, -1, -1):
            np.add(both[k, :, 0] * has[k + 1, 0], both[k, :, 1] * has[k + 1, 1], out=has[k])
        out = np.zeros((2, COLUMNS, draw_brings.shape[2]))
        out[0, 0], out[1, 0] = 1.0, has[0].sum(axis=0)
        out[1, 1:] = self._drawn((has[1:] * draw_brings).sum(axis=1))
        return out

    def _drawn(self, each: NDArray) -> NDArray:
        """(unknowns, rows) sums over the steps of so much, (STEPS, rows), for each free litre drawn off in them."""
        drawn = each[:, None] * self._draws
        return np.concatenate([drawn.sum(axis=0), self._weights.T @ drawn[:, 2]])
