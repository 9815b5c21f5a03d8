"""Reading units: what people read is converted and named here, and here alone.

What is stored, computed, exported and written into addresses stays metric. A page, a report or a mail is made under
`reading(units)`; every figure with a unit that `schemas.words` writes is then that of the reader. Figures are rounded
to what the metric one carries, after NIST SP 811 (2008) B.7: a pressure to the whole psi.

Free gas keeps its conditions, 1 bar and 15 °C: only the unit of volume changes.
"""

import math
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from numbers import Real
from string import Formatter
from typing import Any

from shared.gas import units

METRIC, US = "metric", "us"
CHOICES: dict[str, str] = {METRIC: "bar, L, m, °C, kg", US: "psi, cu ft, ft, °F, lb"}
"""What a station or a viewer may choose, with the units that it means."""

_chosen: ContextVar[str] = ContextVar("reading_units", default=METRIC)
#: lets a figure that lies on a whole one keep it through a conversion there and back
_HAIR = 1e-6


@dataclass(frozen=True)
class Shown:
    """How a figure of one metric unit is read: the reader's unit, and the way there and back.

    Attributes
    ----------
    unit, long : str
        As it stands behind a figure, and as an axis says it.
    of, back : callable
        Metric → shown, and what was typed → metric; scalars or arrays.
    more : int
        Digits behind the point beyond those of the metric figure; never fewer than none.
    header : str
        As the header of an input file ends; empty where it is the contract's own.
    """

    unit: str
    of: Callable[[Any], Any]
    back: Callable[[Any], Any]
    more: int = 0
    long: str = ""
    header: str = ""

    def digits(self, metric: int) -> int:
        """Digits behind the point of a figure that has so many in metric units."""
        return max(0, metric + self.more)

    def hover(self, metric: int, axis: str = "y", sign: str = "") -> str:
        """A figure of a chart, with its unit, as Plotly writes it."""
        return f"%{{{axis}:{sign}.{self.digits(metric)}f}} {self.unit}"

    def down(self, value: float) -> float:
        """The shown figure, metric in, rounded down to a whole one."""
        return float(math.floor(float(self.of(value)) + _HAIR))

    def up(self, value: float) -> float:
        """The shown figure, metric in, rounded up to a whole one."""
        return float(math.ceil(float(self.of(value)) - _HAIR))


def _same(value: Any) -> Any:
    return value


def _degrees(kelvin: Any) -> Any:
    return kelvin * 1.8


def _of_degrees(fahrenheit: Any) -> Any:
    return fahrenheit / 1.8


_PSI = (units.psi_from_bar, units.bar_from_psi, -1)
_US: dict[str, Shown] = {
    "bar": Shown("psi", *_PSI, header="psi"),
    "bar/min": Shown("psi/min", *_PSI),
    "bar/day": Shown("psi/day", *_PSI),
    "L": Shown("cu ft", units.cuft_from_l, units.l_from_cuft, 1),
    "L/min": Shown("cu ft/min", units.cuft_from_l, units.l_from_cuft, 1, header="cuft/min"),
    "m": Shown("ft", units.ft_from_m, units.m_from_ft, -1, header="ft"),
    "m/min": Shown("ft/min", units.ft_from_m, units.m_from_ft, -1),
    "°C": Shown("°F", units.f_from_c, units.c_from_f, header="F"),
    "K": Shown("°F", _degrees, _of_degrees),
    "kg": Shown("lb", units.lb_from_kg, units.kg_from_lb, header="lb"),
}
_LONG = {"L": "litres", "L/min": "litres a minute"}


@contextmanager
def reading(chosen: str) -> Iterator[None]:
    """What is made inside reads in these units.

    Raises
    ------
    ValueError
        They are none of CHOICES.
    """
    before = current()
    use(chosen)
    try:
        yield
    finally:
        _chosen.set(before)


def use(chosen: str) -> None:
    """From here on, what this thread makes reads in these units.

    Raises
    ------
    ValueError
        They are none of CHOICES.
    """
    if chosen not in CHOICES:
        raise ValueError(f"reading units {chosen!r}: none of {', '.join(CHOICES)}")
    _chosen.set(chosen)


def current() -> str:
    """The units that are read now, one of CHOICES."""
    return _chosen.get()


def shown(unit: str) -> Shown:
    """How a figure of a metric unit is read now; a unit that all readers share stays as it is."""
    if current() == US and unit in _US:
        return _US[unit]
    return Shown(unit, _same, _same, long=_LONG.get(unit, ""))


def long(unit: str) -> str:
    """The name of a unit on an axis: 'litres', 'cu ft'."""
    how = shown(unit)
    return how.long or how.unit


def label(said: str) -> str:
    """The label of a field or a heading whose last word is a unit: 'Stopped at, bar' → 'Stopped at, psi'."""
    what, comma, unit = said.rpartition(", ")
    return f"{what}{comma}{shown(unit).unit}" if comma else text(said)


# --- columns ----------------------------------------------------------------------------------
#: what a column's name ends in, longest first → its unit
_ENDINGS = {
    "bar_per_day": "bar/day",
    "bar_min": "bar/min",
    "bar_15c": "bar",
    "bar_ref": "bar",
    "l_min": "L/min",
    "bar": "bar",
    "kg": "kg",
    "c": "°C",
    "k": "K",
    "m": "m",
    "l": "L",
}
#: volumes that hold water, not free gas: cubic feet of gas would be misread there
_WATER = frozenset({"water_capacity_l", "pumped_volume_l", "bank_capacity_l", "capacity_l"})


def unit_of(column: str) -> str:
    """The metric unit that a column's name ends in, or the empty text; capacities in litres have none to convert."""
    if column in _WATER:
        return ""
    return next((unit for ending, unit in _ENDINGS.items() if column.endswith("_" + ending) or column == ending), "")


def header_of(column: str, chosen: str) -> str:
    """What a file's header is called where its figures are written in these units: `stop_pressure_psi`."""
    written = _US[unit].header if chosen == US and (unit := unit_of(column)) in _US else ""
    if not written:
        return column
    ending = next(e for e in _ENDINGS if column.endswith("_" + e) or column == e)
    return f"{column.removesuffix(ending)}{written}"


def typed(column: str, value: float, chosen: str) -> float:
    """A typed figure in the column's own unit."""
    unit = unit_of(column)
    return float(_US[unit].back(value)) if chosen == US and unit in _US and _US[unit].header else value


# --- texts of our own -------------------------------------------------------------------------
_FIGURE = re.compile(r"(?<![\w.])([-\u2212]?\d[\d\u202f,]*(?:\.\d+)?)([ \u00a0])(bar|°C|m/min|m|kg|L/min|L)\b(?!²|³)")
#: what makes a difference of temperatures, not a temperature
_BEFORE_DIFFERENCE = re.compile(r"(give or take|by|within) $")
_AFTER_DIFFERENCE = re.compile(r"^ (colder|warmer|more|less)\b")


def text(said: str) -> str:
    """A text of our own with its figures as they are read now: 'less at 15 °C' → 'less at 59 °F'."""
    if current() == METRIC:
        return said

    def swapped(found: re.Match[str]) -> str:
        figure, blank, unit = found.groups()
        if unit == "°C" and (
            _BEFORE_DIFFERENCE.search(said[: found.start()]) or _AFTER_DIFFERENCE.search(said[found.end() :])
        ):
            unit = "K"
        how = shown(unit)
        plain = figure.replace("\u202f", "").replace(",", "").replace("\u2212", "-")
        digits = how.digits(len(plain.partition(".")[2]))
        return f"{grouped(float(how.of(float(plain))), digits)}{blank}{how.unit}"

    return _FIGURE.sub(swapped, said)


def figure(value: Any, unit: str) -> str:
    """A figure of a setting with its unit, in the digits it was set in: '9 m/min', '30 ft/min'."""
    how = shown(unit)
    metric = f"{float(value):g}"
    if how.unit == unit:
        return f"{metric} {unit}"
    return f"{grouped(float(how.of(float(value))), how.digits(len(metric.partition('.')[2])))} {how.unit}"


def grouped(value: float, digits: int) -> str:
    """A figure with a thin blank between thousands."""
    return f"{value:,.{digits}f}".replace(",", "\u202f")


def filled(says: str, row: Mapping[str, Any]) -> str:
    """A sentence whose figures come from a row, as they are read now: '{stop_pressure_bar:.4g} bar'.

    A unit that follows a figure is the reader's; so are figures of the sentence's own.
    """
    if current() == METRIC:
        return says.format_map(row)
    made: list[str] = []
    unit = ""
    for literal, name, form, conversion in Formatter().parse(says):
        if unit in _US:
            bare = unit.partition("/")[0]
            literal = re.sub(rf"^([ \u00a0]){re.escape(bare)}(?!\w)", rf"\g<1>{_US[bare].unit}", literal)
        made.append(text(literal))
        unit = ""
        if name is None:
            continue
        unit, value = unit_of(name), row[name]
        if unit not in _US or not isinstance(value, Real):
            made.append(f"{{0{'!' + conversion if conversion else ''}:{form}}}".format(value))
            continue
        how = _US[unit]
        metric = int(found.group(1)) if (found := re.fullmatch(r"\.(\d+)f", form or "")) else 0
        made.append(grouped(float(how.of(float(value))), how.digits(metric)))
    return "".join(made)
