"""What a cylinder's gauge would read through a dive at given unknowns, and how that moves with them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.diving.tank_course import Answers, march
from shared.diving.tank_grid import (
    CONTENT,
    COOLING,
    DEPARTURES,
    EARLY,
    FILM,
    INFLATION,
    KNOT_WEIGHTS,
    RATE,
    START,
    STEP_SHARES,
    STEPS,
    UNKNOWNS,
    USE,
    WALL,
    WATER,
    early_share,
)
from shared.diving.tank_heat import (
    PIVOT_L,
    conductance_w_k,
    exchange_weights,
    expansion_heat_by_slope_j_mol,
    heat_capacity_j_mol_k,
    water_conductance_w_k,
)
from shared.diving.tank_prior import contents_at_ends, first_guess, prior_precision
from shared.diving.tank_readings import Placed
from shared.diving.tank_records import TankRecords
from shared.gas.constants import FREE_LITRE_MOL
from shared.gas.slopes import PressureSlopes
from shared.gas.units import gauge, kelvin

_LEAST_FREE_L_PER_L = 0.7
_NUDGE = 0.02
FIRST_APART_K = 4.0
"""Between gas and wall, before anything has been worked out."""


@dataclass(frozen=True)
class Course:
    """Gas through the dive at one set of unknowns; steps or nodes first, rows last."""

    used: NDArray  # (STEPS, rows) free litres
    amount: NDArray  # (STEPS + 1, rows) free litres
    density_mol_l: NDArray
    gas_c: NDArray
    apart_k: NDArray  # (STEPS, rows) gas against wall
    nudged_c: NDArray  # (2, STEPS + 1, rows) the gas with film, then wall, a little other; none where not asked for
    by_cooling_c: NDArray  # (STEPS + 1, rows) for one unit of cooling
    weights: tuple[NDArray, NDArray]  # as `Answers` takes them
    draw_brings: NDArray


@dataclass(frozen=True)
class Reading:
    """How far readings are from what the gauge would read; slots of `Placed` or nodes first, rows last."""

    residual: NDArray  # 0 where not seen
    seen: NDArray
    by_temperature: NDArray  # (nodes, rows) bar/K
    by_content: NDArray  # (nodes, rows) bar by a free litre


class TankModel:
    """What a batch of records makes of its unknowns; all that does not hang on them is worked out once.

    Unknowns are (rows, UNKNOWNS); everything over the grid has rows last.
    """

    def __init__(self, r: TankRecords):
        self.records = r
        rows = len(r)
        self.known = np.isfinite(r.reading_bar) & np.isfinite(r.reading_at)
        self.at = np.where(self.known, np.clip(np.nan_to_num(r.reading_at), 0.0, STEPS), 0.0)
        # of cylinders known by both ends alone nothing between them is asked for
        ends = bool(np.isin(self.at[self.known], (0.0, STEPS)).all())
        self._read = [0, STEPS] if ends else slice(None)
        self.readings = Placed(self.at / STEPS, self.known, 1) if ends else Placed(self.at, self.known, STEPS)
        self.bar = self.readings.put(r.reading_bar)
        self.sd = np.where(self.readings.known, self.readings.put(r.reading_sd_bar), 1.0)
        self.capacity = r.water_capacity_l
        self.water_c = np.ascontiguousarray(r.water_c.T)
        self.step_s = STEP_SHARES[:, None] * r.duration_s
        per_cylinder = r.water_capacity_l / r.cylinders
        self.wall_j_k = r.wall_j_k_l * r.water_capacity_l
        self.film_w_k = conductance_w_k(per_cylinder, r.cylinders) / conductance_w_k(PIVOT_L)
        self.water_w_k = water_conductance_w_k(per_cylinder, r.cylinders)
        self.heat_j_mol_k = heat_capacity_j_mol_k(r.he_pct)
        descent = np.maximum(np.diff(r.ambient_bar_abs, axis=1), 0.0)
        self.centre, self.reference_rate = first_guess(r, self.at, self.known, descent)
        # what is used in a step is linear in inflation, early haste, mean rate and the rate's departures at knots
        self.descent = descent.T.copy()
        self.breath = (np.diff(r.bar_min, axis=1) * r.breathing_share).T.copy()
        self.haste = self.breath * self.reference_rate * early_share(r.duration_s).T
        self.answers = Answers(self.descent, self.haste, self.breath, KNOT_WEIGHTS, ends)
        self.prior = prior_precision(r, self.reference_rate)
        self.pressure = PressureSlopes(r.o2_pct, r.he_pct, r.ar_pct)
        _, amount = self.amounts(self.centre)
        middle = 0.5 * (amount[1:] + amount[:-1]) / self.capacity
        density = np.maximum(middle, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL
        water_k = kelvin(np.clip(self.water_c, -30, 60))
        _, _, bar_by_k = self.pressure(density.T, water_k.T)
        heat = expansion_heat_by_slope_j_mol(density, water_k, bar_by_k.T)
        self.heat_j_free_l = np.where(np.isfinite(heat), heat, 2600.0) * FREE_LITRE_MOL
        self._nodes = np.empty((len(self.answers.taken), UNKNOWNS, rows))

    def amounts(self, x: NDArray) -> tuple[NDArray, NDArray]:
        """Free litres used in each step, (STEPS, rows), and inside at the nodes, (STEPS + 1, rows)."""
        rate = KNOT_WEIGHTS @ x[:, DEPARTURES].T + x[:, RATE]
        used = self.descent * x[:, INFLATION] + self.haste * x[:, EARLY] + self.breath * rate
        amount = np.empty((STEPS + 1, len(x)))
        amount[0] = 0.0
        np.cumsum(used, axis=0, out=amount[1:])
        return used, np.subtract(x[:, CONTENT], amount, out=amount)

    def content_as_read(self, x: NDArray) -> NDArray:
        """(rows,) where to begin with the content: as the first reading has it."""
        _, node, content = contents_at_ends(self.records, self.at, self.known, x[:, START])[0]
        _, amount = self.amounts(x)
        before = x[:, CONTENT] - amount[node, np.arange(len(x))]
        return np.where(np.isfinite(content), content + before, x[:, CONTENT])

    def course(self, x: NDArray, apart_k: NDArray, *, nudged: bool = False) -> Course:
        """Gas at the unknowns `x`, its film taken as for gas and wall so far apart, (STEPS, rows)."""
        used, amount = self.amounts(x)
        density = np.maximum(amount / self.capacity, _LEAST_FREE_L_PER_L) * FREE_LITRE_MOL
        middle = 0.5 * (density[1:] + density[:-1])
        water, start, cooling = self.water_c + x[:, WATER], x[:, START], x[:, COOLING]
        thicker = np.exp(x[:, WALL])
        film = self.film_w_k * conductance_w_k(PIVOT_L, 1, middle, apart_k) * np.exp(x[:, FILM])
        # where gas and wall would come to rest by what is drawn off, K colder by a free litre in the step
        wall_colder = self.heat_j_free_l / (self.step_s * self.water_w_k) * thicker
        film_colder = self.heat_j_free_l / (self.step_s * film)
        # film and wall as they are, and each in turn a little other
        kinds = 3 if nudged else 1
        other_film, other_wall = (1.0 + np.expm1(_NUDGE) * np.eye(3)[1:, :kinds])[:, :, None]
        to_wall, to_water = film[:, None] * other_film, self.water_w_k / (thicker * other_wall)
        gas_j_k = middle * self.capacity * self.heat_j_mol_k
        gas_of_gas, gas_of_wall, wall_of_gas, wall_of_wall = exchange_weights(
            self.step_s[:, None], to_wall / gas_j_k[:, None], to_wall / self.wall_j_k, to_water / self.wall_j_k
        )
        # courses: by start and water; by what is drawn off, for one unit of cooling; and both together, nudged
        same = [0, 0, 1, 2][: kinds + 1]
        of_gas = np.stack([gas_of_gas, wall_of_gas], axis=1)[:, :, same]
        of_wall = np.stack([gas_of_wall, wall_of_wall], axis=1)[:, :, same]
        wall_cold, film_cold = wall_colder * used, film_colder * used
        rests = np.empty((STEPS, 2, kinds + 1, len(x)))
        rests[:, :, 0] = water[:, None]
        rests[:, 0, 1], rests[:, 1, 1] = -film_cold - wall_cold, -wall_cold
        for kind in range(1, kinds):
            rests[:, 1, 1 + kind] = water - cooling * wall_cold * other_wall[kind]
            rests[:, 0, 1 + kind] = rests[:, 1, 1 + kind] - cooling * film_cold / other_film[kind]
        brings = rests - of_gas * rests[:, :1] - of_wall * rests[:, 1:]
        courses = march(of_gas, of_wall, brings, np.stack([start, 0.0 * start, start, start][: kinds + 1]))
        gas_c = np.clip(courses[:, 0, 0] + cooling * courses[:, 0, 1], -40.0, 90.0)
        gap = gas_c - courses[:, 1, 0]
        of_gas, of_wall = of_gas[:, :, 0], of_wall[:, :, 0]
        colder = np.stack([film_colder + wall_colder, wall_colder], axis=1)
        return Course(
            used,
            amount,
            density,
            gas_c,
            0.5 * np.abs(gap[1:] + gap[:-1]),
            courses[:, 0, 2:].swapaxes(0, 1),
            courses[:, 0, 1],
            (of_gas, of_wall),
            of_gas * colder[:, :1] + of_wall * colder[:, 1:] - colder,
        )

    def modelled_bar(self, course: Course) -> NDArray:
        """(STEPS + 1, rows) what the gauge would read."""
        return gauge(self.pressure(course.density_mol_l.T, kelvin(course.gas_c).T)[0].T)

    def reading(self, course: Course) -> Reading:
        """How far the readings are from a course."""
        states = self.pressure(course.density_mol_l[self._read].T, kelvin(course.gas_c[self._read]).T)
        pressure, by_density, by_temperature = (np.ascontiguousarray(s.T) for s in states)
        residual = self.bar - self.readings.between(gauge(pressure))
        seen = self.readings.known & np.isfinite(residual)
        by_content = by_density * (FREE_LITRE_MOL / self.capacity)
        return Reading(np.where(seen, residual, 0.0), seen, by_temperature, by_content)

    def jacobian(self, x: NDArray, course: Course, reading: Reading, root: NDArray) -> NDArray:
        """(rows, slots, UNKNOWNS) how readings, each times its `root` (slots, rows), move with the unknowns.

        The course is a nudged one. Valid until the next call.
        """
        nodes, by_temperature = self._nodes, reading.by_temperature
        cooling = by_temperature * x[:, COOLING]
        answers = self.answers(*course.weights, course.draw_brings)
        np.multiply(by_temperature, answers[:, 0], out=nodes[:, START])
        np.subtract(by_temperature, nodes[:, START], out=nodes[:, WATER])
        np.multiply(by_temperature, course.by_cooling_c[self._read], out=nodes[:, COOLING])
        nodes[:, CONTENT] = reading.by_content
        np.multiply(answers[:, 1:], cooling[:, None], out=nodes[:, USE])
        nodes[:, USE] -= reading.by_content[:, None] * self.answers.taken
        for place, moved in zip((FILM, WALL), course.nudged_c, strict=True):
            nodes[:, place] = by_temperature * (moved - course.gas_c)[self._read] / _NUDGE
        if not np.isfinite(by_temperature.sum()):
            np.nan_to_num(nodes, copy=False)
        return self.readings.rooted(nodes, root)
