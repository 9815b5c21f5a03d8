"""What feeds what: compressors, and banks that compressors or other banks fill.

The one place that follows `fed_by`: tests of the air are judged, and fills called back, through it.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

_SEPARATORS = re.compile(r"[;,|+&/\n]")


@dataclass(frozen=True)
class Feed:
    """What stands at the beginning of a source's gas.

    `compressors` in order of name. `traced` is False where some branch ends in something nobody described (a bank that
    names no feed, a name that is not in the register), so that more may have fed it than is listed.
    """

    compressors: tuple[str, ...]
    traced: bool


NOTHING_KNOWN = Feed((), False)


def feeds(
    source_ids: Sequence[str], kinds: Sequence[str | None], fed_by: Sequence[str | None], compressor_ids: Iterable[str]
) -> dict[str, Feed]:
    """What feeds each source, through any chain of banks.

    Parameters
    ----------
    source_ids, kinds, fed_by : sequence of str
        The register of sources, one entry each: `compressor` or `bank`, and the names of what fills it; several names
        stand in one cell with `;`, `,`, `|`, `+`, `&` or `/` between them. None or '' where nothing is said.
    compressor_ids : iterable of str
        Names known as compressors from elsewhere (their register, log or tests).

    Returns
    -------
    dict of str to Feed
        An entry for each source and each compressor.

    Notes
    -----
    A compressor stands for itself; one that is fed as well (a booster on a bank) passes on what feeds it. A circle adds
    nothing new and ends there.
    """
    compressors = {name for name in compressor_ids if name}
    compressors |= {s for s, kind in zip(source_ids, kinds, strict=True) if kind == "compressor"}
    given = {s: text for s, text in zip(source_ids, fed_by, strict=True) if isinstance(text, str) and text.strip()}
    known = compressors | set(source_ids)
    ahead = {source: names_in(text, known) for source, text in given.items()}
    return {source: _follow(source, ahead, compressors, known) for source in sorted(known)}


def feed_of(source_id: str | None, by_source: Mapping[str, Feed]) -> Feed:
    """What feeds a source as a log has it, whatever its capitals and spaces; of a stranger nothing is known."""
    if not isinstance(source_id, str):
        return NOTHING_KNOWN
    if source_id in by_source:
        return by_source[source_id]
    named = _same_name(source_id, by_source)
    return by_source[named] if named else NOTHING_KNOWN


def names_in(text: str, known: Iterable[str]) -> list[str]:
    """The names a `fed_by` cell holds; a name that has a separator in it and is known as a whole stays whole."""
    known = list(known)
    whole = text if text in known else _same_name(text, known)
    if whole:
        return [whole]
    parts = [part.strip() for part in _SEPARATORS.split(text) if part.strip()]
    return list(dict.fromkeys(part if part in known else _same_name(part, known) or part for part in parts))


def _same_name(name: str, known: Iterable[str]) -> str:
    """The one known name that differs in capitals and spaces alone, or ''."""
    wanted = _plain(name)
    found = [k for k in known if _plain(k) == wanted]
    return found[0] if len(found) == 1 else ""


def _plain(name: str) -> str:
    return "".join(name.split()).casefold()


def _follow(source: str, ahead: Mapping[str, list[str]], compressors: set[str], known: set[str]) -> Feed:
    found: set[str] = set()
    traced = True
    seen: set[str] = set()
    open_ends = [source]
    while open_ends:
        here = open_ends.pop()
        if here in seen:
            continue
        seen.add(here)
        if here in compressors:
            found.add(here)
        elif here not in known or here not in ahead:
            traced = False
        open_ends.extend(ahead.get(here, ()))
    return Feed(tuple(sorted(found)), traced and bool(found))
