"""Rows whose time or day was not written so, and was taken for something."""

from collections import Counter

from pipelines.intake.accept_samples import SAMPLES
from pipelines.readers.raw import RawTable
from schemas.codes import codes_that

#: said of a file with the count of its rows
TIMES_TAKEN = codes_that(lambda c: c.time_taken)


def times_taken(raw: RawTable) -> Counter[str]:
    """Rows by what was taken for a time or day that they do not hold as such."""
    if raw.source == SAMPLES or "value_flags" not in raw.rows:
        return Counter()
    return Counter(code for codes in raw.rows["value_flags"] for code in codes if code in TIMES_TAKEN)
