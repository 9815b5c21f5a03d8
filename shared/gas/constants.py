"""Constants of the physics, each with its source; nothing here is a setting."""

ATM_BAR = 1.01325
"""One standard atmosphere, bar, exact. Tank gauges read against it."""

GAS_CONSTANT_J_MOL_K = 8.314462618
"""Molar gas constant, J/(mol K): product of two exact constants of the SI of 2019."""

FREE_PRESSURE_BAR = 1.0
FREE_TEMPERATURE_K = 288.15
FREE_LITRE_MOL = FREE_PRESSURE_BAR * 100.0 / (GAS_CONSTANT_J_MOL_K * FREE_TEMPERATURE_K)
"""Amount in one free litre, mol: an ideal gas at 1 bar and 15 °C, so that nominal content is
capacity × gauge pressure. (ISO 13443 has 15 °C with 1.01325 bar.) 1 bar × 1 L = 100 J."""

ZERO_C_K = 273.15
REFERENCE_C = 15.0
"""Temperature of every column named `_15c`, °C."""

GRAVITY_M_S2 = 9.80665
"""Standard acceleration of free fall, m/s², exact."""

SALT_WATER_KG_M3 = 1025.0
FRESH_WATER_KG_M3 = 1000.0

NITROGEN_IN_BALANCE = 0.7812
ARGON_IN_BALANCE = 0.0093
"""Nitrogen and argon of dry air, molar, with 0.2095 oxygen; carbon dioxide is counted with nitrogen.
Textbook values from memory. What is neither oxygen, helium nor stated argon is split in this ratio."""

AIR_O2_PCT = 20.95

LEAST_BAR_ABS, MOST_BAR_ABS = 0.5, 500.0
LEAST_K, MOST_K = 230.0, 430.0
"""The gas engine's box. Beyond it there is an error, never an extrapolation."""

NORMAL_MOST_BAR_ABS = 350.0
"""GERG-2008's normal range ends here (Kunz and Wagner 2012, abstract); above is its extended range."""

NITROGEN_G_MOL = 28.0134
OXYGEN_G_MOL = 31.9988
ARGON_G_MOL = 39.948
HELIUM_G_MOL = 4.002602
"""Molar masses as GERG-2008 (ISO 20765-2) takes them, g/mol."""

BREATHABLE_LEAST_O2_PCT = 5.0
BREATHABLE_MOST_AR_PCT = 2.0
"""Outside these a gas is suit gas only, never counted as breathed."""

BAR_PER_PSI = 0.0689475729316836
"""6894.757 Pa, exact by the definitions of pound, inch and standard gravity."""

LITRE_PER_CUFT = 28.316846592
"""Exact: (30.48 cm)³."""

METRE_PER_FOOT = 0.3048
KG_PER_LB = 0.45359237
BAR_PER_METRE_EN13319 = 0.1
"""Depths calibrated so that 10 m is 1 bar (EN 13319; text not re-read)."""

STEEL_KG_M3 = 7850.0
ALUMINIUM_KG_M3 = 2700.0
STEEL_J_KG_K = 490.0
ALUMINIUM_J_KG_K = 896.0
"""Engineering values; for steel's heat capacity 470 to 490 is found."""

Z80 = 1.2815515655446004
"""Half width of an 80 % interval in standard deviations of a normal distribution; all intervals stated are such."""
