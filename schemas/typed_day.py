"""Days as people say and type them: '3 May 2031', '3 May', 'yesterday', '2031-05-03'; never one that could be two."""

import re
from datetime import date, timedelta

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_NEAR = {"today": 0, "yesterday": -1, "tomorrow": 1}
_HOW = "Write it as 3 May 2031, or pick it."


class NotADay(ValueError):
    """What was typed is no day, or could be two; the message says what to do."""


def said(day: date, today: date) -> str:
    """'3 May 2031, Sat', as pages show a day to choose; of the days around it 'today' and its like."""
    near = {today + timedelta(n): word for word, n in _NEAR.items()}
    return f"{day.day} {day:%b %Y}, {near.get(day) or f'{day:%a}'}"


def typed_day(text: str, today: date, *, ahead: bool = False, month_will_do: bool = False) -> date:
    """The day that was typed.

    Parameters
    ----------
    text : str
    today : date
        At the station.
    ahead : bool
        A day without a year is the next such day, else the last one.
    month_will_do : bool
        A month alone is its first day, as a stamp has it.

    Raises
    ------
    NotADay
        It is none, or could be two.
    """
    plain = text.strip().lower()
    if plain in _NEAR:
        return today + timedelta(_NEAR[plain])
    if whole := re.fullmatch(r"(\d{4})[-./](\d{1,2})(?:[-./](\d{1,2}))?", plain):
        year, month, day = whole.groups()
        return _made(text, int(year), int(month), int(day) if day else None, month_will_do)
    if figures := re.fullmatch(r"(\d{1,2})[-./ ](\d{1,2})[-./ ](\d{4})", plain):
        return _of_figures(text, *(int(figure) for figure in figures.groups()))
    if figures := re.fullmatch(r"(\d{1,2})[-./](\d{4})", plain):
        return _made(text, int(figures[2]), int(figures[1]), None, month_will_do)
    return _of_words(text, plain, today, ahead, month_will_do)


def _of_figures(text: str, first: int, second: int, year: int) -> date:
    """Two figures of which one is the month: only where one of them cannot be."""
    if first > 12 or first == second:
        return _made(text, year, second, first, False)
    if second > 12:
        return _made(text, year, first, second, False)
    raise NotADay(
        f"'{text.strip()}' is {first} {MONTHS[second - 1].capitalize()} or {second} "
        f"{MONTHS[first - 1].capitalize()}. {_HOW}"
    )


def _of_words(text: str, plain: str, today: date, ahead: bool, month_will_do: bool) -> date:
    words = [w for w in re.findall(r"[^\W\d_]+", plain) if w[:3] not in _WEEKDAYS and w not in ("st", "nd", "rd", "th")]
    numbers = re.findall(r"\d+", plain)
    months = [n for n, name in enumerate(MONTHS, 1) if len(words) == 1 and len(words[0]) > 2 and words[0][:3] == name]
    years = [n for n in numbers if len(n) == 4]
    days = [n for n in numbers if len(n) <= 2]
    if not months or len(years) > 1 or len(days) > 1 or len(years) + len(days) < len(numbers):
        raise NotADay(f"'{text.strip()}' is no day. {_HOW}")
    (month,) = months
    day = int(days[0]) if days else None
    if years:
        return _made(text, int(years[0]), month, day, month_will_do)
    if day is None:
        raise NotADay(f"'{text.strip()}' is no day. {_HOW}")
    # a year on either side: 29 February is in one of four
    near = [made for year in range(today.year - 4, today.year + 5) if (made := _or_none(year, month, day))]
    found = [made for made in near if (made >= today if ahead else made <= today)]
    if not found:
        raise NotADay(f"'{text.strip()}' is no day. {_HOW}")
    return min(found) if ahead else max(found)


def _made(text: str, year: int, month: int, day: int | None, month_will_do: bool) -> date:
    if day is None and not month_will_do:
        raise NotADay(f"'{text.strip()}' lacks the day. {_HOW}")
    if made := _or_none(year, month, day or 1):
        return made
    raise NotADay(f"'{text.strip()}' is no day. {_HOW}")


def _or_none(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None
