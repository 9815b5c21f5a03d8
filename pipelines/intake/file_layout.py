"""By which layout a file of the inbox is read: one of the station's own names, the source's, or that of UDDF.

What decides how a file is read is kept with each reading, so that the file can be read the same way after
`station.toml` has changed.
"""

import hashlib
import json
from dataclasses import asdict, dataclass, field
from functools import cache, cached_property
from typing import Any

from pipelines.readers.forms import FORMS, form_of
from pipelines.readers.tables.mapping import FROM_WORKING_PRESSURE, Mapping, mapping_hash, matches, source_of
from pipelines.station.settings import Station, Uddf
from schemas.entries import entry_headers, entry_source

#: raise when a change of fields or readers must make every file be read again
SCHEMA_VERSION = "3"


@dataclass(frozen=True)
class FileLayout:
    """All that decides how one file is read; of a source that nothing names, which names are looked for."""

    source: str | None = None
    mapping: Mapping | None = None
    uddf: Uddf | None = None
    #: of times that give none, unless the mapping names its own
    zone: str = ""
    #: named layouts that match the file, where more than one does
    overlap: tuple[str, ...] = ()
    #: where no source was found: the names that are known
    patterns: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @cached_property
    def hash(self) -> str:
        """The version of the readers, and a hash of what the layout says; its name and patterns do not count."""
        if self.mapping is not None:
            config = mapping_hash(self.mapping, self.zone)
        else:
            config = json.dumps(asdict(self), sort_keys=True, default=list)
        return f"{SCHEMA_VERSION}.{hashlib.sha256(config.encode()).hexdigest()[:16]}"

    @property
    def names_matter(self) -> bool:
        """Whether what a file gives depends on links or registers, beyond rows that wait for them."""
        return self.source in FORMS or (
            self.mapping is not None and FROM_WORKING_PRESSURE in self.mapping.stated.values()
        )

    @property
    def named(self) -> str:
        """How people know it: the table of `station.toml`."""
        if self.mapping is not None and self.mapping.layout:
            return f"[layouts.{self.mapping.layout}]"
        return f"[{self.source}]" if self.source in FORMS else f"[sources.{self.source}]"

    def as_json(self) -> str:
        """The layout as the warehouse and the archive keep it."""
        return json.dumps(asdict(self), ensure_ascii=False, default=list)


def layout_from(text: str | None) -> FileLayout | None:
    """A layout that was kept; None where none was, or by a version that wrote it otherwise."""
    if not text:
        return None
    try:
        return _reader().validate_json(text)
    except ValueError:
        return None


@cache
def _reader() -> Any:
    from pydantic import TypeAdapter

    return TypeAdapter(FileLayout)


def layout_of(file: str, station: Station) -> FileLayout:
    """The present layout of a file, by its place in the inbox.

    What a form has written is as the contract says, whatever a station's own logs look like. Then a named layout
    that matches comes first; two that match are none, for nobody could say which was meant.
    """
    if source := entry_source(file):
        # a form that was read in other units says so in its headers
        headers: dict[str, tuple[str, ...]] = {column: (header,) for column, header in entry_headers(file).items()}
        return FileLayout(source, Mapping(source, headers=headers), zone=station.time_zone)
    if form := form_of(file):
        return FileLayout(form.name, uddf=station.uddf, zone=station.time_zone)
    named = [layout for layout in station.layouts.values() if any(matches(file, p) for p in layout.names)]
    if len(named) == 1:
        return FileLayout(named[0].source, named[0], zone=station.time_zone)
    source = None if named else source_of(file, station.mappings)
    if source is not None:
        return FileLayout(source, station.mappings.get(source) or Mapping(source), zone=station.time_zone)
    known = {name: m.names for name, m in (*station.mappings.items(), *station.layouts.items()) if m.names}
    return FileLayout(overlap=tuple(layout.layout for layout in named), patterns=known)


def patterns_without_files(station: Station, files: list[str]) -> list[str]:
    """Patterns of `station.toml` that match none of these files, as people find them there."""
    tables = [(f"[sources.{m.source}] names", m) for m in station.mappings.values()]
    tables += [(f"[layouts.{m.layout}] files", m) for m in station.layouts.values()]
    return [f'{table} "{p}"' for table, m in tables for p in m.names if not any(matches(f, p) for f in files)]
