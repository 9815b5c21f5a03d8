"""Gas of the invented station: CoolProp's equations, fitted once for fast stepping.

This is a second, separate account of the gas, so that a mistake in the project's own engine is not
repeated in the data that is meant to try it. Air follows CoolProp's `Air` (Lemmon et al. 2000, J. Phys.
Chem. Ref. Data 29(3)); every other mix CoolProp's Helmholtz mixture model of N2, O2, Ar, He.

(Z - 1)/density and (residual internal energy)/density are smooth, so each is written as Chebyshev
polynomials in density and temperature whose coefficients are a polynomial in the oxygen and helium
fractions. Argon as suit gas has coefficients of its own.
"""

from functools import lru_cache

import numpy as np

R = 8.314462618
ATM_BAR = 1.01325
FREE_MOL = 1e5 * 1e-3 / (R * 288.15)  # moles in one free litre: 1 bar, 15 °C, ideal
DENSITY_MAX = 15.5  # mol/L
T_LOW, T_HIGH = 215.0, 445.0  # K
N_DENSITY, N_TEMPERATURE, DEGREE = 12, 8, 4
AIR_O2 = 0.2095

# heat capacities of the ideal gas at constant volume near 300 K, J/(mol K), from the same library
CV = {"n2": 20.81, "o2": 21.08, "ar": 12.472, "he": 12.472}


def _powers(o2, he):
    """All products o2^i he^j up to the degree, last axis."""
    o2, he = np.asarray(o2, float), np.asarray(he, float)
    return np.stack([o2**i * he**j for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)], axis=-1)


def _nodes(count):
    return np.cos(np.pi * (np.arange(count) + 0.5) / count)


def _basis(x, count):
    x = np.minimum(np.maximum(x, -1.0), 1.0)
    if np.size(x) < 120:  # fewer calls beat fewer operations
        return np.cos(np.arange(count) * np.arccos(x)[..., None])
    out = np.empty((count, *np.shape(x)))
    out[0], out[1] = 1.0, x
    twice = 2 * x
    for k in range(2, count):
        np.multiply(twice, out[k - 1], out=out[k])
        out[k] -= out[k - 2]
    return np.moveaxis(out, 0, -1)


def _fit(state):
    """Chebyshev coefficients of (Z-1)/density and u_residual/density, shape (2, density, temperature)."""
    import CoolProp.CoolProp as cp

    xd, xt = _nodes(N_DENSITY), _nodes(N_TEMPERATURE)
    density = (xd + 1) / 2 * DENSITY_MAX
    kelvin = T_LOW + (xt + 1) / 2 * (T_HIGH - T_LOW)
    values = np.empty((2, N_DENSITY, N_TEMPERATURE))
    for i, d in enumerate(density):
        for j, t in enumerate(kelvin):
            state.update(cp.DmolarT_INPUTS, d * 1000.0, t)
            values[0, i, j] = (state.p() / (d * 1000.0 * R * t) - 1) / d
            values[1, i, j] = R * t * state.tau() * state.dalphar_dTau() / d
    to_d = np.linalg.inv(_basis(xd, N_DENSITY))
    to_t = np.linalg.inv(_basis(xt, N_TEMPERATURE))
    return np.einsum("ai,kij,bj->kab", to_d, values, to_t)


@lru_cache(maxsize=1)
def _library():
    """(coefficients of the mixtures by power of composition, of air, of argon)."""
    import CoolProp.CoolProp as cp

    mixture = cp.AbstractState("HEOS", "Nitrogen&Oxygen&Argon&Helium")
    mixture.specify_phase(cp.iphase_gas)
    rows, fits = [], []
    for o2 in (0.0, 0.08, 0.16, 0.21, 0.32, 0.42, 0.55, 0.75, 1.0):
        for he in (0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0):
            if o2 + he > 1.0 + 1e-9:
                continue
            rest = 1.0 - o2 - he
            x = np.maximum([rest * 0.7812 / 0.7905, o2, rest * 0.0093 / 0.7905, he], 1e-9)
            mixture.set_mole_fractions(list(x / x.sum()))
            rows.append(_powers(o2, he))
            fits.append(_fit(mixture))
    fits = np.array(fits)
    solved, *_ = np.linalg.lstsq(np.array(rows), fits.reshape(len(fits), -1), rcond=None)

    def single(name):
        state = cp.AbstractState("HEOS", name)
        state.specify_phase(cp.iphase_gas)
        return _fit(state)

    return solved, single("Air"), single("Argon")


class Gas:
    """Gas of many vessels at once: fractions of oxygen and helium, and whether it is argon."""

    def __init__(self, o2, he, argon=None):
        self.o2 = np.array(o2, float)
        self.he = np.array(he, float)
        self.argon = np.zeros(self.o2.shape, bool) if argon is None else np.array(argon, bool)
        self._coefficients()

    def mixed(self, rows, o2, he):
        """New fractions in some of the vessels."""
        self.o2, self.he = o2, he
        part = Gas(o2[rows], he[rows], self.argon[rows])
        self.c[rows], self.cv0[rows] = part.c, part.cv0

    def _coefficients(self):
        mixtures, air, argon = _library()
        shape = (2, N_DENSITY, N_TEMPERATURE)
        self.c = (_powers(self.o2, self.he) @ mixtures).reshape((*self.o2.shape, *shape))
        self.c[(np.abs(self.o2 - AIR_O2) < 4e-4) & (self.he < 2e-4)] = air
        self.c[self.argon] = argon
        n2ar = 1 - self.o2 - self.he
        self.cv0 = CV["o2"] * self.o2 + CV["he"] * self.he + n2ar * (CV["n2"] * 0.7812 + CV["ar"] * 0.0093) / 0.7905
        self.cv0 = np.where(self.argon, CV["ar"], self.cv0)

    def _series(self, density, kelvin):
        bd = _basis(2 * np.asarray(density) / DENSITY_MAX - 1, N_DENSITY)
        bt = _basis(2 * (np.asarray(kelvin) - T_LOW) / (T_HIGH - T_LOW) - 1, N_TEMPERATURE)
        return ((self.c @ bt[..., None, :, None])[..., 0] * bd[..., None, :]).sum(-1)

    def pressure(self, density, kelvin):
        """Absolute pressure, bar, from mol/L and K."""
        return density * R * kelvin / 100.0 * (1 + self._series(density, kelvin)[..., 0] * density)

    def both(self, density, kelvin):
        """(absolute pressure in bar, internal energy in J/mol counted from 288.15 K ideal)."""
        s = self._series(density, kelvin)
        return (
            density * R * kelvin / 100.0 * (1 + s[..., 0] * density),
            self.cv0 * (kelvin - 288.15) + s[..., 1] * density,
        )

    def heat_capacity(self, density, kelvin):
        """Molar heat capacity at constant volume, J/(mol K)."""
        return self.both(density, kelvin + 0.5)[1] - self.both(density, kelvin - 0.5)[1]

    def density(self, bar_abs, kelvin):
        """mol/L from absolute pressure (Newton steps with a secant slope)."""
        bar_abs, kelvin = np.asarray(bar_abs, float), np.asarray(kelvin, float)
        d = np.minimum(bar_abs * 100.0 / (R * kelvin), 13.0)
        for _ in range(12):
            p = self.pressure(d, kelvin)
            slope = (self.pressure(d + 1e-3, kelvin) - p) / 1e-3
            d = np.clip(d + (bar_abs - p) / slope, 1e-6, DENSITY_MAX)
        return d

    def enthalpy(self, bar_abs, kelvin):
        """J/mol on the same zero as the internal energy (ideal u = 0 at 288.15 K)."""
        d = self.density(bar_abs, kelvin)
        p, u = self.both(d, kelvin)
        return u + p * 100.0 / d

    def take(self, rows):
        """The same for some of the vessels."""
        other = object.__new__(Gas)
        for name in ("o2", "he", "argon", "c", "cv0"):
            setattr(other, name, getattr(self, name)[rows])
        return other


def settled(gas, density, celsius=15.0):
    """Gauge pressure in bar once the gas is at a temperature."""
    return gas.pressure(density, np.asarray(celsius, float) + 273.15) - ATM_BAR
