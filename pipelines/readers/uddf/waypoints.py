"""The waypoints of a dive, taken off the tree many at a time while it grows, and laid aside as text."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import islice

import numpy as np
from lxml import etree
from numpy.typing import NDArray

from pipelines.readers.tables.sheet import refused

MOST_LEVELS = 40
MOST_WAYPOINTS = 200_000
_TOO_DEEP = etree.XPath("boolean(" + "/".join([".", *["*"] * (MOST_LEVELS - 1)]) + ")")
_KINDS = ("waypoint", "depth", "divetime", "temperature", "tankpressure", "switchmix", "divemode", "decostop")
_WAYPOINT, _DEPTH, _TIME, _TEMPERATURE, _PRESSURE, _SWITCH, _MODE, _STOP = range(len(_KINDS))
_OTHER = len(_KINDS)


@dataclass(slots=True)
class Waypoints:
    """The samples of one dive as text, in the order of the file."""

    line: list[int] = field(default_factory=list)
    depth: list[str | None] = field(default_factory=list)
    time: list[str | None] = field(default_factory=list)
    temperature: list[str | None] = field(default_factory=list)
    #: of each pressure its waypoint, its ref and tankref, and its text
    pressure_of: list[int] = field(default_factory=list)
    pressure_ref: list[str | None] = field(default_factory=list)
    pressure_tankref: list[str | None] = field(default_factory=list)
    pressure: list[str | None] = field(default_factory=list)
    modes: list[str] = field(default_factory=list)
    switches: list[tuple[int, str | None]] = field(default_factory=list)
    mandatory_stops: bool = False
    count: int = 0


def drop(element, known: set[str]) -> None:
    """Free what is finished, and its elder siblings: those of the same name were freed before, unknown ones unread."""
    element.clear(keep_tail=False)
    parent = element.getparent()
    while (elder := element.getprevious()) is not None and parent is not None:
        if elder.tag in known and elder.tag != element.tag:
            break
        parent.remove(elder)


def not_too_deep(element) -> None:
    """Refuse an element with too many levels below it."""
    try:
        too_deep = _TOO_DEEP(element)
    except etree.XPathError:  # more elements than the library looks through
        raise refused("too_large", found="one element of too many others", limit="what a dive holds") from None
    if too_deep:
        raise refused("uddf_too_deep", limit=MOST_LEVELS)


class Taker:
    """Takes waypoints off a `samples` element.

    Parameters
    ----------
    tag : callable
        The name of an element with the file's namespace.
    known : set of str
        Names that are not freed with a younger sibling of another name.
    """

    def __init__(self, tag: Callable[[str], str], known: set[str]):
        self.known = known
        self._waypoint = tag("waypoint")
        self._tags = [tag(name) for name in _KINDS]
        self._codes = {name: code for code, name in enumerate(self._tags)}

    def take(self, samples, points: Waypoints, *, ended: bool) -> bool:
        """Add the finished waypoints of `samples` to `points` and free them; whether there were any.

        Until `samples` has ended its last child may still grow, and stays: the parser holds on to it.
        """
        finished = len(samples) if ended else len(samples) - 1
        if finished < 1:
            return False
        if samples[0].tag == self._waypoint and self._level(samples, points, finished):
            del samples[:finished]
            return True
        found = list(samples.iterchildren(self._waypoint))
        if found and not ended and found[-1].getnext() is None:
            found.pop()
        for waypoint in found:
            self._one(waypoint, points)
            drop(waypoint, self.known)
            samples.remove(waypoint)
        return bool(found)

    def _level(self, samples, points: Waypoints, finished: int) -> bool:
        """Take them all at once, if each child is a waypoint and none holds more than one level.

        Each list is a pass of its own over the tree: elements held in a list would keep the garbage collector busy.
        """
        sizes = 1 + np.array([len(e) for e in samples.iterchildren()])
        code_of = self._codes.get
        codes = np.frombuffer(bytes([code_of(e.tag, _OTHER) for e in samples.iter()]), np.uint8)
        begins, stop = np.cumsum(sizes[:finished]) - sizes[:finished] + 1, int(sizes[:finished].sum()) + 1
        growing = sum(1 for _ in samples[-1].iter()) if finished < len(sizes) else 0
        if stop + growing != len(codes) or not np.array_equal(np.flatnonzero(codes[:stop] == _WAYPOINT), begins):
            return False
        room = min(max(MOST_WAYPOINTS - points.count, 0), finished)
        self._lay_aside(samples, codes[: begins[room] if room < finished else stop], room, points)
        points.count += finished
        return True

    def _lay_aside(self, samples, codes: NDArray, size: int, points: Waypoints) -> None:
        """Add the first `size` waypoints, of which `codes` says what each element is, in their order."""
        of = np.cumsum(codes == _WAYPOINT) - 1

        def of_kind(code: int) -> tuple[NDArray, Iterator]:
            at = of[codes == code]
            return at, islice(samples.iter(self._tags[code]), len(at))

        points.line += [e.sourceline for e in islice(samples.iterchildren(), size)]
        for code, column in ((_DEPTH, points.depth), (_TIME, points.time), (_TEMPERATURE, points.temperature)):
            rows, elements = of_kind(code)
            texts = [e.text for e in elements]
            if len(rows) == size and (rows == np.arange(size)).all():
                column += texts
                continue
            some: list[str | None] = [None] * size
            for row, text in zip(rows.tolist(), texts, strict=True):
                some[row] = text  # of several in a waypoint the last counts
            column += some
        rows, elements = of_kind(_PRESSURE)
        points.pressure_of += (rows + points.count).tolist()
        points.pressure += [e.text for e in elements]
        points.pressure_ref += [e.get("ref") for e in of_kind(_PRESSURE)[1]]
        points.pressure_tankref += [e.get("tankref") for e in of_kind(_PRESSURE)[1]]
        for code in (_SWITCH, _MODE, _STOP):
            rows, elements = of_kind(code)
            for row, element in zip((rows + points.count).tolist(), elements, strict=True):
                self._note(code, element, row, points)

    def _note(self, code: int, child, number: int, points: Waypoints) -> None:
        if code == _SWITCH:
            points.switches.append((number, child.get("ref")))
        elif code == _MODE:
            points.modes.append(child.get("type") or "")
        elif code == _STOP:
            points.mandatory_stops |= child.get("kind") == "mandatory"

    def _one(self, element, points: Waypoints) -> None:
        """One waypoint that may hold anything."""
        number = points.count
        points.count += 1
        if number >= MOST_WAYPOINTS:
            return
        last: dict[int, str | None] = {}
        for child in element:
            code = self._codes.get(child.tag, _OTHER)
            if code in (_DEPTH, _TIME, _TEMPERATURE):
                last[code] = child.text
            elif code == _PRESSURE:
                points.pressure_of.append(number)
                points.pressure_ref.append(child.get("ref"))
                points.pressure_tankref.append(child.get("tankref"))
                points.pressure.append(child.text)
            elif code in (_SWITCH, _MODE, _STOP):
                self._note(code, child, number, points)
            elif len(child):
                not_too_deep(element)
        points.line.append(element.sourceline)
        points.depth.append(last.get(_DEPTH))
        points.time.append(last.get(_TIME))
        points.temperature.append(last.get(_TEMPERATURE))
