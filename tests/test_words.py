"""Plain words: terms of a private dialect fail, each with the plain one to take in its place.

The words are looked for where people and programmers read: names in code, comments, docstrings, and every sentence
of shared/, schemas/, pipelines/ and dashboard/.
"""

import io
import re
import tokenize
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("shared", "schemas", "pipelines", "dashboard")

#: anywhere: in names, comments and sentences
ANYWHERE = {
    "foretell": "predict",
    "foretold": "predicted",
    "foretelling": "prediction",
    "mend": "fix",
    "mended": "fixed",
    "mending": "fixing",
    "unmended": "open",
    "likeliest": "most likely",
}
#: as a word of a name
IN_NAMES = {
    "told": "what it is: fingerprint, config, first_published, flagged, given …",
    "surprises": "innovations",
    "pull": "information, or influence",
    "behind": "upstream_sources, or what stands there",
    "chill": "expansion_cooling",
    "duty": "breathing_share",
    "lean": "effect_sensitivity, or hypoxic of a mix",
    "barring": "forbids_filling",
}
#: as a whole name
NAMES = {
    "Found": "InboxFile",
    "Due": "PendingFiles",
    "Way": "SettledEstimate",
    "Standing": "FillClearance",
    "bars_filling": "forbids_filling",
}
#: in sentences, comments and docstrings
PHRASES = {
    "found wanting": "failed",
    "own level": "more than usual",
    "counted as breathing": "uncorrected (ideal gas, no temperature)",
    "nine in ten dives": "90th-percentile rate",
    "share below policy": "expected share under reserve",
    "thread was found": "thread failed",
    "under us this": "under US rules",
    "floating and sinking": "weighting and lift",
    "least depth": "minimum depth",
}


def split(name: str) -> set[str]:
    """The words of a name, in small letters: those between underscores, and its humps."""
    return {w.lower() for part in name.split("_") for w in re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", part)}


def names_and_texts(source: str) -> tuple[set[str], list[str]]:
    """The names of a module (also those in the gaps of its texts), and its comments and texts."""
    names, texts = set(), []
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.NAME:
            names.add(token.string)
        elif token.type in (tokenize.COMMENT, tokenize.STRING):
            texts.append(token.string)
            if token.type == tokenize.STRING and "f" in re.match(r"\w*", token.string).group().lower():
                for gap in re.findall(r"\{([^{}]*)\}", token.string):
                    names |= set(re.findall(r"[A-Za-z_]\w*", gap))
    return names, texts


def found_in(source: str) -> list[str]:
    """What a module says in the dialect: the word and the plain one."""
    names, texts = names_and_texts(source)
    said = " ".join(texts).lower()
    words = set(re.findall(r"[a-z]+", said))
    return [
        *(f"{w!r}: say {plain!r}" for w, plain in ANYWHERE.items() if w in words or any(w in split(n) for n in names)),
        *(f"name with {w!r}: {plain}" for w, plain in IN_NAMES.items() if any(w in split(n) for n in names)),
        *(f"name {w!r}: {plain}" for w, plain in NAMES.items() if w in names),
        *(f"{w!r}: say {plain!r}" for w, plain in PHRASES.items() if w in re.sub(r"\s+", " ", said)),
    ]


def modules() -> list[Path]:
    """Those of the product, but for the one that holds old names to rename what bears them."""
    found = (p for package in PACKAGES for p in (ROOT / package).rglob("*.py"))
    return sorted(p for p in found if p.name != "earlier_names.py")


@pytest.mark.parametrize("package", PACKAGES)
def test_code_and_screen_speak_plainly(package):
    said = {
        str(path.relative_to(ROOT)): found
        for path in modules()
        if path.relative_to(ROOT).parts[0] == package and (found := found_in(path.read_text(encoding="utf-8")))
    }
    assert not said


def test_printed_pages_speak_plainly():
    pages = sorted((ROOT / "pipelines").rglob("*.html"))
    assert pages
    for page in pages:
        text = page.read_text(encoding="utf-8").lower()
        assert not [w for w in (*ANYWHERE, *PHRASES) if re.search(rf"\b{w.strip()}\b", text)], page.name


@pytest.mark.parametrize(
    "line",
    [
        "lean_of_effect = 1",
        "told = 1",
        "class Found: ...",
        "# mended by hand",
        '"""Its thread was found faulty."""',
        'f"{x.foretold}"',
    ],
)
def test_the_dialect_would_be_heard(line):
    assert found_in(line + "\n")


@pytest.mark.parametrize("line", ["recommend = 1", "# a clean cylinder", '"Found, and fixed."', "amended = 2"])
def test_plain_words_pass(line):
    assert not found_in(line + "\n")
