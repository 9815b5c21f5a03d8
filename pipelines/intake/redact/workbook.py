"""Workbooks without what is of people who were forgotten. Only the cells of theirs change; the rest of it stays."""

import io
import re
import zipfile
from collections.abc import Mapping as AnyMapping
from pathlib import Path, PurePosixPath
from typing import Any

from lxml import etree

from pipelines.intake.file_layout import FileLayout
from pipelines.intake.forgotten import Forgotten
from pipelines.intake.redact.cells import Columns, changed_rows, columns
from pipelines.readers.tables.sheet import Refused
from pipelines.readers.tables.workbook import weigh

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_REL = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_SAFE: dict[str, Any] = {"resolve_entities": False, "no_network": True, "load_dtd": False, "huge_tree": False}
#: of a header or footer (ISO/IEC 29500-1, from memory): left, centre, right, a font, a size, a colour, a field
_CODE = re.compile(r'(&(?:"[^"]*"|K[0-9A-Fa-f+-]{5,8}|\d{1,3}|.))')
_PLACE = re.compile(r"([A-Z]{1,3})\d+")
#: who wrote the workbook last, and what else says nothing of its rows
_ABOUT = frozenset({"creator", "lastModifiedBy", "manager", "company", "subject", "description", "keywords", "title"})


_NO_TEXT = {
    "vbaproject": "macros",
    "/embeddings/": "embedded files",
    "/media/": "pictures",
    "thumbnail.": "pictures",
    "/activex/": "controls",
}


class NotReadable(ValueError):
    """The file is no workbook that can be read."""


def redact_workbook(
    path: Path, layout: FileLayout, folder: str | None, people: Forgotten, files: AnyMapping[str, str]
) -> tuple[bytes, int]:
    """A workbook without them, and how many rows and other places that changed.

    Raises
    ------
    NotReadable
    """
    data = path.read_bytes()
    try:
        weigh(path)
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            parts = {entry.filename: book.read(entry) for entry in book.infolist()}
            entries = book.infolist()
        made, changed = _parts(parts, layout, folder, people, files)
    except (Refused, zipfile.BadZipFile, etree.XMLSyntaxError, KeyError, ValueError, IndexError, OSError) as error:
        raise NotReadable(f"{type(error).__name__}: {error}") from None
    if not changed:
        return data, 0
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        for entry in entries:
            kept = zipfile.ZipInfo(entry.filename, entry.date_time)
            kept.compress_type = zipfile.ZIP_DEFLATED
            book.writestr(kept, made[entry.filename])
    return out.getvalue(), changed


def not_looked_into(data: bytes, people: Forgotten) -> tuple[str, ...]:
    """Kinds of parts of a workbook that are no text of its sheets: what stands in them nobody but a person can say."""
    found = set()
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        for name in book.namelist():
            kind = next((said for part, said in _NO_TEXT.items() if part in name.casefold()), None)
            if kind:
                found.add(kind)
            elif not name.endswith((".xml", ".vml", ".rels", "/")):
                part = book.read(name)
                texts = (part.decode("utf-8", "ignore"), part[: len(part) // 2 * 2].decode("utf-16-le", "ignore"))
                if any(people.text(text) != text for text in texts):
                    found.add(f"the part {PurePosixPath(name).name}")
    return tuple(sorted(found))


def _parts(
    parts: dict[str, bytes], layout: FileLayout, folder: str | None, people: Forgotten, files: AnyMapping[str, str]
) -> tuple[dict[str, bytes], int]:
    made, changed = dict(parts), 0
    shared = _Shared(parts.get("xl/sharedStrings.xml"))
    read = _sheet_read(parts, layout)
    for name in [n for n in parts if n.startswith("xl/worksheets/") and n.endswith(".xml")]:
        tree = etree.fromstring(parts[name], etree.XMLParser(**_SAFE))
        rows = _sheet(tree, shared, layout if name == read or read is None else FileLayout(), folder, people, files)
        shared.count(tree)
        if rows:
            made[name], changed = _text_of(tree), changed + rows
    if gone := shared.without_unused(people, changed > 0):
        made["xl/sharedStrings.xml"], changed = gone, changed + 1
    for name in parts:
        if not name.endswith((".xml", ".vml", ".rels")) or name.startswith(("xl/worksheets/sheet", "xl/sharedStrings")):
            continue
        tree = etree.fromstring(parts[name], etree.XMLParser(**_SAFE))
        if places := _words(tree, people, about=name.startswith("docProps/")):
            made[name], changed = _text_of(tree), changed + places
    return made, changed


def _text_of(tree) -> bytes:
    return etree.tostring(tree, encoding="UTF-8", xml_declaration=True, standalone=True)


def _sheet_read(parts: dict[str, bytes], layout: FileLayout) -> str | None:
    """The part of the sheet that is read: the one the layout names, else the first; None where that is not known."""
    book = etree.fromstring(parts["xl/workbook.xml"], etree.XMLParser(**_SAFE))
    rels = etree.fromstring(parts["xl/_rels/workbook.xml.rels"], etree.XMLParser(**_SAFE))
    target = {r.get("Id"): r.get("Target") or "" for r in rels}
    wanted = layout.mapping.sheet if layout.mapping else ""
    sheets = [s for s in book.iter(f"{_MAIN}sheet") if not wanted or s.get("name") == wanted]
    if not sheets:
        return None
    path = target.get(sheets[0].get(_REL), "")
    return path.lstrip("/") if path.startswith("/") else PurePosixPath("xl", path).as_posix()


class _Shared:
    """The texts that cells share; one that no cell shows any more is emptied, else it would stay in the file."""

    def __init__(self, part: bytes | None):
        self.tree = etree.fromstring(part, etree.XMLParser(**_SAFE)) if part else None
        self.items = [] if self.tree is None else self.tree.findall(f"{_MAIN}si")
        self.texts = ["".join(t.text or "" for t in si.iter(f"{_MAIN}t")) for si in self.items]
        self.used: set[int] = set()

    def count(self, sheet) -> None:
        for cell in sheet.iter(f"{_MAIN}c"):
            if cell.get("t") == "s" and (v := cell.find(f"{_MAIN}v")) is not None:
                self.used.add(int(v.text or 0))

    def without_unused(self, people: Forgotten, any_cell: bool) -> bytes | None:
        """The part without texts that no cell shows, if cells have changed or one is theirs; None: as it was."""
        changed = False
        for n, (si, text) in enumerate(zip(self.items, self.texts, strict=True)):
            if n in self.used or not (text and (any_cell or people.text(text) != text)):
                continue
            for child in list(si):
                si.remove(child)
            etree.SubElement(si, f"{_MAIN}t").text = ""
            changed = True
        return _text_of(self.tree) if changed else None


def _sheet(
    tree, shared: _Shared, layout: FileLayout, folder: str | None, people: Forgotten, files: AnyMapping[str, str]
) -> int:
    """Change a sheet's cells in place; gives how many rows changed."""
    rows = [r for r in tree.iter(f"{_MAIN}row") if any(_value(c, shared) for c in r.iter(f"{_MAIN}c"))]
    first = layout.mapping.header_row if layout.mapping else 1
    top = next((n for n, r in enumerate(rows) if int(r.get("r") or n + 1) >= first), len(rows))
    changed = 0
    for row in rows[: top + 1] if layout.source else []:
        changed += _put(row, shared, [people.text(v) for v in _values(row, shared, 0)])
    if top >= len(rows):
        return changed
    headers = _values(rows[top], shared, 0)
    while headers and not headers[-1].strip():
        headers.pop()
    known = columns(headers, layout, folder) if layout.source else Columns(None, (None,) * len(headers))
    body = rows[top + 1 :] if layout.source else rows
    for n, made in changed_rows([_values(r, shared, len(headers)) for r in body], known, people, files):
        changed += _put(body[n], shared, made)
    for formula in tree.iter(f"{_MAIN}f"):
        if formula.text and (text := people.text(formula.text)) != formula.text:
            formula.text, changed = text, changed + 1
    for part in tree:
        if part.tag != f"{_MAIN}sheetData":
            changed += _printed(part, people) if part.tag == f"{_MAIN}headerFooter" else _words(part, people)
    return changed


def _printed(header_footer, people: Forgotten) -> int:
    """Headers and footers of a printed sheet without them; codes between the words say where and how they stand."""
    changed = 0
    for line in header_footer:
        made = "".join(said if n % 2 else people.text(said) for n, said in enumerate(_CODE.split(line.text or "")))
        if made != (line.text or ""):
            line.text, changed = made, changed + 1
    return changed


def _number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def _column(cell, before: int) -> int:
    place = _PLACE.match(cell.get("r") or "")
    return _number(place[1]) if place else before + 1


def _value(cell, shared: _Shared) -> str:
    kind = cell.get("t")
    if kind == "inlineStr":
        return "".join(t.text or "" for t in cell.iter(f"{_MAIN}t"))
    v = cell.find(f"{_MAIN}v")
    text = "" if v is None else v.text or ""
    if kind == "s":
        return shared.texts[int(text)] if text else ""
    return text[:-2] if kind in (None, "n") and text.endswith(".0") else text


def _values(row, shared: _Shared, width: int) -> list[str]:
    made: list[str] = []
    for cell in row.iter(f"{_MAIN}c"):
        at = _column(cell, len(made))
        made += [""] * (at - 1 - len(made))
        made.append(_value(cell, shared))
    return made + [""] * (width - len(made))


def _put(row, shared: _Shared, made: list[str]) -> int:
    """Write the changed cells of a row; 1 if any is."""
    before = _values(row, shared, len(made))
    cells, at = {}, 0
    for cell in row.iter(f"{_MAIN}c"):
        at = _column(cell, at)
        cells[at] = cell
    changed = 0
    for n, (old, new) in enumerate(zip(before, made, strict=True), 1):
        if old == new or n not in cells:
            continue
        cell = cells[n]
        for child in list(cell):
            cell.remove(child)
        cell.attrib.pop("t", None)
        if new:
            cell.set("t", "inlineStr")
            etree.SubElement(etree.SubElement(cell, f"{_MAIN}is"), f"{_MAIN}t").text = new
        changed = 1
    return changed


def _words(tree, people: Forgotten, *, about: bool = False) -> int:
    """Texts and attributes of a part without them; in place."""
    changed = 0
    for element in tree.iter():
        if not isinstance(element.tag, str):
            continue
        name = etree.QName(element).localname
        if about and name in _ABOUT and element.text and people.text(element.text) != element.text:
            element.text, changed = "", changed + 1
        for part in ("text", "tail"):
            text = getattr(element, part)
            if text and (made := people.text(text)) != text:
                setattr(element, part, made)
                changed += 1
        for key, value in element.attrib.items():
            if (made := people.text(value)) != value:
                element.set(key, made)
                changed += 1
    return changed
