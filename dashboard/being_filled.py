"""Units that somebody is filling just now, for the board and for a second phone; kept while the pages are served.

Nothing is recorded: what counts is the stop, which is logged like any other. It lets go by itself after `STAYS`.
"""

import threading
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

#: no fill takes longer
STAYS = pd.Timedelta(hours=3)

_lock = threading.Lock()
_begun: dict[Path, dict[str, "Begun"]] = {}


@dataclass(frozen=True)
class Begun:
    """A fill that has begun: what was read then, bar, and by whom it was said."""

    unit_id: str
    at: pd.Timestamp
    start_bar: float | None = None
    by: str = ""


def begin(published: Path, begun: Begun) -> None:
    """This unit is being filled from now on."""
    with _lock:
        _begun.setdefault(published.resolve(), {})[begun.unit_id] = begun


def end(published: Path, unit_id: str) -> None:
    """Its stop has been logged, or it is not being filled."""
    with _lock:
        _begun.get(published.resolve(), {}).pop(unit_id, None)


def now(published: Path, moment: pd.Timestamp) -> list[Begun]:
    """What is being filled, the longest first."""
    with _lock:
        found = list(_begun.get(published.resolve(), {}).values())
    return sorted((one for one in found if moment - one.at < STAYS), key=lambda one: one.at)
