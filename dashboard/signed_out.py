"""Sign-ins that were ended by signing out: a copy of their cookie opens nothing, also once the pages were started anew.

Kept by a hash alone, beside what signing in needs and no backup holds.
"""

import contextlib
import os
import threading
from pathlib import Path

PLACE = Path(".streamlit") / "signed-out"
#: of each station what its file held last, with the file's size and time; and what could not be written
_held: dict[Path, tuple[tuple[int, int], dict[str, float]]] = {}
_unwritten: dict[str, float] = {}
_one_writes = threading.Lock()


def ended(station: Path) -> dict[str, float]:
    """Each ended sign-in with the second at which it ended.

    Raises
    ------
    OSError
        The list stands there and cannot be read.
    """
    place = station / PLACE
    try:
        now = place.stat()
    except FileNotFoundError:
        return dict(_unwritten)
    state = (now.st_size, now.st_mtime_ns)
    if place not in _held or _held[place][0] != state:
        _held[place] = (state, _read(place))
    return _held[place][1] | _unwritten


def end(station: Path, sign_in: str, now_s: float, for_s: float) -> None:
    """Note one; those that ended more than `for_s` seconds ago are dropped, for their cookie is too old by now."""
    place = station / PLACE
    with _one_writes:
        kept = {name: at for name, at in ended(station).items() if now_s - at <= for_s} | {sign_in: now_s}
        _unwritten.clear()
        try:
            place.parent.mkdir(mode=0o700, exist_ok=True)
            made = place.with_name(f".{place.name}.new")
            with open(made, "w", encoding="ascii", opener=_privately) as out:
                out.writelines(f"{name} {at}\n" for name, at in kept.items())
                out.flush()
                os.fsync(out.fileno())
            os.replace(made, place)
        except OSError:  # a full disk must not keep anybody signed in: it holds while the pages are served
            _unwritten.update(kept)


def _privately(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _read(place: Path) -> dict[str, float]:
    found = {}
    for line in place.read_text(encoding="ascii", errors="replace").splitlines():
        name, _, at = line.partition(" ")
        with contextlib.suppress(ValueError):
            found[name] = float(at)
    return found
