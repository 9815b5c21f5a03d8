"""Conversions at the edges: inside, everything is bar, °C or K, litres, metres and kilograms.

All take scalars, arrays or Series and give the like; NaN stays NaN.
"""

from typing import Any

from shared.gas.constants import ATM_BAR, BAR_PER_PSI, KG_PER_LB, LITRE_PER_CUFT, METRE_PER_FOOT, ZERO_C_K


def absolute(pressure_bar: Any) -> Any:
    """Absolute pressure of a gauge reading, bar; the gauge's reference is one standard atmosphere."""
    return pressure_bar + ATM_BAR


def gauge(pressure_bar_abs: Any) -> Any:
    """Gauge reading of an absolute pressure, bar."""
    return pressure_bar_abs - ATM_BAR


def kelvin(temperature_c: Any) -> Any:
    """Kelvin from °C."""
    return temperature_c + ZERO_C_K


def celsius(temperature_k: Any) -> Any:
    """°C from kelvin."""
    return temperature_k - ZERO_C_K


def bar_from_psi(pressure_psi: Any) -> Any:
    """Bar from pounds-force per square inch."""
    return pressure_psi * BAR_PER_PSI


def psi_from_bar(pressure_bar: Any) -> Any:
    """Pounds-force per square inch from bar."""
    return pressure_bar / BAR_PER_PSI


def l_from_cuft(volume_cuft: Any) -> Any:
    """Litres from cubic feet."""
    return volume_cuft * LITRE_PER_CUFT


def cuft_from_l(volume_l: Any) -> Any:
    """Cubic feet from litres."""
    return volume_l / LITRE_PER_CUFT


def c_from_f(temperature_f: Any) -> Any:
    """°C from °F."""
    return (temperature_f - 32.0) / 1.8


def f_from_c(temperature_c: Any) -> Any:
    """°F from °C."""
    return temperature_c * 1.8 + 32.0


def m_from_ft(length_ft: Any) -> Any:
    """Metres from feet."""
    return length_ft * METRE_PER_FOOT


def ft_from_m(length_m: Any) -> Any:
    """Feet from metres."""
    return length_m / METRE_PER_FOOT


def kg_from_lb(mass_lb: Any) -> Any:
    """Kilograms from pounds (avoirdupois)."""
    return mass_lb * KG_PER_LB


def lb_from_kg(mass_kg: Any) -> Any:
    """Pounds (avoirdupois) from kilograms."""
    return mass_kg / KG_PER_LB


def capacity_l_from_rating(rated_capacity_cuft: Any, rated_at_psi: Any) -> Any:
    """Water capacity, litres, of a cylinder sold by its free content at a pressure.

    The rating is taken as an ideal gas in the trade's way: content at one atmosphere, pressure gauge
    plus one atmosphere. An estimate: about 3 % apart from a real-gas rating (see the flag on such rows).
    """
    return l_from_cuft(rated_capacity_cuft) * ATM_BAR / absolute(bar_from_psi(rated_at_psi))


def rating_cuft_from_capacity(water_capacity_l: Any, rated_at_psi: Any) -> Any:
    """Free content, cubic feet, by which the trade would name a cylinder of this water capacity, litres.

    The inverse of `capacity_l_from_rating`, in the same trade's way (ideal gas): a name, not a content.
    """
    return cuft_from_l(water_capacity_l) * absolute(bar_from_psi(rated_at_psi)) / ATM_BAR
