"""The pieces pages are laid out from. Text is escaped here, once, so that markup in a name stays text."""

import html
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import charts
from dashboard.access import Refused
from schemas import reading_units, words
from schemas.codes import sentence
from schemas.snapshot import NothingPublished

STYLE = Path(__file__).with_name("style.css")
TELL, NUMBER_FIELDS, DRAWING = (
    f"<script>{Path(__file__).with_name(f'{name}.js').read_text(encoding='utf-8')}</script>"
    for name in ("tell", "number_fields", "drawing")
)
#: the library's file that draws; where there is not one of that name, nothing is fetched ahead
_DRAWS = [path.name for path in Path(st.__file__).parent.glob("static/static/js/PlotlyChart.*.js")]
_SCRIPTS = NUMBER_FIELDS + (DRAWING.replace("DRAWING", _DRAWS[0]) if len(_DRAWS) == 1 else "")


#: a longer name may break where it must
SHORT_NAME = 16


class Markup(str):
    """Text made here that is markup already."""

    __slots__ = ()


def text(value: Any) -> Markup:
    """Anything as harmless markup."""
    return value if isinstance(value, Markup) else Markup(html.escape("" if value is None else str(value)))


def label(words: Mapping[str, str]) -> Callable[[Any], str]:
    """How a widget shows a choice: by its words, else as it is."""
    return lambda choice: str(words.get(choice, choice))


def chosen_part(title: str, choices: Mapping[str, str], key: str, default: str) -> str:
    """Which part of a page is wanted: a row of buttons under what stands first; one is always on."""
    return st.segmented_control(
        title,
        list(choices),
        default=default,
        format_func=label(choices),
        key=key,
        label_visibility="collapsed",
        required=True,
    )


def show(*pieces: Any) -> None:
    """Put pieces on the page, where there are any."""
    if made := "".join(text(p) for p in pieces):
        st.html(made)


def place() -> Any:
    """A place on the page for whatever comes and goes there.

    The browser knows what stands on a page by its place: without one of its own, a line that comes or goes above a
    form makes that form anew, in the middle of what is typed or pressed there.
    """
    return st.container()


#: in the session: looks whether this is still the newest snapshot and the same viewer, else begins the page anew
LOOK_ANEW = "look_anew"


def by_itself(run: Callable[..., Any], *given: Any) -> None:
    """A part of a page: what is typed or chosen in it runs it alone, with what the page was made from.

    Not for what saves something: the whole page answers that.
    """
    units, again = reading_units.current(), False

    def part() -> None:
        nonlocal again
        if again:
            st.session_state.get(LOOK_ANEW, bool)()
            reading_units.use(units)
        again = True
        or_say_why(run, *given)

    st.fragment(part)()


def or_say_why(run: Callable[..., Any], *given: Any) -> None:
    """A page or part; in words why it cannot be shown, where it cannot."""
    try:
        run(*given)
    except Refused as refusal:
        show(heading("Not for you to see"), plain(str(refusal)))
    except NothingPublished as refusal:  # a part of the snapshot is damaged
        show(heading("Not to be read"), plain(str(refusal)))


def opens(title: str, key: str, inside: Callable[[], Any], *, expanded: bool = False) -> None:
    """A part that opens by click or key: made, and sent to the browser, once it does, and by itself."""

    def part() -> None:
        box = st.expander(title, expanded=expanded, key=key, on_change="rerun")
        if is_open(box):
            with box:
                inside()

    by_itself(part)


def is_open(box: Any) -> bool:
    """Whether somebody has opened it."""
    return bool(box.open)


def style() -> None:
    """The look of all pages, and how their fields take what is typed."""
    st.html(STYLE)
    st.html(_SCRIPTS, unsafe_allow_javascript=True)


def heading(words: str, level: int = 2, under: str = "") -> Markup:
    """A heading, and a line under it that says what it answers."""
    below = f'<p class="under">{text(under)}</p>' if under else ""
    return Markup(f"<h{level}>{text(words)}</h{level}>{below}")


def bar(word: str, weight: int, detail: Any = "") -> Markup:
    """A state as a word in a bar; the heavier the bar, the worse. The word alone says it all."""
    more = f'<span class="detail">{text(detail)}</span>' if detail else ""
    return Markup(f'<div class="bar bar-{weight}"><strong>{text(word)}</strong>{more}</div>')


def tag(word: str, weight: int) -> Markup:
    """The same, small, for a row of a table."""
    return Markup(f'<span class="tag bar-{weight}">{text(word)}</span>')


def facts(rows: Iterable[tuple[str, Any] | tuple[str, Any, Any]]) -> Markup:
    """Label, figure and what it rests on, each beside the other."""
    cells = []
    for row in rows:
        label, value, *more = row
        basis = f'<span class="basis">{text(more[0])}</span>' if more and more[0] else ""
        cells.append(f'<div class="fact"><dt>{text(label)}</dt><dd>{text(value)}{basis}</dd></div>')
    return Markup(f'<dl class="facts">{"".join(cells)}</dl>')


def caution(words: Any) -> Markup:
    """A caution where the act is."""
    return Markup(f'<p class="caution" role="note"><strong>Caution</strong> {text(words)}</p>')


def note(words: Any) -> Markup:
    """A quiet line."""
    return Markup(f'<p class="note">{text(words)}</p>')


def refusal(reasons: Iterable[Any]) -> Markup:
    """Why a value was not taken, under its field."""
    return Markup(f'<p class="refused" role="alert">{lines(*reasons)}</p>')


def plain(words: Any) -> Markup:
    """A line of ordinary weight."""
    return Markup(f"<p>{text(words)}</p>")


def items(lines: Iterable[Any]) -> Markup:
    """A list of sentences."""
    return Markup(f"<ul>{''.join(f'<li>{text(line)}</li>' for line in lines)}</ul>")


def answer(*pieces: Any) -> Markup:
    """What a press has led to: `tell` lets the keyboard go on from here."""
    return Markup(f'<div id="answer" tabindex="-1">{"".join(text(p) for p in pieces)}</div>')


def tell(words: str) -> None:
    """Say it once to who hears the page, and set the focus on the answer where the press has lost it."""
    st.html(f'<span id="to-tell" hidden data-words="{text(words)}"></span>{TELL}', unsafe_allow_javascript=True)


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[Any]],
    *,
    figures: Sequence[int] = (),
    says: str = "",
    kept: bool = False,
    even: bool = False,
    whole: Sequence[int] = (),
    half: Sequence[int] = (),
) -> Markup:
    """A table that turns into cards on a narrow screen.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequences
    figures : sequence of int
        Columns that hold figures, set to the right.
    says : str
        What the table shows, for those who hear it.
    kept : bool
        Short enough to stay a table on a narrow screen.
    even : bool
        Columns as wide as those of the table before it.
    whole, half : sequence of int
        On a narrow screen: columns that say by themselves what they are, over the whole card and without their
        heading; columns that share a line, as figures do.
    """
    looks = {"figure": figures, "whole": whole, "half": half}
    named = [" ".join(name for name, columns in looks.items() if i in columns) for i in range(len(head))]
    numeric = [f' class="{names}"' if names else "" for names in named]
    top = "".join(f'<th scope="col"{numeric[i]}>{text(h)}</th>' for i, h in enumerate(head))
    body = []
    for row in rows:
        cells = "".join(
            f'<td data-label="{html.escape(head[i])}"{numeric[i]}>{_cell(c)}</td>' for i, c in enumerate(row)
        )
        body.append(f"<tr>{cells}</tr>")
    caption = f'<caption class="unseen">{text(says)}</caption>' if says else ""
    look = "rows" + " kept" * kept + " even" * even
    inside = f"{caption}<thead><tr>{top}</tr></thead><tbody>{''.join(body)}</tbody>"
    return Markup(f'<table class="{look}">{inside}</table>')


def _cell(value: Any) -> Markup:
    inside = text(value)
    return Markup(f"<div>{inside}</div>") if inside else inside


def lines(*parts: Any) -> Markup:
    """Several short texts, one under the other, in one cell."""
    return Markup("<br>".join(text(p) for p in parts if p))


def folded(summary: str, lines_inside: Iterable[Any]) -> Markup:
    """Further lines behind a word that opens by click or key."""
    inside = lines(*lines_inside)
    return Markup(f"<details><summary>{text(summary)}</summary>{inside}</details>") if inside else Markup("")


def line(lead: Any, says: Any = "", inside: Iterable[Any] = ()) -> Markup:
    """What it is about and the one thing to know of it; all else opens below, by click or key."""
    shown = Markup(f"{text(lead)} {text(says)}".strip())
    more = lines(*inside)
    if not more:
        return Markup(f'<div class="plain-line">{shown}</div>')
    return Markup(f"<details><summary>{shown}</summary><div>{more}</div></details>")


def one_by_one(made: Sequence[Markup], most: int = 0) -> Markup:
    """A list of such lines; beyond `most` of them the rest stands behind its number."""
    first, rest = (made[:most], made[most:]) if most and len(made) > most + 1 else (made, ())
    items_of = "".join(f"<li>{one}</li>" for one in first)
    if rest:
        hidden = "".join(f"<li>{one}</li>" for one in rest)
        items_of += (
            f'<li><details class="rest"><summary>Show all {len(made)}</summary><ul class="lines">{hidden}</ul>'
            "</details></li>"
        )
    return Markup(f'<ul class="lines">{items_of}</ul>')


def named(names: Iterable[Any], most: int = 0) -> Markup:
    """Names of which none breaks at its hyphen; beyond `most` of them only how many more."""
    found = [_unbroken(str(name)) for name in dict.fromkeys(names)]
    more = f" and {len(found) - most} more" if most and len(found) > most else ""
    return Markup(", ".join(found[: most or None]) + more)


def _unbroken(name: str) -> Markup:
    return Markup(f'<span class="name">{text(name)}</span>') if len(name) <= SHORT_NAME else text(name)


def counts(rows: Iterable[tuple[str, Any, Any]]) -> Markup:
    """What there is, how many and which, a line each."""
    listed = [f"<li><strong>{text(what)}: {text(n)}.</strong> {text(which)}</li>" for what, n, which in rows]
    return Markup(f'<ul class="counts">{"".join(listed)}</ul>') if listed else Markup("")


def reasons(row: Mapping[str, Any], column: str = "reasons") -> Markup:
    """What made a verdict or state, each with its fix; what is usual folds away behind it, or stands alone."""
    found = words.listed(row[column])
    weighty = [words.with_fix(code, dict(row)) for code in found if code not in words.MINOR_REASONS]
    usual = [sentence(code, dict(row)) for code in found if code in words.MINOR_REASONS]
    if not weighty:
        return lines(*usual)
    return Markup(lines(*weighty) + (folded(words.plural(len(usual), "more remark"), usual) if usual else ""))


def figure(made: Any, says: str, key: str) -> None:
    """A figure with the sentence that replaces it for those who cannot see it."""
    st.plotly_chart(
        charts.in_dark(made) if st.context.theme.type == "dark" else made,
        width="stretch",
        theme=None,
        key=key,
        alt=says,
        config={"displaylogo": False, "displayModeBar": False, "responsive": True, "scrollZoom": False},
    )
