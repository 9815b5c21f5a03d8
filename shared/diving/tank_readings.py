"""Readings laid over the steps of the grid, so that what is modelled at the nodes is brought to all of them at once."""

import numpy as np
from numpy.typing import NDArray


class Placed:
    """Readings by the step they lie in: layers of one reading a step, as many as the fullest step needs.

    Parameters
    ----------
    at : ndarray, (rows, readings)
        Places on a grid, 0 to `steps`.
    known : ndarray of bool, (rows, readings)
    steps : int

    Notes
    -----
    A slot is a step of a layer; arrays of slots are (layers × steps, rows).
    """

    def __init__(self, at: NDArray, known: NDArray, steps: int):
        rows = len(at)
        self._steps = steps
        step = np.minimum(at.astype(int), steps - 1)
        row, reading = np.nonzero(known)
        cell = row * steps + step[row, reading]
        order = np.argsort(cell, kind="stable")
        begins = np.flatnonzero(np.diff(cell[order], prepend=-1))
        lengths = np.diff(np.append(begins, cell.size))
        layer = np.empty(cell.size, int)
        layer[order] = np.arange(cell.size) - np.repeat(begins, lengths)
        self._row, self._reading, self._slot = row, reading, layer * steps + step[row, reading]
        self._layers = int(layer.max(initial=0)) + 1
        self._shape = known.shape
        self.known = np.zeros((self._layers * self._steps, rows), bool)
        self.known[self._slot, row] = True
        self._share = self.put(at - step, 0.0).reshape(self._layers, self._steps, rows)
        self._rooted: NDArray | None = None

    def put(self, values: NDArray, empty: float = np.nan) -> NDArray:
        """(slots, rows) values of readings, (rows, readings), in their slots."""
        out = np.full(self.known.shape, empty)
        out[self._slot, self._row] = values[self._row, self._reading]
        return out

    def back(self, values: NDArray, empty: float) -> NDArray:
        """(rows, readings) values of slots, where they came from."""
        out = np.full(self._shape, empty)
        out[self._row, self._reading] = values[self._slot, self._row]
        return out

    def between(self, at_nodes: NDArray) -> NDArray:
        """(slots, rows) straight lines between what is at the nodes, (steps + 1, rows)."""
        rise = at_nodes[1:] - at_nodes[:-1]
        return (at_nodes[:-1] + self._share * rise).reshape(self.known.shape)

    def rooted(self, at_nodes: NDArray, root: NDArray) -> NDArray:
        """(rows, slots, columns) the same for columns at the nodes, (steps + 1, columns, rows), times each slot's root.

        Valid until the next call.
        """
        columns, rows = at_nodes.shape[1:]
        if self._rooted is None:
            self._rooted = np.empty((rows, self._layers, self._steps, columns))
        after = root.reshape(self._share.shape) * self._share
        before = root.reshape(self._share.shape) - after
        for layer, (left, right) in enumerate(zip(before, after, strict=True)):
            here = at_nodes[:-1] * left[:, None]
            here += at_nodes[1:] * right[:, None]
            self._rooted[:, layer] = here.transpose(2, 0, 1)
        return self._rooted.reshape(rows, self._layers * self._steps, columns)
