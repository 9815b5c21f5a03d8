"""Numbers that can be read and yet may mean another: they are asked about, never taken for what they look like."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.readers.tables.mapping import Mapping, known_conversion
from schemas.fields import Field
from schemas.sources import SOURCES
from shared.gas.mixing import AIR_ARGON_PCT, share_for_per_cent

Asked = dict[int, tuple[str, dict]]

PART_OF_MIX = "molar %"
#: units so small that nobody reads a gauge to a thousandth of them
_SMALL_UNITS = ("psi", "kPa", "Pa", "mbar", "hPa")
_BEFORE_THREE_DIGITS = r"^[+-]?[1-9]\d{{0,2}}{mark}\d{{3}}$"


def asked_about(column: pa.Array, values: np.ndarray, name: str, mapping: Mapping) -> Asked:
    """Rows whose number is not certain, with the rule and its words.

    Parameters
    ----------
    column : Array
        Texts as written.
    values : ndarray
        As they were read, in the unit of the file; NaN where empty or refused.
    name : str
        Contract column; what is none (the day number of a date) is certain.
    """
    field = SOURCES[mapping.source].fields.get(name)
    if field is None:
        return {}
    unit = mapping.units.get(name, "")
    return _thousands(column, values, field, mapping, unit) | _shares(values, field, unit)


def _shares(values: np.ndarray, field: Field, unit: str) -> Asked:
    """A part of a mix under one per cent: most likely a share of one.

    Where a column holds shares, a whole one in it is all of the gas and not one per cent.
    """
    if field.unit != PART_OF_MIX or unit not in ("", "%"):
        return {}
    share = np.asarray(share_for_per_cent(values))
    if field.name.endswith("ar_pct"):  # air's own argon is a figure that some write down
        share &= ~((values >= AIR_ARGON_PCT[0]) & (values <= AIR_ARGON_PCT[1]))
    if not share.any():
        return {}
    share |= values == 1.0
    return {int(i): ("share_not_per_cent", {"meant": f"{100 * values[i]:g}"}) for i in np.flatnonzero(share)}


def _thousands(column: pa.Array, values: np.ndarray, field: Field, mapping: Mapping, unit: str) -> Asked:
    """A mark before three digits that may part thousands: `3,365` psi is 232 bar or next to nothing.

    Asked where thousands would be as possible. Where the whole column writes such decimals (one of them that
    cannot be thousands), or the mapping says which mark parts thousands, a decimal comma is what it says it is;
    but nobody reads a gauge to a thousandth of a psi.
    """
    small = unit in _SMALL_UNITS
    if not small and (mapping.decimal != "," or mapping.thousands):
        return {}
    mark = "," if mapping.decimal == "," else r"\."
    alike = _mask(pc.match_substring_regex(column, _BEFORE_THREE_DIGITS.format(mark=mark)))
    if small:  # a spreadsheet's own number shows no trailing zeros and comes in as many digits as it has
        thousandths = values * 1000.0
        odd = np.abs(thousandths - np.round(thousandths)) < 1e-9
        odd &= np.abs(thousandths / 10.0 - np.round(thousandths / 10.0)) > 1e-9
        alike |= odd & (np.abs(values) >= 1.0) & (np.abs(values) < 1000.0)
    elif _mask(pc.match_substring(column, ","))[~alike].any():
        return {}
    convert = known_conversion(field.name, unit)[1] if unit else float
    found: Asked = {}
    for i in np.flatnonzero(alike & np.isfinite(values)):
        thousands = float(convert(1000.0 * values[i]))
        if (field.low is None or thousands >= field.low) and (field.high is None or thousands <= field.high):
            words = {
                "thousands": f"{1000 * values[i]:.0f}",
                "decimal": f"{values[i]:.3f}".replace(".", mapping.decimal),
            }
            found[int(i)] = ("thousands_or_decimal", words)
    return found


def _mask(found: pa.Array) -> np.ndarray:
    return pc.fill_null(found, False).to_numpy(zero_copy_only=False).astype(bool)
