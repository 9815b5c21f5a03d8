"""Which warehouse is a station's own: a mark that stands in it and in the station's folder.

Another station's, or one from before somebody was forgotten, would otherwise be published as if it were this one's.
"""

import secrets

from pipelines.publish.snapshot import write_durably
from pipelines.station.settings import Station
from pipelines.warehouse.store import Warehouse

FILE = ".warehouse-mark"


class WarehouseForeign(RuntimeError):
    """The warehouse was made for another station, or before this one's was made anew."""


def refuse_if_foreign(station: Station, warehouse: Warehouse) -> None:
    """Nothing, unless the folder has a mark and a warehouse with rows has another, or none.

    Raises
    ------
    WarehouseForeign
        With what to do. Nothing has been read or changed.
    """
    ours = _mark_beside(station)
    if ours and warehouse.mark() != ours and warehouse.stored():
        raise WarehouseForeign(
            f"{station.warehouse.name} is not this station's own: it was made for another one, or is an old copy from "
            "before this one's was made anew (by an update, a rebuild, or to forget somebody). Nothing was changed. "
            "Put the right one back, or read everything again from inbox/ and archive/: coldfill rebuild --station "
            f"{station.folder}"
        )


def settle_mark(station: Station, warehouse: Warehouse, *, made_anew: bool) -> None:
    """See that a warehouse is the station's own, and mark one that is new, or of an earlier version.

    Raises
    ------
    WarehouseForeign
    """
    if not made_anew:
        refuse_if_foreign(station, warehouse)
    ours, theirs = _mark_beside(station), warehouse.mark()
    mark = ours or theirs
    if made_anew or not mark:
        mark = secrets.token_hex(16)
    # the folder first: whatever dies between the two leaves a warehouse without a mark, which then gets this one
    if mark != ours:
        write_durably(station.folder / FILE, mark + "\n")
    if mark != theirs:
        warehouse.set_mark(mark)


def _mark_beside(station: Station) -> str:
    try:
        return (station.folder / FILE).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return ""
