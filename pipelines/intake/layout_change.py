"""A change of layout changes nothing that was accepted until somebody has seen the difference and said yes.

Until then a file, and newer contents of its place, go on being read by the layout they were accepted by. A layout
that cannot read a file, or matches it no more, never takes rows back.
"""

import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipelines.intake.accept import Acceptor
from pipelines.intake.accept_samples import SAMPLES
from pipelines.intake.file_layout import FileLayout, layout_from
from pipelines.intake.inbox import InboxFile
from pipelines.intake.pending import FORGOTTEN, PendingFiles, Reading
from pipelines.intake.read_file import read_file
from pipelines.readers.raw import clip
from pipelines.warehouse import problems
from pipelines.warehouse import rows as stored
from pipelines.warehouse.files import set_waiting_layout, waiting_layouts
from schemas.frames import conform
from schemas.privacy import PERSONAL_SOURCES, without_personal
from schemas.sources import SOURCES
from schemas.words import plural

RULES = WAITS, STANDS = "layout_waits", "layout_does_not_fit"
#: so many rows of a difference are shown
MOST_SHOWN = 3


@dataclass
class Difference:
    """What another layout would make of accepted rows, by source, and the first of them in words."""

    changed: dict[str, int] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)
    examples: list[str] = field(default_factory=list)
    #: the layout cannot read the file, for this reason
    refused: str = ""

    def __bool__(self) -> bool:
        return bool(self.changed or self.gone)

    @property
    def counts(self) -> str:
        """'14 known fills would change, 1 known fill would go'."""
        sentences = [f"{_counted(s, n)} would change" for s, n in self.changed.items()]
        return ", ".join([*sentences, *(f"{_counted(s, n)} would go" for s, n in self.gone.items())])


class LayoutChanges:
    """Compares what a file was accepted as with what the present layout makes of it."""

    def __init__(self, pending: PendingFiles, accept: Acceptor, now: pd.Timestamp):
        self.pending, self.accept, self.now = pending, accept, now
        self.station, self.warehouse = pending.station, pending.warehouse

    def settle(self, found: InboxFile) -> None:
        """Let a file keep the layout it was accepted by, where the present one would change that unseen.

        Sets the layout of `found`, and `waits_for` to the hash of the one that waits for a yes.
        """
        prior = self._accepted_before(found)
        old, new = layout_from(prior["layout"]) if prior else None, found.layout
        if prior is None or old is None or old.hash == new.hash:
            return
        if prior["outcome"] == FORGOTTEN:  # first as it was; what the present layout changes is seen next time
            found.use(old)
            return
        asked = self.pending.reading(found) or prior
        seen = asked["waits_for"] == new.hash and asked["file_sha256"] == found.sha256
        confirmed = self.pending.confirmed(asked, new)
        if seen and not confirmed:
            found.use(old, waits_for=new.hash)
            return
        change = self.difference(found, old, new)
        if not change or (confirmed and not change.refused):
            return
        found.use(old, waits_for=new.hash)
        self._note(found, new, change)

    def forget_settled(self) -> None:
        """Take away what is listed of layouts that were confirmed, taken back or changed again since."""
        rows = waiting_layouts(self.warehouse)
        waiting = {(f, _content(sha)) for f, sha, waits_for in rows if self.pending.layout(f).hash == waits_for}
        listed = [(n.file, n.value) for n in problems.listed(self.warehouse, RULES)]
        settled = [(f, sha) for f, sha, _ in rows if (f, _content(sha)) not in waiting]
        old = [entry for entry in listed if entry not in waiting]
        if not settled and not old:
            return
        with self.warehouse.transaction():
            for file, sha256 in settled:
                set_waiting_layout(self.warehouse, file, sha256, None)
            for file, value in old:
                problems.unlist(self.warehouse, file, RULES, value)

    def still_open(self) -> list[dict[str, str]]:
        """What waits for a yes, and what a changed layout cannot read: file, number of its content, rule, message."""
        self.forget_settled()
        return [
            {"file": n.file, "content": n.value or "", "rule": n.rule, "message": n.message}
            for n in problems.listed(self.warehouse, RULES)
        ]

    def difference(self, found: InboxFile, old: FileLayout, new: FileLayout) -> Difference:
        """What would change of rows that count now."""
        before, refused_before = self._rows(found, old)
        after, refused_after = self._rows(found, new)
        change = Difference(refused=refused_after)
        for source in before if not refused_before else [old.source or ""]:
            by_row = not refused_before  # else the old layout cannot read this content: its rows are those stored
            was = self._known(source, before[source]) if by_row else self._stored(source, found.file)
            becomes = after.get(source, was.iloc[:0])
            if source == SAMPLES:
                self._compare_samples(was, becomes, change)
            elif len(was):
                self._compare(source, was, becomes, by_row, change)
        return change

    # --- parts --------------------------------------------------------------------------------
    def _accepted_before(self, found: InboxFile) -> Reading | None:
        """The reading whose rows would be changed: of these bytes here, of this place, of these bytes elsewhere."""
        elsewhere = self.pending.readings(file=found.file, sha256=found.sha256, either=True)
        here = elsewhere.get(found.file, [])
        good = [r for r in here if r["rows_accepted"]]
        same = [r for r in good if r["file_sha256"] == found.sha256]
        moved = [r for place, past in elsewhere.items() if place != found.file for r in past if r["rows_accepted"]]
        if not same and found.prior and found.prior["outcome"] == FORGOTTEN:
            return found.prior if found.prior["file_sha256"] == found.sha256 else None
        return next(iter([*same, *reversed(good), *moved]), None)

    def _rows(self, found: InboxFile, layout: FileLayout) -> tuple[dict[str, pd.DataFrame], str]:
        """The rows that would be clean, by source; samples as a hash a dive. And why the file would be refused."""
        parts: dict[str, list[pd.DataFrame]] = {}
        path = self.station.archive / found.archived
        with tempfile.TemporaryDirectory(dir=self.station.lake, prefix=".reading-") as place:
            for raw in read_file(found.file, layout, path, self.station, self.warehouse, Path(place)):
                if raw.refused:
                    return {}, _discreet(raw.refused.message, layout.source or "")
                clean = self.accept.clean(raw).clean
                parts.setdefault(raw.source, []).append(_by_dive(clean) if raw.source == SAMPLES else clean)
        made = {source: pd.concat(p, ignore_index=True) for source, p in parts.items()}
        if SAMPLES in made:
            made[SAMPLES] = made[SAMPLES].groupby(["dive_id", "member_id"], dropna=False, as_index=False)["all"].sum()
        return made, ""

    def _known(self, source: str, rows: pd.DataFrame) -> pd.DataFrame:
        """Those of them whose key counts now, whichever file gave it."""
        key = ("dive_id", "member_id") if source == SAMPLES else SOURCES[source].key
        table = "dives" if source == SAMPLES else source
        return rows.iloc[stored.known_places(self.warehouse, table, rows[list(key)], member_may_lack=True)]

    def _stored(self, source: str, file: str) -> pd.DataFrame:
        if source not in SOURCES or source == SAMPLES:
            return pd.DataFrame()
        rows = stored.in_state(self.warehouse, source, "current", file)
        return conform(rows, SOURCES[source].fields.values(), keep=("row_number", "line", "assumed"))

    def _compare(self, source: str, was: pd.DataFrame, becomes: pd.DataFrame, by_row: bool, change: Difference) -> None:
        key = list(SOURCES[source].key)
        on = ["row_number"] if by_row else key
        both = was.merge(becomes, on=on, how="left", suffixes=("", "|new"), indicator=True)
        gone = both["_merge"] == "left_only"
        columns = [c for c in (*SOURCES[source].fields, "assumed") if c not in on]
        differs = pd.DataFrame({c: ~_alike(both[c], both[c + "|new"]) & ~gone for c in columns})
        changed = differs.any(axis=1)
        # a content that the old layout cannot read is a newer one: a row it lacks is no longer in the file
        for mask, counts in ((changed, change.changed), (gone & by_row, change.gone)):
            if mask.any():
                counts[source] = counts.get(source, 0) + int(mask.sum())
        for n in [*both.index[changed], *(both.index[gone] if by_row else [])]:
            if len(change.examples) >= MOST_SHOWN:
                break
            named = " ".join(_shown(both.at[n, c]) for c in key if _shown(both.at[n, c]) != "nothing")
            moved = [c for c in columns if differs.at[n, c]]
            pairs = [f"{c} {_shown(both.at[n, c])} → {_shown(both.at[n, c + '|new'])}" for c in moved]
            line = both.at[n, "line"] if "line" in both else both.at[n, "line|new"]
            place = f"line {line}, {named}" if not pd.isna(line) else named
            says = ", ".join(pairs) if pairs else "would be rejected or not be read"
            if source in PERSONAL_SOURCES:  # which columns, and none of what they hold
                place, says = place.partition(",")[0], ", ".join(moved) if moved else says
            change.examples.append(_discreet(f"{place}: {says}", source))

    def _compare_samples(self, was: pd.DataFrame, becomes: pd.DataFrame, change: Difference) -> None:
        both = was.merge(becomes, on=["dive_id", "member_id"], how="left", suffixes=("", "|new"), indicator=True)
        gone = both["_merge"] == "left_only"
        for mask, counts in ((~gone & (both["all"] != both["all|new"]), change.changed), (gone, change.gone)):
            if mask.any():
                counts[SAMPLES] = int(mask.sum())

    def _note(self, found: InboxFile, new: FileLayout, change: Difference) -> None:
        rule = STANDS if change.refused else WAITS
        words = {
            "layout": new.named,
            "counts": change.counts,
            "known": change.counts.replace(" would go", ""),
            "why": f"{new.named} cannot read the file: {change.refused}" if new.source else change.refused,
            "examples": "; ".join(clip(e, 300) for e in change.examples),
        }
        with self.warehouse.transaction():
            problems.unlist(self.warehouse, found.file, RULES, _content(found.sha256))
            self.warehouse.note(found.file, rule, _content(found.sha256), self.now, **words)
            set_waiting_layout(self.warehouse, found.file, found.sha256, new.hash)


def _discreet(text: str, source: str) -> str:
    """A sentence without what a list must not repeat."""
    row = pd.DataFrame([{"column": None, "value": None, "rule": "", "message": text, "fix": ""}])
    return str(without_personal(row, source)["message"].iloc[0])


_LISTS = (list, tuple, np.ndarray)


def _content(sha256: str) -> str:
    return sha256[:8]


def _alike(old: pd.Series, new: pd.Series) -> pd.Series:
    if old.name == "assumed":
        return old.map(_listed) == new.map(_listed)
    return (old == new).fillna(False).astype(bool) | (old.isna() & new.isna())


def _listed(value: Any) -> str:
    return ";".join(sorted(value)) if isinstance(value, _LISTS) else ""


def _by_dive(samples: pd.DataFrame) -> pd.DataFrame:
    fields = samples[list(SOURCES[SAMPLES].fields)].drop(columns=["dive_id", "member_id"])
    hashes = pd.util.hash_pandas_object(fields, index=False)
    return samples[["dive_id", "member_id"]].assign(all=hashes.to_numpy())


def _shown(value: Any) -> str:
    if isinstance(value, _LISTS):
        return _listed(value) or "nothing"
    if pd.isna(value):
        return "nothing"
    if isinstance(value, float):
        return f"{value:.5g}"
    return f"{value:%Y-%m-%d %H:%M}" if isinstance(value, pd.Timestamp) else clip(value, 40)


_COUNTED = {SAMPLES: "record of samples", "compressor_log": "compressor reading"}
_SEVERAL = {SAMPLES: "records of samples"}


def _counted(source: str, count: int) -> str:
    one = _COUNTED.get(source, source.replace("_", " ").removesuffix("s"))
    return plural(count, f"known {one}", f"known {_SEVERAL[source]}" if source in _SEVERAL else "")
