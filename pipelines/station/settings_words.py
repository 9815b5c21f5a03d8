"""What is wrong in `station.toml`, in words: line, setting and value, what is wrong, how to fix it."""

import difflib
import functools
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar, get_args
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, ValidationError
from pydantic_core import PydanticCustomError

FILE = "station.toml"
Where = tuple[str, ...]


class SettingsError(ValueError):
    """`station.toml` cannot be used; `.problems` names each mistake and how to fix it."""

    def __init__(self, problems: list[str]):
        super().__init__("\n".join(problems))
        self.problems = problems


class Table(BaseModel):
    """A table of the file: its keys are its fields, no others, and a value has the type it is declared with."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, validate_default=False)


@dataclass(frozen=True)
class Mistake:
    """One mistake inside a table; `known` lists what may stand there where the key itself is wrong."""

    where: Where
    value: Any = None
    wrong: str = ""
    fix: str = ""
    known: tuple[str, ...] = ()


class Mistakes(ValueError):
    """Raised by a check that looks at a whole table."""

    def __init__(self, found: Iterable[Mistake]):
        super().__init__("mistakes in a table")
        self.found = tuple(found)


def wrong(what: str, fix: str = "") -> PydanticCustomError:
    """The error of a value, with how to fix it."""
    return PydanticCustomError("setting", "{what}", {"what": what, "fix": fix})


# --- kinds of values --------------------------------------------------------------------------
def one_of(*allowed: str, fix: str = "") -> Any:
    """Text out of a list."""

    words = all(a.replace("_", "a").isalnum() for a in allowed if a)
    says = f"must be one of {', '.join(a or repr(a) for a in allowed)}"
    if not words:
        says = "must be " + " or ".join(f'"{a}"' for a in allowed)

    def check(value: str) -> str:
        if value not in allowed:
            raise wrong(says, fix)
        return value

    return Annotated[str, AfterValidator(check)]


def number(kind: type, low: float | None = None, high: float | None = None) -> Any:
    """A number within bounds; a whole one may be written as 60.0."""

    def whole(value: Any) -> Any:
        return int(value) if kind is int and isinstance(value, float) and value.is_integer() else value

    def check(value: float) -> float:
        if not ((low is None or value >= low) and (high is None or value <= high)):
            raise wrong(f"must lie from {low:g} to {high:g}")
        return value

    return Annotated[kind, BeforeValidator(whole), AfterValidator(check)]


def _texts(value: Any) -> Any:
    listed = [value] if isinstance(value, str) else value
    if isinstance(listed, (list, tuple)) and all(isinstance(v, str) and v.strip() for v in listed):
        return tuple(listed)
    raise wrong("must be a list of texts", '["…"]')


@functools.cache  # it looks through folders
def _zones() -> set[str]:
    return available_timezones()


def _zone(value: str) -> str:
    if value in _zones():
        return value
    near = difflib.get_close_matches(value, _zones(), 1)
    raise wrong("is no time zone", f"Did you mean {near[0]!r}?" if near else 'Write it as "Europe/London".')


#: one text, or a list of them
Texts = Annotated[tuple[str, ...], BeforeValidator(_texts)]
Zone = Annotated[str, AfterValidator(_zone)]

_MUST_BE = {
    "bool": "true or false",
    "string": "text in quotation marks",
    "int": "a whole number",
    "float": "a number",
    "list": "a list",
    "tuple": "a list",
    "dict": "a table",
    "model": "a table",
}
_Read = TypeVar("_Read", bound=Table)


def read_table(model: type[_Read], content: dict, text: str) -> _Read:
    """The content of a file as a table; `text` is what it was parsed from, to find lines in.

    Raises
    ------
    SettingsError
        With all mistakes at once.
    """
    try:
        return model.model_validate(content)
    except ValidationError as error:
        mistakes = [m for e in error.errors() for m in _mistakes(model, e)]
        raise SettingsError([_sentence(m, text.splitlines()) for m in mistakes]) from None


def _mistakes(model: type[Table], error: Any) -> list[Mistake]:
    where = tuple(str(part) for part in error["loc"])
    inner = error.get("ctx", {}).get("error")
    if isinstance(inner, Mistakes):
        return [Mistake((*where, *m.where), m.value, m.wrong, m.fix, m.known) for m in inner.found]
    if error["type"] == "extra_forbidden":
        return [Mistake(where, known=tuple(_declared(model, where[:-1])))]
    if error["type"] == "missing":
        return [Mistake(where, None, "is missing", _declared(model, where[:-1])[where[-1]].description or "")]
    if error["type"] == "setting":
        return [Mistake(where, error["input"], error["ctx"]["what"], error["ctx"]["fix"])]
    kind = error["type"].partition("_")[0]
    field = _declared(model, where[:-1]).get(where[-1])
    default = getattr(field, "default", None)
    says = f"The default is {default!r}." if isinstance(default, (str, int, float)) and default != "" else ""
    fix = f"[{'.'.join(where)}]" if _MUST_BE.get(kind) == "a table" else says
    return [Mistake(where, error["input"], f"must be {_MUST_BE[kind]}" if kind in _MUST_BE else error["msg"], fix)]


def _declared(model: Any, where: Where) -> dict:
    """The fields of the table at a place."""
    for part in where:
        there = getattr(model, "model_fields", {})
        found = there.get(part) or next((f for f in there.values() if f.alias == part), None)
        model = found.annotation if found else (get_args(model) or (None,))[-1]
    return getattr(model, "model_fields", {})


def _sentence(mistake: Mistake, lines: list[str]) -> str:
    line = _line(mistake.where, lines)
    place = f"{FILE}, line {line}" if line else FILE
    table, key = ".".join(mistake.where[:-1]), mistake.where[-1]
    if mistake.known:
        near = difflib.get_close_matches(key, mistake.known, 1)
        hint = f"Did you mean {near[0]}?" if near else f"Known are: {', '.join(mistake.known)}."
        return f"{place}: {key}{f' in [{table}]' if table else ''} is not a setting. {hint}"
    shown = "" if mistake.value is None else f" = {_short(mistake.value)}"
    return f"{place}, {f'[{table}] ' if table else ''}{key}{shown}: {mistake.wrong}. {mistake.fix}".rstrip()


def _short(value: Any) -> str:
    return repr(value) if len(repr(value)) <= 60 else repr(value)[:57] + "…"


_WORD = r"[\w-]+|\"[^\"]*\"|'[^']*'"
_HEAD = re.compile(r"\s*\[\[?\s*(.+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(rf"\s*((?:{_WORD})(?:\s*\.\s*(?:{_WORD}))*)\s*=")


def _line(where: Where, lines: list[str]) -> int | None:
    """The line that sets a key, else the one that begins the table or the inline table it stands in."""
    table: Where = ()
    best = None
    for number, line in enumerate(lines, 1):
        head, key = _HEAD.match(line), _KEY.match(line)
        if head:
            here = table = _words(head.group(1))
        elif key:
            here = (*table, *_words(key.group(1)))
        else:
            continue
        if here == where:
            return number
        if here == where[: len(here)]:
            best = number
    return best


def _words(text: str) -> Where:
    return tuple(word.strip("\"'") for word in re.findall(_WORD, text))
