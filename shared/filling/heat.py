"""Heat of a fill: how warm gas and wall are when the valve is shut.

Two bodies, gas and wall. What flows in brings its enthalpy, the gas hands heat to the wall through a film, the
wall hands heat to the surroundings. The film is that of gas at rest, which grows with density and with how much
warmer the gas is, and of the jet that stirs it, which grows with the flow: a fill from a bank in two minutes has
twice the film of one from a compressor in ten. The filling gas is the real gas of `shared.gas.mix`; everything here is
an array with one value a fill.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas import mix as gas
from shared.gas.constants import ATM_BAR, GRAVITY_M_S2, ZERO_C_K
from shared.gas.cooling import STILL_AIR_W_M2_K
from shared.gas.table import GasTable, TablesOfMixes
from shared.gas.walls import diameter_m, surface_m2

Array = NDArray[np.float64]

INLET_M = 0.004
"""Bore of the valve through which it is filled: an assumption; the factor on the jet corrects it."""
COMPRESSOR_RISE_K = 10.0
COMPRESSOR_LEAST_BAR = 150.0
"""A compressor delivers at its pressure-maintaining valve or above, some kelvin above ambient."""
BANK_BAR = 250.0
"""Pressure of a bank where nothing says it: at least this, and at least 20 bar above the stop pressure."""

EXPANSION = 1.15
"""Expansion coefficient of air times its temperature, 50 to 300 bar at 40 °C: 1.10 to 1.21 (CoolProp)."""

CELSIUS_LEAST, CELSIUS_MOST = -40.0, 154.0
HIGHEST_BAR_ABS = 499.0
"""Inside the gas tables' box; a fill that ends outside it has no temperature."""

PARAMETERS = ("wall", "outside", "natural", "jet", "delivery", "start")
"""What may be off: logarithms of the wall's heat capacity, of the film outside, of the film of gas at rest and of the
jet's, then delivery temperature and start temperature (K)."""


@dataclass(frozen=True)
class FillConditions:
    """What is known of fills before their gas temperature is; arrays of one length.

    `delivery_bar` is the pressure the gas comes from: NaN for a compressor, which delivers at the
    cylinder's own pressure and at least at COMPRESSOR_LEAST_BAR. `delivery_c` its temperature. `start_c` is that
    of gas and wall as the fill begins: where nothing says it, they are as warm as the room. `wall_m2_k_w` is the
    resistance of the wall itself, m² K/W: none, but for composites.
    """

    start_pressure_bar: Array
    stop_pressure_bar: Array
    ambient_c: Array
    fill_minutes: Array
    water_capacity_l: Array
    cylinders: Array
    wall_j_k: Array
    delivery_c: Array
    delivery_bar: Array
    o2_pct: Array
    he_pct: Array
    ar_pct: Array
    start_c: Array | None = None
    wall_m2_k_w: Array | None = None

    def __post_init__(self):
        given = np.nan if self.start_c is None else self.start_c
        object.__setattr__(self, "start_c", np.where(np.isfinite(given), given, self.ambient_c))
        if self.wall_m2_k_w is None:
            object.__setattr__(self, "wall_m2_k_w", np.zeros(len(self)))

    def __len__(self) -> int:
        return len(self.stop_pressure_bar)

    def take(self, rows: NDArray) -> "FillConditions":
        """The same for some of the fills."""
        return FillConditions(**{name: value[rows] for name, value in self.__dict__.items()})


@dataclass(frozen=True)
class StopState:
    """Gas and wall at stop. `gas_per` and `wall_per` hold, for each of PARAMETERS, °C per unit of it."""

    gas_c: Array
    wall_c: Array
    gas_j_k: Array
    gas_per: Array
    wall_per: Array


def temperature_at_stop(
    conditions: FillConditions,
    *,
    natural: ArrayLike = 1.0,
    jet: ArrayLike = 1.0,
    outside: ArrayLike = 1.0,
    steps: int = 5,
    sensitivities: bool = True,
) -> StopState:
    """Gas and wall temperature at stop, by the energy balance of the fill.

    Parameters
    ----------
    conditions : FillConditions
        NaN anywhere in a row gives NaN for that row; so does a state outside the gas table's box.
    natural, jet, outside : array_like
        Factors on the film of gas at rest, on the jet's, and on that outside.
    steps : int
        Time steps of the integration; 5 are within 0.05 K of many for fills of a cylinder that is not empty.
    sensitivities : bool
        Also find how the temperatures move with each of PARAMETERS (else zeros).

    Returns
    -------
    StopState

    Notes
    -----
    d(n·u)/dt = ṅ·h_in − H (T_gas − T_wall); C dT_wall/dt = H (T_gas − T_wall) − L (T_wall − T_ambient), with a
    steady molar flow (first law for an open, rigid vessel; any textbook of engineering thermodynamics). The
    amount at stop follows from the stop pressure and the temperature found, so the balance is solved a few
    times. H = h·A with Nu = 0.104·Ra^0.352 + 0.56·Re^0.67, Re of the inlet (Woodfield 2008, doi 10.1299/jtst.3.241,
    as restated for vessels filled with hydrogen; not opened). Stepped by the L-stable two-stage singly diagonally
    implicit Runge-Kutta method (Alexander 1977, from memory), conservative in energy.
    """
    n = len(conditions)
    films = np.broadcast_arrays(*(np.asarray(f, float) for f in (natural, jet, outside)), np.empty(n))[:3]
    out = StopState(*(np.full(n, np.nan) for _ in range(3)), *(np.full((n, len(PARAMETERS)), np.nan) for _ in range(2)))
    mixes = list(_by_mix(conditions))
    if not mixes:
        return out
    tables, he_shares, rows_of = zip(*mixes, strict=True)
    rows, sizes = np.concatenate(rows_of), [len(r) for r in rows_of]
    problem = _problem(
        TablesOfMixes(tables, sizes), np.repeat(he_shares, sizes), conditions.take(rows), *(f[rows] for f in films)
    )
    for name, value in _solve(problem, steps, sensitivities).__dict__.items():
        getattr(out, name)[rows] = value
    return out


def _by_mix(conditions: FillConditions) -> Iterator[tuple[GasTable, float, NDArray]]:
    """Fills grouped by their mix to the nearest 4 %: for heat that is near enough, and keeps tables few."""
    mixes = np.column_stack([conditions.o2_pct, conditions.he_pct, np.nan_to_num(conditions.ar_pct, nan=-4.0)])
    needed = [f.name for f in fields(conditions) if f.name not in ("ar_pct", "delivery_bar")]
    known = np.isfinite(np.column_stack([getattr(conditions, name) for name in needed])).all(1)
    known &= (conditions.stop_pressure_bar > conditions.start_pressure_bar) & (conditions.water_capacity_l > 0)
    known &= (conditions.fill_minutes > 0) & (conditions.wall_j_k >= 0)
    coarse = np.round(np.nan_to_num(mixes) / 4.0).astype(int)
    coarse[:, 0] = np.where((mixes[:, 0] > 19.5) & (mixes[:, 0] < 22.5), 0, np.clip(coarse[:, 0], 1, 25))
    rows = np.flatnonzero(known)
    if not rows.size:
        return
    kinds, of = np.unique(coarse[rows], axis=0, return_inverse=True)
    for i, (o2, he, ar) in enumerate(kinds):
        o2_pct = gas.AIR.o2_pct if o2 == 0 else 4.0 * o2
        he_pct = min(4.0 * he, 100.0 - o2_pct)
        ar_pct = None if ar < 0 else min(4.0 * ar, 100.0 - o2_pct - he_pct)
        yield gas.table_for(gas.Mix(o2_pct, he_pct, ar_pct)), he_pct / 100.0, rows[of.ravel() == i]


def _problem(
    table: TablesOfMixes, he_share: Array, c: FillConditions, natural: Array, jet: Array, outside: Array
) -> "_Problem":
    start_k = np.asarray(c.start_c, float) + ZERO_C_K
    start_p = np.maximum(c.start_pressure_bar, 0.0) + ATM_BAR
    area = surface_m2(c.water_capacity_l, c.cylinders)
    n_start = c.water_capacity_l * _density(table, start_p, start_k)
    return _Problem(
        table,
        c.water_capacity_l,
        start_p,
        c.stop_pressure_bar + ATM_BAR,
        n_start,
        n_start,
        c.fill_minutes * 60.0,
        c.ambient_c + ZERO_C_K,
        start_k,
        c.wall_j_k,
        _Film(
            he_share,
            diameter_m(c.water_capacity_l, c.cylinders),
            c.cylinders,
            area,
            natural,
            jet,
            np.asarray(c.wall_m2_k_w, float),
        ),
        outside * STILL_AIR_W_M2_K * area,
        c.delivery_c,
        c.delivery_bar,
    )


def _solve(problem: "_Problem", steps: int, sensitivities: bool) -> StopState:
    start_k, ambient_k, stop_p = problem.start_k, problem.ambient_k, problem.stop_bar_abs
    # a first guess that grows with the rise: one far off for a small top-up would not be forgotten in three rounds
    gas_k = start_k + 25.0 * np.clip((stop_p - problem.start_bar_abs) / 100.0, 0.0, 1.0)
    wall_k = start_k
    for n_steps in (2, 3, steps):
        problem = replace(problem, n_stop=problem.capacity_l * _density(problem.table, stop_p, _boxed(gas_k)))
        gas_k, wall_k = _integrate(problem, n_steps)
    density, warm = problem.n_stop / problem.capacity_l, _boxed(gas_k)
    energy = problem.table.energy_unchecked
    gas_j_k = problem.n_stop * (energy(density, warm + 1) - energy(density, warm - 1)) / 2
    gas_per, wall_per = np.zeros((2, len(gas_k), len(PARAMETERS)))
    if sensitivities:
        # a warmer gas means a smaller amount at the same stop pressure, hence a little less heat
        less = 1.0 + (gas_k - ambient_k) / gas_k * problem.n_stop / np.maximum(problem.n_stop - problem.n_start, 1e-9)
        gas_per, wall_per = (per / np.maximum(less, 1.0)[:, None] for per in _moved_per(problem))
    outside_box = (stop_p > HIGHEST_BAR_ABS) | ~((gas_k > CELSIUS_LEAST + ZERO_C_K) & (gas_k < CELSIUS_MOST + ZERO_C_K))
    gas_c = np.where(outside_box, np.nan, gas_k - ZERO_C_K)
    return StopState(gas_c, np.where(outside_box, np.nan, wall_k - ZERO_C_K), gas_j_k, gas_per, wall_per)


def _moved_per(problem: "_Problem", log_step: float = 0.1, kelvin_step: float = 4.0) -> tuple[Array, Array]:
    """(fills, PARAMETERS) how gas and wall move with each of PARAMETERS at one amount of gas, by finite steps."""
    steps = np.array([log_step] * 4 + [kelvin_step] * 2)
    n, turns = len(problem.start_k), 1 + len(PARAMETERS)
    # each fill as it is, and once for each parameter: solved as one
    turn, many = np.tile(np.arange(turns), n), problem.repeated(turns)

    def more(parameter: str) -> Array:
        return np.where(turn == 1 + PARAMETERS.index(parameter), np.exp(log_step), 1.0)

    def warmer_k(parameter: str) -> Array:
        return np.where(turn == 1 + PARAMETERS.index(parameter), kelvin_step, 0.0)

    moved = replace(
        many,
        wall_j_k=many.wall_j_k * more("wall"),
        outside_w_k=many.outside_w_k * more("outside"),
        film=replace(many.film, natural=many.film.natural * more("natural"), jet=many.film.jet * more("jet")),
        delivery_c=many.delivery_c + warmer_k("delivery"),
        start_k=many.start_k + warmer_k("start"),
    )
    gas_k, wall_k = (found.reshape(n, turns) for found in _integrate(moved, 2))
    return (gas_k[:, 1:] - gas_k[:, :1]) / steps, (wall_k[:, 1:] - wall_k[:, :1]) / steps


@dataclass(frozen=True)
class _Film:
    """Conductance from the gas to the wall, W/K, of gas that is stirred by what flows in.

    Conductivity and viscosity of air up to 11 mol/L at 40 °C as CoolProp has them, within 3 %; helium's share after
    its pure values and one of its mixtures. The factors on both films make up for what that leaves.
    """

    he_share: Array
    diameter_m: Array
    cylinders: Array
    surface_m2: Array
    natural: Array
    jet: Array
    wall_m2_k_w: Array

    def conductance_w_k(self, density_mol_l: Array, gas_k: Array, over_wall_k: Array, flow_mol_s: Array) -> Array:
        he, air = self.he_share, 1.0 - self.he_share
        molar_kg = 0.029 * air + 0.004 * he
        conductivity = 0.0272 + 0.133 * he**1.6 + air * density_mol_l * (6e-4 + 1e-4 * density_mol_l)
        viscosity = 1.92e-5 + air * density_mol_l * (3e-7 + 4.5e-8 * density_mol_l)
        heat_j_mol_k = (29.2 + 1.05 * density_mol_l) * air + 20.8 * he
        density_mol_m3 = 1000.0 * density_mol_l
        rayleigh = (
            GRAVITY_M_S2 * EXPANSION / gas_k * over_wall_k * self.diameter_m**3
            * density_mol_m3**2 * molar_kg * heat_j_mol_k / (viscosity * conductivity)
        )  # fmt: skip
        reynolds = 4.0 * np.maximum(flow_mol_s, 0.0) / self.cylinders * molar_kg / (np.pi * INLET_M * viscosity)
        nusselt = self.natural * 0.104 * rayleigh**0.352 + self.jet * 0.56 * reynolds**0.67
        film = nusselt * conductivity / self.diameter_m
        return film * self.surface_m2 / (1.0 + film * self.wall_m2_k_w)


def _boxed(kelvin: Array) -> Array:
    return np.clip(kelvin, CELSIUS_LEAST + ZERO_C_K, CELSIUS_MOST + ZERO_C_K)


def _density(table: TablesOfMixes, pressure_bar_abs: Array, kelvin: Array) -> Array:
    return table.density_unchecked(np.clip(pressure_bar_abs, 0.6, HIGHEST_BAR_ABS), _boxed(kelvin))


@dataclass(frozen=True)
class _Problem:
    """Fills to be solved, their rows sorted by mix."""

    table: TablesOfMixes
    capacity_l: Array
    start_bar_abs: Array
    stop_bar_abs: Array
    n_start: Array
    n_stop: Array
    seconds: Array
    ambient_k: Array
    start_k: Array
    wall_j_k: Array
    film: _Film
    outside_w_k: Array
    delivery_c: Array
    delivery_bar: Array

    def repeated(self, times: int) -> "_Problem":
        """Each row so many times, one after the other."""
        film = _Film(*(np.repeat(value, times) for value in self.film.__dict__.values()))
        rows = {name: np.repeat(v, times) for name, v in self.__dict__.items() if isinstance(v, np.ndarray)}
        return replace(self, table=self.table.repeated(times), film=film, **rows)

    @cached_property
    def _enthalpy_nodes(self) -> tuple[Array, Array, Array]:
        """Enthalpy of what flows in as the fill begins, half way and as it ends, J/mol."""
        kelvin = _boxed(self.delivery_c + ZERO_C_K)
        found = []
        for share in (0.0, 0.5, 1.0):
            own = self.start_bar_abs + share * (self.stop_bar_abs - self.start_bar_abs)
            own = np.maximum(own, COMPRESSOR_LEAST_BAR)
            pressure = np.where(np.isnan(self.delivery_bar), own, self.delivery_bar + ATM_BAR)
            density = _density(self.table, pressure, kelvin)
            flow_work = 100.0 * self.table.pressure_unchecked(density, kelvin) / density
            found.append(self.table.energy_unchecked(density, kelvin) + flow_work)
        return found[0], found[1], found[2]

    def enthalpy_in(self, share: float) -> Array:
        """Enthalpy of what flows in once so much of the fill is done, J/mol.

        The kink at COMPRESSOR_LEAST_BAR is weak: a parabola through three points is within 10 J/mol.
        """
        first, middle, last = self._enthalpy_nodes
        return first * (2 * share - 1) * (share - 1) + middle * 4 * share * (1 - share) + last * share * (2 * share - 1)


_GAMMA = 1.0 - 1.0 / np.sqrt(2.0)


def _integrate(q: _Problem, steps: int) -> tuple[Array, Array]:
    """Gas and wall, K, at the end of the fill."""
    n_flow = (q.n_stop - q.n_start) / q.seconds
    h = q.seconds / steps
    gas_k = _boxed(q.start_k)
    wall_k = q.start_k.copy()
    energy = q.n_start * q.table.energy_unchecked(q.n_start / q.capacity_l, gas_k)
    rate_of_gas_k = np.zeros_like(gas_k)
    over_wall_k = _first_gap_k(q, n_flow, energy / q.n_start)
    for k in range(steps):
        slope_energy: list[Array] = []
        slope_wall: list[Array] = []
        for share, weights in ((_GAMMA, ()), (1.0, (1.0 - _GAMMA,))):
            base_energy = energy + sum(w * h * s for w, s in zip(weights, slope_energy, strict=True))
            base_wall = wall_k + sum(w * h * s for w, s in zip(weights, slope_wall, strict=True))
            done = (k + share) / steps
            n = q.n_start + n_flow * q.seconds * done
            feed = n_flow * q.enthalpy_in(done)
            guess = _boxed(gas_k + rate_of_gas_k * (share if not slope_energy else 1.0 - _GAMMA))
            film = q.film.conductance_w_k(n / q.capacity_l, guess, over_wall_k, n_flow)
            found, wall = _stage(q, n, base_energy, base_wall, feed, _GAMMA * h, guess, film)
            rate_of_gas_k = (found - gas_k) / share if not slope_energy else (found - gas_k) / (1.0 - _GAMMA)
            gas_k = found
            over_wall_k = np.maximum(np.abs(found - wall), LEAST_GAP_K)
            slope_energy.append(feed - film * (found - wall))
            # from the implicit relation, so that a wall of no mass stays finite
            slope_wall.append((wall - base_wall) / (_GAMMA * h))
        energy = energy + h * ((1.0 - _GAMMA) * slope_energy[0] + _GAMMA * slope_energy[1])
        wall_k = wall_k + h * ((1.0 - _GAMMA) * slope_wall[0] + _GAMMA * slope_wall[1])
    return gas_k, wall_k


LEAST_GAP_K = 0.05


def _first_gap_k(q: _Problem, n_flow: Array, energy_j_mol: Array) -> Array:
    """How much warmer than the wall the gas soon is, K, as far as the film of gas at rest hangs on it."""
    watts = n_flow * np.maximum(q.enthalpy_in(0.5) - energy_j_mol, 100.0)
    gap = np.full_like(n_flow, 5.0)
    middle = 0.5 * (q.n_start + q.n_stop) / q.capacity_l
    for _ in range(3):
        gap = np.clip(watts / np.maximum(q.film.conductance_w_k(middle, q.start_k, gap, n_flow), 1e-6), 0.5, 60.0)
    return gap


def _stage(
    q: _Problem, n: Array, base_energy: Array, base_wall: Array, feed: Array, gh: Array, guess: Array, film: Array
) -> tuple[Array, Array]:
    """Solve one implicit stage for the gas temperature; the wall is linear in it."""
    loss = q.outside_w_k
    stiff = np.maximum(q.wall_j_k + gh * (film + loss), 1e-12)
    held = (q.wall_j_k * base_wall + gh * loss * q.ambient_k) / stiff
    per_gas = gh * film / stiff
    density = n / q.capacity_l
    kelvin = guess
    heat_capacity = n * 24.0
    last = None
    for _ in range(2):
        value = n * q.table.energy_unchecked(density, kelvin)
        excess = value + gh * film * (kelvin - held - per_gas * kelvin) - base_energy - gh * feed
        if last is not None:
            moved = kelvin - last[0]
            secant = np.where(np.abs(moved) > 1e-3, (value - last[1]) / np.where(moved == 0, 1.0, moved), heat_capacity)
            heat_capacity = np.clip(secant, n * 10.0, n * 60.0)
        last = (kelvin, value)
        kelvin = _boxed(kelvin - excess / (heat_capacity + gh * film * (1.0 - per_gas)))
    return kelvin, held + per_gas * kelvin
