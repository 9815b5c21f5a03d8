"""UDDF files without what is of people who were forgotten: their names, contacts, notes and ids; dives stay."""

import io
from typing import Any

from lxml import etree

from pipelines.intake.forgotten import Forgotten
from pipelines.readers.uddf.walk import local

_SAFE: dict[str, Any] = {
    "resolve_entities": False,
    "no_network": True,
    "load_dtd": False,
    "huge_tree": False,
    "recover": False,
}
#: of an owner or buddy nothing else is read
_KEPT_OF_OWNER = frozenset({"equipment"})
#: where people write of themselves, and what a file holds besides dives; of a site its water is read
_WORDS = frozenset({"notes", "para", "site", "divetrip", "applicationdata", "mediadata", "business", "maker"})
_KEPT_OF_SITE = frozenset({"sitedata"})


class NotReadable(ValueError):
    """The file is no XML that can be read."""


def redact_uddf(data: bytes, theirs: bool, people: Forgotten) -> tuple[bytes, int]:
    """A UDDF file without them, and how many elements that changed.

    Parameters
    ----------
    theirs : the file's dives are of somebody who was forgotten; an owner's own id may say so too

    Raises
    ------
    NotReadable
    """
    try:
        tree = etree.parse(io.BytesIO(data), etree.XMLParser(**_SAFE))
    except (etree.XMLSyntaxError, ValueError) as error:
        raise NotReadable(str(error)) from None
    root, changed = tree.getroot(), 0
    renamed: dict[str, str] = {}
    owners = [e for e in root.iter() if isinstance(e.tag, str) and local(e) == "owner"]
    theirs = theirs or any(
        (o.get("id") and people.reference(o.get("id")) != o.get("id")) or _is_named(o, people) for o in owners
    )
    if theirs:
        for owner in owners:  # the id of a member may be a bare number, which means one in this place alone
            if (identity := owner.get("id")) and (made_up := people.member(identity)):
                renamed[identity] = made_up
    for element in list(root.iter()):
        if not isinstance(element.tag, str):  # a comment or an instruction
            text = people.text(element.text or "")
            if text != (element.text or ""):
                element.text, changed = text, changed + 1
            continue
        name = local(element)
        if (name == "owner" and theirs) or (name in ("owner", "buddy") and _is_named(element, people)):
            for child in list(element):
                if not isinstance(child.tag, str) or local(child) not in _KEPT_OF_OWNER:
                    _take_out(child)
                    changed += 1
        elif name == "serialnumber" and theirs and element.text:
            element.text, changed = None, changed + 1
        elif theirs and name in _WORDS and (element.text or len(element)):
            for child in list(element):
                if not isinstance(child.tag, str) or local(child) not in _KEPT_OF_SITE:
                    _take_out(child)
            element.text, changed = None, changed + 1
        for key, value in element.attrib.items():
            if (made := renamed.get(value) or people.reference(value)) != value:
                element.set(key, made)
                changed += 1
        for part in ("text", "tail"):
            value = getattr(element, part)
            if value and any(c.isalpha() for c in value) and (made := people.text(value)) != value:
                setattr(element, part, made)
                changed += 1
    if not changed:
        return data, 0
    return etree.tostring(tree, encoding="utf-8", xml_declaration=True), changed


def _is_named(person, people: Forgotten) -> bool:
    """Whether the name of an owner or buddy, in its parts, is one of theirs."""
    parts = [
        (e.text or "").strip()
        for e in person.iter()
        if isinstance(e.tag, str) and local(e) in ("firstname", "middlename", "lastname")
    ]
    whole = " ".join(p for p in parts if p)
    short = " ".join([parts[0], parts[-1]]) if len(parts) > 2 else whole
    return bool(whole) and (people.text(whole) != whole or people.text(short) != short)


def _take_out(element) -> None:
    """Remove an element and keep the lines of the file as they are counted."""
    parent, before = element.getparent(), element.getprevious()
    if parent is None:
        return
    tail = element.tail
    parent.remove(element)
    if tail:
        if before is not None:
            before.tail = (before.tail or "") + tail
        else:
            parent.text = (parent.text or "") + tail
