"""What a station may decide for itself, each setting declared once with its default and its meaning.

`station.toml` is written from these declarations and read back into them, so a setting that is not
here does not exist. The builders get a `Policy` and nothing else of the settings.
"""

from dataclasses import dataclass, field, fields
from typing import Any

from shared.air.purity import purity_rules


def setting(
    default: Any, says: str, *, choices: tuple[str, ...] = (), low: float | None = None, high: float | None = None
):
    """A dataclass field that also carries its sentence, its bounds and its choices."""
    return field(default=default, metadata={"says": says, "choices": choices, "low": low, "high": high})


@dataclass(frozen=True)
class Filling:
    """Fills, mixes and hand-over."""

    short_bar: float = setting(
        10.0, "A fill that settles more than this below its target is short, bar.", low=0, high=100
    )
    least_arrival_bar: float = setting(2.0, "Below this start pressure a cylinder arrived empty, bar.", low=0, high=50)
    settle_hours: float = setting(
        4.0, "From then on the gas is taken to be at the surroundings' temperature, hours.", low=0.1, high=48
    )
    settle_minutes_in_water: float = setting(20.0, "The same under water, minutes.", low=1, high=240)
    check_gauge_limit_bar: float = setting(
        0.5, "Limit of error of the check gauge for settled readings, bar.", low=0, high=20
    )
    mix_tolerance_pct: float = setting(
        1.0, "Largest difference of analysis and target, percentage points (common practice).", low=0.1, high=10
    )
    oxygen_limit_pct: float | None = setting(
        None, "Oxygen service above this share of oxygen, per cent; empty: the rule set's.", low=20, high=100
    )
    oxygen_clean_months: int = setting(12, "A clean state lasts this long, months (common practice).", low=1, high=120)
    ppo2_bar: float = setting(
        1.4, "Greatest partial pressure of oxygen for the maximum operating depth, bar.", low=0.5, high=1.6
    )
    ppo2_deco_bar: float = setting(1.6, "The same for decompression only, bar.", low=0.5, high=1.6)
    ppo2_least_bar: float = setting(
        0.18, "Least partial pressure of oxygen for the minimum depth, bar.", low=0.1, high=0.3
    )
    hot_limit: str = setting(
        "permitted",
        "`permitted`: advice never above the permitted pressure. `rule_set`: hot overshoot within the rule "
        "set's limits; only where the local code, cylinders, valves and relief allow it; needs relief_bar.",
        choices=("permitted", "rule_set"),
    )
    relief_bar: float | None = setting(
        None, "Setting of the station's relief valve, bar; needed for hot_limit = rule_set.", low=50, high=500
    )
    overshoot_least_settled_fills: int = setting(
        50, "No overshoot before so many settled fills are known.", low=0, high=100000
    )
    in_water_days: int = setting(
        14, "Water temperature of the day: the median of dives of so many last days.", low=1, high=60
    )


@dataclass(frozen=True)
class Fleet:
    """Inspection and leaks."""

    due_soon_days: int = setting(60, "An inspection due within so many days is due soon.", low=0, high=400)
    leak_flag_bar_per_day: float = setting(
        0.5, "A pooled leak rate above this may be flagged, bar per day.", low=0.05, high=20
    )
    leak_probability: float = setting(0.995, "Asked probability that the rate is above zero.", low=0.5, high=0.99999)
    leak_least_hours: float = setting(12.0, "Shorter intervals say nothing of a leak, hours.", low=1, high=240)
    unexplained_use_bar: float = setting(
        30.0, "A larger fall between readings is unexplained use, not a leak, bar.", low=5, high=200
    )


@dataclass(frozen=True)
class Dives:
    """How dive records are read."""

    depth_calibration: str = setting(
        "water",
        "`water`: depths are metres of the dive's water; `en13319`: 10 m is 1 bar.",
        choices=("water", "en13319"),
    )
    uddf_pressure: str = setting(
        "gauge", "Tank pressures in UDDF files are `gauge` or `absolute`.", choices=("gauge", "absolute")
    )
    surface_tail_min: float = setting(
        3.0, "A longer stay at the surface at the end of a record is cut, minutes.", low=0.5, high=60
    )
    fill_link_days: int = setting(
        60, "A dive is joined to the unit's last fill of at most so many days before.", low=1, high=400
    )


@dataclass(frozen=True)
class Reserve:
    """Gas needed to bring a team to the surface. A yardstick for past dives, not a gas plan."""

    team_size: int = setting(2, "Divers who would breathe from one supply.", low=1, high=6)
    stressed_rmv_l_min: float = setting(
        30.0, "Rate of a stressed diver, litres a minute at ambient pressure.", low=5, high=120
    )
    stressed_rate: str = setting(
        "fixed",
        "`fixed`: stressed_rmv_l_min for all; `own`: for the member max(stressed_rmv_l_min, 1.5 × the planning "
        "rate before that dive).",
        choices=("fixed", "own"),
    )
    minutes_before_ascent: float = setting(1.0, "Minutes at depth before the ascent begins.", low=0, high=10)
    ascent_m_min: float = setting(9.0, "Ascent, metres a minute.", low=1, high=30)
    stop_depth_m: float = setting(5.0, "Depth of the stop, metres.", low=1, high=10)
    stop_min: float = setting(3.0, "Minutes at the stop.", low=0, high=30)
    stop_below_m: float = setting(10.0, "The stop counts when deeper than this at that moment, metres.", low=0, high=60)
    unusable_bar: float = setting(10.0, "Gauge pressure below which gas is taken as unusable, bar.", low=0, high=50)
    surfacing_min_bar: float = setting(50.0, "Least pressure at the surface (common practice), bar.", low=0, high=200)
    thirds: bool = setting(False, "Judge overhead dives against the rule of thirds as well.")
    watch_dives: int = setting(
        30, "The next dive is drawn from the last dives; one with so many newer ones weighs half.", low=5, high=200
    )
    watch_days: int = setting(365, "Older dives are not drawn from, days.", low=30, high=2000)
    thin_chance: float = setting(0.20, "From this chance of a dive below policy a reserve runs thin.", low=0, high=1)
    watch_chance: float = setting(0.05, "From this chance it is to be watched.", low=0, high=1)


@dataclass(frozen=True)
class Air:
    """Purity tests and the compressor."""

    purity_standard: str = setting(
        "",
        f"Limits of air purity: {', '.join(purity_rules().standards)}; empty: the rule set's.",
        choices=("", *purity_rules().standards),
    )
    test_interval_days: int | None = setting(None, "Days between purity tests; empty: the rule set's.", low=7, high=800)
    co_limit_ppm: float | None = setting(
        None, "Limit for carbon monoxide, ppm; empty: that of the purity limits.", low=0, high=100
    )


@dataclass(frozen=True)
class Policy:
    """All settings a builder may need."""

    rule_set: str = "uk"
    time_zone: str = "Europe/London"
    filling: Filling = field(default_factory=Filling)
    fleet: Fleet = field(default_factory=Fleet)
    dives: Dives = field(default_factory=Dives)
    reserve: Reserve = field(default_factory=Reserve)
    air: Air = field(default_factory=Air)


#: the dataclass of each section
SECTIONS: dict[str, Any] = {
    f.name: f.default_factory for f in fields(Policy) if f.name not in ("rule_set", "time_zone")
}
