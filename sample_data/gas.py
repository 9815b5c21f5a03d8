"""Gas of the invented station: CoolProp's equations, fitted once for fast stepping.

This is a second, separate account of the gas, so that a mistake in the project's own engine is not
repeated in the data that is meant to try it. Air follows CoolProp's `Air` (Lemmon et al. 2000, J. Phys.
Chem. Ref. Data 29(3)); every other mix CoolProp's Helmholtz mixture model of N2, O2, Ar, He.

(Z - 1)/density and (residual internal energy)/density are smooth, so each is written as Chebyshev
polynomials in density and temperature whose coefficients are a polynomial in the oxygen and helium
fractions. Argon as suit gas has coefficients of its own. The functions that step a vessel are compiled
(numba) and work on one state; `Gas` is the same for arrays.
"""

from functools import lru_cache

import numpy as np
from numba import njit

R = 8.314462618
ATM_BAR = 1.01325
FREE_MOL = 1e5 * 1e-3 / (R * 288.15)  # moles in one free litre: 1 bar, 15 °C, ideal
DENSITY_MAX = 15.5  # mol/L
T_LOW, T_HIGH = 215.0, 445.0  # K
N_DENSITY, N_TEMPERATURE, DEGREE = 12, 8, 4
AIR_O2 = 0.2095

# heat capacities of the ideal gas at constant volume near 300 K, J/(mol K), from the same library
CV_N2, CV_O2, CV_AR, CV_HE = 20.81, 21.08, 12.472, 12.472
N2_OF_REST, AR_OF_REST = 0.7812 / 0.7905, 0.0093 / 0.7905


def _powers(o2, he):
    """All products o2^i he^j up to the degree."""
    return np.array([o2**i * he**j for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)])


N_POWERS = len(_powers(0.2, 0.0))


def _fit(state):
    """Chebyshev coefficients of (Z-1)/density and u_residual/density, shape (2, density, temperature)."""
    import CoolProp.CoolProp as cp

    xd, xt = (np.cos(np.pi * (np.arange(n) + 0.5) / n) for n in (N_DENSITY, N_TEMPERATURE))
    density = (xd + 1) / 2 * DENSITY_MAX
    kelvin = T_LOW + (xt + 1) / 2 * (T_HIGH - T_LOW)
    values = np.empty((2, N_DENSITY, N_TEMPERATURE))
    for i, d in enumerate(density):
        for j, t in enumerate(kelvin):
            state.update(cp.DmolarT_INPUTS, d * 1000.0, t)
            values[0, i, j] = (state.p() / (d * 1000.0 * R * t) - 1) / d
            values[1, i, j] = R * t * state.tau() * state.dalphar_dTau() / d
    to_d = np.linalg.inv(np.polynomial.chebyshev.chebvander(xd, N_DENSITY - 1))
    to_t = np.linalg.inv(np.polynomial.chebyshev.chebvander(xt, N_TEMPERATURE - 1))
    return np.einsum("ai,kij,bj->kab", to_d, values, to_t)


@lru_cache(maxsize=1)
def library():
    """Coefficients (17, 192): those of the mixtures by power of composition, of air, of argon."""
    import CoolProp.CoolProp as cp

    mixture = cp.AbstractState("HEOS", "Nitrogen&Oxygen&Argon&Helium")
    mixture.specify_phase(cp.iphase_gas)
    rows, fits = [], []
    for o2 in (0.0, 0.08, 0.16, 0.21, 0.32, 0.42, 0.55, 0.75, 1.0):
        for he in (0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0):
            if o2 + he > 1.0 + 1e-9:
                continue
            rest = 1.0 - o2 - he
            x = np.maximum([rest * N2_OF_REST, o2, rest * AR_OF_REST, he], 1e-9)
            mixture.set_mole_fractions(list(x / x.sum()))
            rows.append(_powers(o2, he))
            fits.append(_fit(mixture).ravel())
    solved, *_ = np.linalg.lstsq(np.array(rows), np.array(fits), rcond=None)
    pure = []
    for name in ("Air", "Argon"):
        state = cp.AbstractState("HEOS", name)
        state.specify_phase(cp.iphase_gas)
        pure.append(_fit(state).ravel())
    return np.ascontiguousarray(np.vstack([solved, *pure]))


@njit(cache=True)
def coefficients(table, o2, he, argon, out):
    """Write the coefficients of one mix into out (192,); returns its ideal heat capacity, J/(mol K)."""
    if argon:
        out[:] = table[N_POWERS + 1]
        return CV_AR
    if abs(o2 - AIR_O2) < 4e-4 and he < 2e-4:
        out[:] = table[N_POWERS]
    else:
        out[:] = 0.0
        k = 0
        left = 1.0
        for i in range(DEGREE + 1):
            power = left
            for _ in range(DEGREE + 1 - i):
                if power != 0.0:
                    row = table[k]
                    for m in range(out.size):
                        out[m] += power * row[m]
                power *= he
                k += 1
            left *= o2
    return CV_O2 * o2 + CV_HE * he + (1.0 - o2 - he) * (CV_N2 * N2_OF_REST + CV_AR * AR_OF_REST)


@njit(cache=True)
def at_density(c, density, part):
    """Sum the series over density into part (2, temperature terms), for states of one density."""
    x = min(max(2.0 * density / DENSITY_MAX - 1.0, -1.0), 1.0)
    part[:] = 0.0
    before, now = 1.0, x
    for i in range(N_DENSITY):
        value = 1.0 if i == 0 else now
        at = i * N_TEMPERATURE
        for s in range(2):
            for j in range(N_TEMPERATURE):
                part[s, j] += value * c[at + j]
            at += N_DENSITY * N_TEMPERATURE
        if i > 0:
            before, now = now, 2.0 * x * now - before


@njit(cache=True)
def at_kelvin(part, cv0, density, kelvin):
    """(absolute pressure in bar, internal energy in J/mol counted from 288.15 K ideal) from what at_density left."""
    x = min(max(2.0 * (kelvin - T_LOW) / (T_HIGH - T_LOW) - 1.0, -1.0), 1.0)
    z, u = part[0, 0], part[1, 0]
    before, now = 1.0, x
    for j in range(1, N_TEMPERATURE):
        z += now * part[0, j]
        u += now * part[1, j]
        before, now = now, 2.0 * x * now - before
    return density * R * kelvin / 100.0 * (1.0 + z * density), cv0 * (kelvin - 288.15) + u * density


@njit(cache=True)
def density_at(c, bar_abs, kelvin, part):
    """mol/L of one state from absolute pressure (Newton steps with a secant slope)."""
    d = min(bar_abs * 100.0 / (R * kelvin), 13.0)
    for _ in range(12):
        at_density(c, d, part)
        p = at_kelvin(part, 0.0, d, kelvin)[0]
        at_density(c, d + 1e-3, part)
        slope = (at_kelvin(part, 0.0, d + 1e-3, kelvin)[0] - p) / 1e-3
        step = (bar_abs - p) / slope
        d = min(max(d + step, 1e-6), DENSITY_MAX)
        if abs(step) < 1e-12:
            break
    return d


@njit(cache=True)
def enthalpy_at(c, cv0, bar_abs, kelvin, part):
    """J/mol on the same zero as the internal energy (ideal u = 0 at 288.15 K)."""
    d = density_at(c, bar_abs, kelvin, part)
    at_density(c, d, part)
    p, u = at_kelvin(part, cv0, d, kelvin)
    return u + p * 100.0 / d


@njit(cache=True)
def _mixes(table, o2, he, argon, c, cv0):
    for k in range(o2.size):
        cv0[k] = coefficients(table, o2[k], he[k], argon[k], c[k])


@njit(cache=True)
def _states(c, cv0, which, density, kelvin, p, u):
    part = np.empty((2, N_TEMPERATURE))
    for k in range(which.size):
        at_density(c[which[k]], density[k], part)
        p[k], u[k] = at_kelvin(part, cv0[which[k]], density[k], kelvin[k])


@njit(cache=True)
def _densities(c, which, bar_abs, kelvin, out):
    part = np.empty((2, N_TEMPERATURE))
    for k in range(which.size):
        out[k] = density_at(c[which[k]], bar_abs[k], kelvin[k], part)


@njit(cache=True)
def _density(table, o2, he, bar_abs, kelvin):
    c, part = np.empty(table.shape[1]), np.empty((2, N_TEMPERATURE))
    coefficients(table, o2, he, False, c)
    return density_at(c, bar_abs, kelvin, part)


def density(o2, he, bar_abs, kelvin):
    """mol/L of one mix at one absolute pressure and temperature."""
    return _density(library(), o2, he, bar_abs, kelvin)


class Gas:
    """Gas of many vessels at once: fractions of oxygen and helium, and whether it is argon.

    Pressures (bar), temperatures (K) and densities (mol/L) are broadcast against the vessels.
    """

    def __init__(self, o2, he, argon=None):
        o2 = np.atleast_1d(np.asarray(o2, float))
        he = np.atleast_1d(np.asarray(he, float))
        argon = np.zeros(o2.shape, bool) if argon is None else np.atleast_1d(np.asarray(argon, bool))
        self.c, self.cv0 = np.empty((o2.size, 2 * N_DENSITY * N_TEMPERATURE)), np.empty(o2.size)
        _mixes(library(), o2, he, argon, self.c, self.cv0)

    def _spread(self, *values):
        spread = np.broadcast_arrays(np.arange(self.cv0.size), *(np.asarray(v, float) for v in values))
        return [np.array(x) for x in spread]

    def both(self, density, kelvin):
        """(absolute pressure in bar, internal energy in J/mol counted from 288.15 K ideal)."""
        which, density, kelvin = self._spread(density, kelvin)
        p, u = np.empty(which.size), np.empty(which.size)
        _states(self.c, self.cv0, which, density, kelvin, p, u)
        return p, u

    def pressure(self, density, kelvin):
        """Absolute pressure, bar, from mol/L and K."""
        return self.both(density, kelvin)[0]

    def density(self, bar_abs, kelvin):
        """mol/L from absolute pressure."""
        which, bar_abs, kelvin = self._spread(bar_abs, kelvin)
        out = np.empty(which.size)
        _densities(self.c, which, bar_abs, kelvin, out)
        return out

    def enthalpy(self, bar_abs, kelvin):
        """J/mol on the same zero as the internal energy."""
        d = self.density(bar_abs, kelvin)
        p, u = self.both(d, kelvin)
        return u + p * 100.0 / d


def settled(gas, density, celsius=15.0):
    """Gauge pressure in bar once the gas is at a temperature."""
    return gas.pressure(density, np.asarray(celsius, float) + 273.15) - ATM_BAR
