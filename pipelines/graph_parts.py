"""Parts of tables, and what each was computed from: a part whose fingerprint stands already is taken over."""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from pipelines.publish import Publisher
from pipelines.settings import Station
from pipelines.store import Warehouse
from schemas.policy import Policy

Progress = Callable[[str, int, int], None]
#: of an input row, what decides whether it has changed
TOLD = ["row_hash", "assumed", "value_flags"]


@dataclass
class Build:
    """One build: inputs, where results go, and what was computed anew."""

    station: Station
    warehouse: Warehouse
    publisher: Publisher
    today: pd.Timestamp
    settings: str
    progress: Progress
    inputs: dict[str, pd.DataFrame] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    recomputed: dict[str, int] = field(default_factory=dict)

    @property
    def policy(self) -> Policy:
        return self.station.policy

    def fingerprint(self, *told: Any, dated: bool = False) -> str:
        """A hash of the settings, of these inputs, and of today where it matters."""
        text = "\n".join([self.settings, *(str(t) for t in told), str(self.today) if dated else ""])
        return hashlib.sha256(text.encode()).hexdigest()[:24]

    def of(self, *sources: str) -> str:
        """What a table made from all rows of these sources depends on."""
        return ",".join(self.hashes[s] for s in sources)

    def group(
        self,
        tables: Iterable[str],
        part: str,
        fingerprint: str,
        make: Callable[[], dict[str, pd.DataFrame]],
        what: str,
        need: bool = True,
    ) -> dict[str, pd.DataFrame]:
        """Tables of one part that come from one computation: taken over if nothing changed, else made.

        With `need` the frames are given back as they read from the snapshot, so that later steps see the
        same whether a part is new or old.
        """
        tables = tuple(tables)
        publisher = self.publisher
        if all(publisher.unchanged(t, part, fingerprint) for t in tables):
            for t in tables:
                publisher.link(t, part)
        else:
            made = make()
            for t in tables:
                publisher.write(t, part, made[t], fingerprint)
            if what:
                self.recomputed[what] = self.recomputed.get(what, 0) + 1
        return {t: publisher.read(t, part) for t in tables} if need else {}
