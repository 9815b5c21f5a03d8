"""UDDF as a stream: definitions and dives one after the other, memory independent of the file's size.

Features are detected, not versions: every layout from 2.0 to 3.2 is taken wherever it is met. XML from a
stranger is parsed without entities, network, DTD or repair.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lxml import etree

from pipelines.readers.tables.sheet import refused
from pipelines.readers.uddf.waypoints import Taker, Waypoints, drop, not_too_deep

SAFE: dict[str, Any] = {
    "resolve_entities": False,
    "no_network": True,
    "load_dtd": False,
    "dtd_validation": False,
    "attribute_defaults": False,
    "huge_tree": False,
    "recover": False,
    "collect_ids": False,
    "remove_comments": True,
    "remove_pis": True,
}
MOST_BYTES = 4 << 30
MOST_DIVES = 50_000
MOST_UNBROKEN = 64 << 20
"""Bytes of one element that is kept whole until it ends: a dive without its waypoints, a section."""
_PIECE, _MUCH = 1 << 18, 1 << 17
"""Bytes read at once at most, and after which waypoints are taken off the tree: less costs more calls, more leaves
the cache."""

_SECTIONS = (
    "generator",
    "mediadata",
    "maker",
    "business",
    "diver",
    "divesite",
    "gasdefinitions",
    "decomodel",
    "tablegeneration",
    "divetrip",
    "divecomputercontrol",
    "applicationdata",
)


@dataclass
class Definitions:
    """What dives refer to, by id."""

    owners: list[str] = field(default_factory=list)
    buddies: set[str] = field(default_factory=set)
    tanks: dict[str, dict] = field(default_factory=dict)
    mixes: dict[str, dict] = field(default_factory=dict)
    sites: dict[str, dict] = field(default_factory=dict)
    #: 2.x: tankdata stands among the gases and dives point at it
    tankdata: dict[str, dict] = field(default_factory=dict)
    tankdata_without_id: list[dict] = field(default_factory=list)
    has_gases: bool = False
    seen: set[str] = field(default_factory=set)
    twice: set[str] = field(default_factory=set)

    def note(self, identifier: str | None) -> None:
        """Remember an id; one that comes again is no reference any more."""
        if identifier:
            (self.twice if identifier in self.seen else self.seen).add(identifier)


def local(element) -> str:
    """The name of an element without its namespace."""
    tag = element.tag
    return tag[tag.rindex("}") + 1 :] if isinstance(tag, str) and tag[0] == "{" else str(tag)


def text_of(element, *path: str) -> str | None:
    """The text of the first descendant along a path of local names; None if missing or empty."""
    space = element.tag[: element.tag.rindex("}") + 1] if element.tag[0] == "{" else ""
    here = element
    for name in path:
        here = here.find(space + name)
        if here is None:
            return None
    return (here.text or "").strip() or None


def first_text(elements, *path: str) -> str | None:
    """The first of several elements that holds the path."""
    return next((t for e in elements if e is not None and (t := text_of(e, *path)) is not None), None)


def references(element) -> list[str]:
    """Every reference in the direct children of an element, whatever its spelling."""
    return [
        ref
        for child in own(element)
        if (local(child) == "link" or local(child).endswith("ref")) and (ref := child.get("ref"))
    ]


def own(element) -> list:
    """Children in the element's own namespace; what others add is not ours to read."""
    space = element.tag[: element.tag.rindex("}") + 1] if element.tag[0] == "{" else ""
    return [c for c in element if isinstance(c.tag, str) and (c.tag.startswith(space) if space else c.tag[0] != "{")]


class _Counted:
    """A file that refuses to feed one unbroken element without end, and tells when much of it has been parsed."""

    def __init__(self, file, parsed: Callable[[], None]):
        self.file, self.parsed, self.since, self.untold = file, parsed, 0, 0

    def read(self, size: int = _PIECE) -> bytes:
        if self.untold >= _MUCH:
            self.parsed()
            self.untold = 0
        data = self.file.read(min(size, _PIECE))
        self.since += len(data)
        self.untold += len(data)
        if self.since > MOST_UNBROKEN:
            raise refused(
                "too_large", found=f"one element of over {MOST_UNBROKEN >> 20} MB", limit=f"{MOST_UNBROKEN >> 20} MB"
            )
        return data


def namespace_of(path: Path) -> str | None:
    """The namespace of the root, once it is known to be `uddf` and to declare no entities.

    Raises
    ------
    Refused
        Another root, entities, or no XML at all.
    """
    with open(path, "rb") as file:
        for _, root in etree.iterparse(file, events=("start",), **SAFE):
            dtd = root.getroottree().docinfo.internalDTD
            if dtd is not None and any(True for _ in dtd.iterentities()):
                raise refused("uddf_doctype_entities")
            if local(root) != "uddf":
                raise refused("uddf_wrong_root", found=local(root)[:80])
            return etree.QName(root).namespace
    raise refused("empty_file")


def walk(path: Path, definitions: Definitions, collect: bool, dive: Callable[[Any, Waypoints], None]) -> bool:
    """Read a file from end to end.

    Parameters
    ----------
    path : Path
    definitions : Definitions
        Filled as sections come, when `collect`.
    collect : bool
    dive : callable
        Called with each dive's element, its waypoints cleared, and with the waypoints.

    Returns
    -------
    bool
        Whether definitions came after the first dive, so that the dives must be read again with them at hand.
    """
    try:
        return _walk(path, definitions, collect, dive)
    except etree.XMLSyntaxError as error:
        said = re.sub(r"\s*\([^()]*, line \d+\)$", "", str(error))[:200]
        raise refused("uddf_broken", found=said, line=error.lineno) from None


def _walk(path: Path, definitions: Definitions, collect: bool, dive) -> bool:
    if path.stat().st_size > MOST_BYTES:
        raise refused("too_large", found=f"{path.stat().st_size >> 20} MB", limit=f"{MOST_BYTES >> 20} MB")
    space = namespace_of(path)

    def tag(name: str) -> str:
        return f"{{{space}}}{name}" if space else name

    wanted = [tag(n) for n in ("dive", "samples", *_SECTIONS)]
    t_dive, t_samples, t_skip = tag("dive"), tag("samples"), {tag("tablegeneration"), tag("applicationdata")}
    homes = ([tag("repetitiongroup"), tag("profiledata"), tag("uddf")], [tag("profiledata"), tag("uddf")])
    taker = Taker(tag, {tag("waypoint"), *wanted} - {t_samples})
    late, dives, points = False, 0, Waypoints()
    samples = None  # the `samples` whose waypoints are being read

    def take(*, ended: bool) -> None:
        if samples is not None and taker.take(samples, points, ended=ended):
            counted.since = 0

    with open(path, "rb") as file:
        # the parser asks for more once all events of what it has were looked at
        counted = _Counted(file, lambda: take(ended=False))
        for event, element in etree.iterparse(counted, events=("start", "end"), tag=wanted, **SAFE):
            name = element.tag
            if event == "start":
                if name == t_samples:
                    home = [a.tag for a in element.iterancestors()]
                    if home[:1] == [t_dive] and home[1:] in homes:
                        samples = element
                continue
            if name == t_samples:
                if element is samples:
                    take(ended=True)
                    samples = None
                continue
            if name == t_dive:
                if [a.tag for a in element.iterancestors()] not in homes:
                    continue
                dives += 1
                if dives > MOST_DIVES:
                    raise refused("uddf_too_many_dives", limit=MOST_DIVES)
                not_too_deep(element)
                dive(element, points)
                points = Waypoints()
            elif name in t_skip:
                element.clear(keep_tail=False)
                counted.since = 0
                continue
            elif element.getparent() is not None and element.getparent().getparent() is None:
                not_too_deep(element)
                if collect and _define(element, definitions):
                    late |= dives > 0
            else:
                continue
            drop(element, taker.known)
            counted.since = 0
    return late


def _define(section, found: Definitions) -> bool:
    """Collect the definitions of a section; whether it held any."""
    name = local(section)
    if name == "diver":
        for person in own(section):
            if local(person) in ("owner", "buddy"):
                found.note(person.get("id"))
                if local(person) == "owner":
                    found.owners.append(person.get("id") or "")
                elif person.get("id"):
                    found.buddies.add(person.get("id"))
                for tank in person.iter():
                    if local(tank) == "tank" and local(tank.getparent()) == "equipment":
                        _tank(tank, found)
        return True
    if name == "divesite":
        for site in own(section):
            if local(site) == "site" and site.get("id"):
                found.note(site.get("id"))
                found.sites[site.get("id")] = {"density": text_of(site, "sitedata", "density")}
        return True
    if name == "gasdefinitions":
        for item in own(section):
            if local(item) == "mix":
                found.has_gases = True
                found.note(item.get("id"))
                if item.get("id"):
                    found.mixes[item.get("id")] = {n: text_of(item, n) for n in ("o2", "n2", "he", "ar", "h2")} | {
                        "line": item.sourceline
                    }
            elif local(item) == "tankdata":
                found.note(item.get("id"))
                data = tankdata(item)
                if data["id"]:
                    found.tankdata[data["id"]] = data
                else:
                    found.tankdata_without_id.append(data)
        return True
    return False


def _tank(tank, found: Definitions) -> None:
    identifier = tank.get("id")
    if not identifier:
        return
    found.note(identifier)
    found.tanks[identifier] = {
        "name": text_of(tank, "name"),
        "alias": text_of(tank, "aliasname"),
        "volume": text_of(tank, "tankvolume"),
    }


def tankdata(element) -> dict:
    """A tankdata element as text."""
    return {
        "id": element.get("id"),
        "line": element.sourceline,
        "refs": references(element),
        "volume": text_of(element, "tankvolume"),
        "begin": text_of(element, "tankpressurebegin"),
        "end": text_of(element, "tankpressureend"),
    }
