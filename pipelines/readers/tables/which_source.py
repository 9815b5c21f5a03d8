"""What a log of somebody's own holds, where its name does not say: by its headers and values, in doubt asked."""

from collections.abc import Sequence
from typing import NamedTuple

from pipelines.readers.tables.placed_headers import likeness, place
from schemas.sources import SOURCES

#: by how much of its headers and of what a source needs: under this it is none of them; so near two read alike
_LEAST, _ALIKE = 0.45, 0.12
#: of the two, how much its headers count against what the source needs
_OF_HEADERS = 0.6
#: sources that nobody keeps as a log
_NOT_LOGS = ("withdrawals", "set_members", "links")


class Fit(NamedTuple):
    """How well a file reads as one source, 0 to 1, and by which of its headers."""

    source: str
    score: float
    headers: tuple[str, ...]


def fits(headers: Sequence[str], values: Sequence[Sequence[str]]) -> list[Fit]:
    """Every source with how well a file reads as it, the best first."""
    found = [_fit(headers, values, source) for source in SOURCES if source not in _NOT_LOGS]
    return sorted(found, key=lambda fit: -fit.score)


def likely(headers: Sequence[str], values: Sequence[Sequence[str]]) -> list[Fit]:
    """One source where it is clear, several where the file reads as any of them, none where it reads as no source."""
    listed = fits(headers, values)
    if listed[0].score < _LEAST:
        return []
    return [fit for fit in listed if fit.score > listed[0].score - _ALIKE]


def _fit(headers: Sequence[str], values: Sequence[Sequence[str]], source: str) -> Fit:
    placed = place(headers, values, source)
    # what is placed by its values alone says less than a word
    sure = {
        column: 0.5 if column in placed.by_value else max(likeness(headers[n], column) for n in places)
        for column, places in placed.columns.items()
    }
    named = [n for n, header in enumerate(headers) if header.strip()]
    required = SOURCES[source].required
    of_headers = sum(sure.values()) / max(len(named), 1)
    of_required = sum(column in placed.columns for column in required) / len(required)
    shown = tuple(headers[places[0]] for column, places in placed.columns.items() if column not in placed.by_value)
    return Fit(source, _OF_HEADERS * min(of_headers, 1.0) + (1.0 - _OF_HEADERS) * of_required, shown)
