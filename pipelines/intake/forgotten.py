"""Who was forgotten: known again by keyed hashes of their ids, names and addresses, never by these themselves.

The list and its key lie in the archive, for a rebuild from inbox and archive alone must know them too. Whoever holds
both and guesses an id can find out whether the guess is right; who sees a table of the station cannot.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
import unicodedata
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path

LIST, KEY = "forgotten.json", "forgotten.key"
#: raise when an earlier version could not go by what this one writes
FORM = 1
PREFIX = "former-member-"
_LETTERS = "abcdefghijkmnpqrstuvwxyz23456789"
_PIECE = re.compile(r"[^\W_]+")
ADDRESS = re.compile(r"[^\s,;:<>()\"'\[\]=|]+@[^\s,;:<>()\"'\[\]=|]+")


class ListUnreadable(RuntimeError):
    """The list of who was forgotten, or its key, is damaged: without it they would come back."""


@dataclass
class Person:
    """One person as the list holds them; all but `made_up`, `on` and `done` are keyed hashes."""

    made_up: str
    #: the member_id as a whole cell
    id: str
    on: str
    #: whether everything stored is without the person by now
    done: bool = False
    #: the id within other text, with its number of words; none where it may mean something else there
    within: list[list] = field(default_factory=list)
    #: names, each with its number of words
    names: list[list] = field(default_factory=list)
    #: names with the last word first, as all of a cell
    turned: list[str] = field(default_factory=list)
    addresses: list[str] = field(default_factory=list)
    #: what other systems call the person
    aliases: list[str] = field(default_factory=list)
    #: ids of others that hold this one, each with its number of words
    others: list[list] = field(default_factory=list)


@dataclass(frozen=True)
class Unseen:
    """An original that could not be looked into, or not into all of it, when somebody was forgotten."""

    file: str
    sha256: str
    why: str


class Forgotten:
    """The list of a station, and the question whether a text is one of theirs.

    Raises
    ------
    ListUnreadable
        There is a list, and it or its key cannot be read.
    """

    def __init__(self, archive: Path):
        self.archive = archive
        self.people: list[Person] = []
        #: sha256 of files and numbers of problems, old to new, while a forgetting is under way
        self.moved: dict[str, str] = {}
        #: what a person must look through, until somebody has or it is gone
        self.unseen: list[Unseen] = []
        #: sha256 of those that somebody has looked through → made-up names of whom it was done for
        self.looked: dict[str, list[str]] = {}
        #: sha256 of originals that are to go as a whole, while a forgetting is under way
        self.removing: list[str] = []
        self._key = b""
        path, key = archive / LIST, archive / KEY
        if path.exists():
            try:
                said = json.loads(path.read_text(encoding="utf-8"))
                if said["form"] > FORM:
                    raise ListUnreadable(f"{path} was written by a newer coldfill. Install that one.")
                self.people = [Person(**p) for p in said["people"]]
                self.moved = {str(old): str(new) for old, new in said["moved"].items()}
                self.unseen = [Unseen(**u) for u in said.get("unseen", [])]
                self.looked = {str(k): [str(v) for v in names] for k, names in said.get("looked", {}).items()}
                self.removing = [str(sha256) for sha256 in said.get("removing", [])]
                self._key = bytes.fromhex(key.read_text(encoding="ascii").strip())
            except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
                raise ListUnreadable(
                    f"{path} or {key.name} beside it cannot be read ({error}): who was forgotten would come back. "
                    "Bring both back from a backup."
                ) from error
        self._learn()

    def __bool__(self) -> bool:
        return bool(self.people)

    @property
    def unfinished(self) -> bool:
        """Whether forgetting somebody was begun and has not come to its end."""
        return any(not p.done for p in self.people)

    # --- the list -----------------------------------------------------------------------------
    def add(
        self,
        member: str,
        *,
        on: str,
        names: Iterable[str],
        addresses: Iterable[str],
        aliases: Iterable[str],
        others: Iterable[str],
        means_more: bool,
    ) -> Person:
        """Put a person on the list, or add to what it says of them; nothing is written yet.

        Parameters
        ----------
        names, addresses, aliases : what else means this person and nobody else
        others : ids of other members and things; the person's id inside one of these is not meant
        means_more : the id is also that of another thing, so that it means the person in columns of members alone
        """
        self._key = self._key or secrets.token_bytes(32)
        known = self._hash("id", member)
        person = next((p for p in self.people if p.id == known), None)
        if person is None:
            made_up = PREFIX + "".join(secrets.choice(_LETTERS) for _ in range(8))
            person = Person(made_up, known, on)
            self.people.append(person)
        person.done = False
        pieces = _PIECE.findall(member)
        if pieces and not means_more and any(c.isalpha() for c in member):
            person.within = [[self._hash("within", _core(member)), len(pieces)]]
            held = {_core(o) for o in others if o != member and _within(_core(member), o)}
            person.others = _merged(person.others, [[self._hash("within", o), _words(o)] for o in sorted(held)])
        forms = sorted({form for name in names if (form := _form(name))})
        person.names = _merged(person.names, [[self._hash("name", f), len(f.split())] for f in forms])
        person.turned = sorted({*person.turned, *(self._hash("turned", _turned(f)) for f in forms)})
        person.addresses = sorted({*person.addresses, *(self._hash("address", _address(a)) for a in addresses)})
        for alias in aliases:
            if (h := self._hash("alias", alias.strip())) not in person.aliases:
                person.aliases.append(h)
        self._learn()
        return person

    def write(self) -> None:
        """Bring the list to the disk, key first."""
        for path, text in (
            (self.archive / KEY, self._key.hex() + "\n"),
            (
                self.archive / LIST,
                json.dumps(
                    {
                        "form": FORM,
                        "people": [asdict(p) for p in self.people],
                        "moved": self.moved,
                        "unseen": [asdict(u) for u in self.unseen],
                        "looked": self.looked,
                        "removing": self.removing,
                    },
                    indent=1,
                ),
            ),
        ):
            made = path.with_name(f".{path.name}.new")
            with open(made, "w", encoding="utf-8") as handle:
                os.chmod(made, 0o600)
                handle.write(text)
                handle.flush()
                os.fsync(handle.fileno())
            os.replace(made, path)

    def listed(self, member: str) -> Person | None:
        """The person of this id, if forgotten."""
        known = self._hash("id", member) if self._key else ""
        return next((p for p in self.people if p.id == known), None)

    def spare(self, names: Iterable[str]) -> bool:
        """Take names off the list that somebody else bears by now; gives whether any was there."""
        forms = {form for name in names if (form := _form(name))} if self.people else set()
        living = {self._hash("name", f) for f in forms} | {self._hash("turned", _turned(f)) for f in forms}
        found = False
        for p in self.people:
            kept = [name for name in p.names if name[0] not in living]
            found |= len(kept) < len(p.names)
            p.names, p.turned = kept, [name for name in p.turned if name not in living]
        if found:
            self._learn()
        return found

    # --- is this one of theirs? -----------------------------------------------------------------
    def member(self, text: str) -> str | None:
        """The made-up name of the member whose id is all of this text."""
        return self._ask("id", text.strip())

    def reference(self, text: str) -> str:
        """The text of a key or a name in another system, with what means one of them replaced."""
        word = text.strip()
        made_up = self._ask("id", word, also_bare=True) or self._ask("alias", word)
        return made_up or self._ask("turned", _plain(word)) or self.text(text)

    def text(self, text: str) -> str:
        """Any text, with their addresses, names and ids inside it replaced."""
        if not self.people or not text or text.isdecimal():
            return text
        if text not in self._seen:
            self._seen[text] = self._replaced(text)
        return self._seen[text]

    def _replaced(self, text: str) -> str:
        if "@" in text:
            text = ADDRESS.sub(lambda m: self._ask("address", _address(m[0])) or m[0], text)
        places = [m.span() for m in _PIECE.finditer(text)]
        made, here, n = [], 0, 0
        while n < len(places):
            hit = self._longest(text, places, n)
            if hit is None:
                n += 1
                continue
            word, length = hit
            if word:
                made += [text[here : places[n][0]], word]
                here = places[n + length - 1][1]
            n += length
        return "".join([*made, text[here:]]) if made else text

    def _longest(self, text: str, places: list[tuple[int, int]], n: int) -> tuple[str, int] | None:
        """What the longest of their words from here is replaced by ('' for one of others), and how many words long."""
        for length in range(min(self._most, len(places) - n), 0, -1):
            part = text[places[n][0] : places[n + length - 1][1]]
            if (length in self._lengths["within"]) and (word := self._ask("within", part)) is not None:
                return word, length
            if length in self._lengths["name"] and (word := self._ask("name", _plain(part))) is not None:
                return word, length
        return None

    # --- hashes -----------------------------------------------------------------------------------
    def _hash(self, kind: str, text: str) -> str:
        said = f"{kind}\0{unicodedata.normalize('NFC', text)}".encode("utf-8", "replace")
        return hmac.digest(self._key, said, hashlib.sha256).hex()

    def _ask(self, kind: str, text: str, *, also_bare: bool = False) -> str | None:
        if not text or not self.people:
            return None
        if (kind, text) not in self._asked:
            self._asked[kind, text] = self._known.get((kind, self._hash(kind, text)))
        found = self._asked[kind, text]
        # a bare number is a member's in columns of members alone
        return None if found is not None and also_bare and not any(c.isalpha() for c in text) else found

    def _learn(self) -> None:
        self._asked: dict[tuple[str, str], str | None] = {}
        self._seen: dict[str, str] = {}
        self._known: dict[tuple[str, str], str] = {}
        self._lengths: dict[str, set[int]] = {"within": set(), "name": set()}
        for p in self.people:
            self._known["id", p.id] = p.made_up
            self._known |= {("address", a): p.made_up for a in p.addresses}
            self._known |= {("alias", a): f"{p.made_up}-{n}" for n, a in enumerate(p.aliases, 1)}
            self._known |= {("turned", t): p.made_up for t in p.turned}
            for kind, words in (("within", p.within), ("name", p.names)):
                for known, length in words:
                    self._known[kind, known] = p.made_up
                    self._lengths[kind].add(int(length))
            for known, length in p.others:
                self._known.setdefault(("within", known), "")
                self._lengths["within"].add(int(length))
        self._most = max([0, *self._lengths["within"], *self._lengths["name"]])


def _merged(old: list[list], new: list[list]) -> list[list]:
    return old + [n for n in new if n not in old]


def _core(text: str) -> str:
    """A text from its first letter or digit to its last."""
    places = [m.span() for m in _PIECE.finditer(text)]
    return text[places[0][0] : places[-1][1]] if places else text


def _words(text: str) -> int:
    return len(_PIECE.findall(text))


def _within(word: str, text: str) -> bool:
    """Whether a word stands in a text as a whole word."""
    return re.search(rf"(?<![^\W_]){re.escape(word)}(?![^\W_])", text) is not None


def _plain(name: str) -> str:
    return " ".join(_PIECE.findall(unicodedata.normalize("NFC", name).casefold()))


def _form(name: str) -> str:
    """A name as it is compared; one of two letters or fewer is nobody's."""
    plain = _plain(name)
    return plain if len(plain.replace(" ", "")) > 2 else ""


def _turned(form: str) -> str:
    *first, last = form.split()
    return " ".join([last, *first])


def _address(text: str) -> str:
    return text.strip().strip(".<>").casefold()
