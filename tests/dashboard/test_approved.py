"""What every page says and draws of the made-up station, as somebody has read and approved it.

A change of a sentence, a figure or what is shown to whom fails here until the new text has been read:
`COLDFILL_APPROVE=1 pytest tests/dashboard/test_approved.py` writes it, and git shows the difference.
"""

import base64
import html
import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
from made_up import ME, NOW
from test_pages import run

from dashboard import entry_door

APPROVED = Path(__file__).parent / "approved"
PAGES = {
    "filling": ("filling", "alone", {}),
    "filling-T12-1": ("filling", "alone", {"unit": "T12-1"}),
    "filling-A11-2-day": (
        "filling",
        "operator",
        {"unit": "A11-2", "filling_part": "day", "one_fill_2031-06-30": "f023"},
    ),
    "filling-S10-4-advice": ("filling", "operator", {"unit": "S10-4", "filling_part": "advice"}),
    "filling-T12-1-advice": ("filling", "alone", {"unit": "T12-1", "filling_part": "advice"}),
    "filling-season": ("filling", "manager", {"filling_part": "season"}),
    "filling-phone": ("filling", "local_network", {"unit": "T12-1", "filling_part": "day"}),
    "fleet-state": ("fleet", "manager", {"fleet_part": "state"}),
    "fleet-phone": ("fleet", "local_network", {"fleet_part": "state"}),
    "fleet-leaks": ("fleet", "operator", {"fleet_part": "leaks"}),
    "fleet-plan": ("fleet", "alone", {"fleet_part": "plan"}),
    "fleet-life": ("fleet", "alone", {"fleet_part": "life", "cylinder": "A11-2"}),
    "divers": ("divers", "manager", {}),
    "divers-one": ("divers", "manager", {"divers_part": "one"}),
    "season": ("season", "diver", {}),
    "season-dives": ("season", "diver", {"season_part": "dives"}),
    "season-one": ("season", "diver", {"season_part": "one"}),
    "season-cylinders": ("season", "diver", {"season_part": "cylinders"}),
    "season-kit": ("season", "diver", {"season_part": "kit"}),
    "air": ("air", "operator", {}),
    "inbox": ("inbox", "manager", {}),
}


def plain(text: str) -> str:
    """The words of a piece of a page, a line a block; drawings by the text in them."""
    text = re.sub(r"<style.*?</style>|<title>.*?</title>", "", text, flags=re.S)
    text = re.sub(r"</(p|div|li|h\d|tr|dt|dd|summary|section|figcaption|td|th)>|<br/?>", "\n", text)
    lines = (re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", "", line))).strip() for line in text.splitlines())
    return "\n".join(line for line in lines if line)


def rounded(value):
    """Numbers to four digits: the rest may differ from one processor to another."""
    if isinstance(value, dict) and "bdata" in value:
        value = np.frombuffer(base64.b64decode(value["bdata"]), value["dtype"]).tolist()
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items() if k not in ("template", "uid", "hovertemplate")}
    if isinstance(value, list):
        return [rounded(v) for v in value]
    return float(f"{value:.4g}") if isinstance(value, float) else value


def drawn(spec: str) -> list[str]:
    """Of each trace what it is called, how it is marked, and its values."""
    figure = json.loads(spec)
    axes = [figure["layout"].get(a, {}).get("title", {}).get("text", "") for a in ("xaxis", "yaxis")]
    lines = [f"FIGURE {' / '.join(axes)}", *(str(a.get("text")) for a in figure["layout"].get("annotations", []))]
    for trace in figure["data"]:
        kept = {k: v for k, v in trace.items() if k in ("name", "type", "x", "y", "base", "error_x", "error_y", "text")}
        mark = {k: trace.get("marker", {}).get(k) for k in ("symbol", "color", "pattern")}
        lines.append(json.dumps(rounded(kept | {"marker": mark}), sort_keys=True)[:4000])
    return lines


def read(test) -> str:
    """All that stands on a page, in its order by kind of element."""
    said = [plain(element.proto.body) for element in test.get("html")]
    asked = [
        f"ASKED {w.label}: {getattr(w, 'value', '')}" for kind in ("selectbox", "text_input") for w in test.get(kind)
    ]
    figures = [line for chart in test.get("plotly_chart") for line in drawn(chart.proto.spec)]
    return "\n".join([*said, *asked, *figures]) + "\n"


@pytest.mark.parametrize("name", PAGES)
def test_a_page_says_what_was_approved(published, monkeypatch, name):
    monkeypatch.setattr(entry_door, "now", lambda: NOW)  # forms begin with the day it is
    page, role, state = PAGES[name]
    text = read(run(published, page, role, ME if role == "diver" else None, **state))
    path = APPROVED / f"{name}.txt"
    if os.environ.get("COLDFILL_APPROVE"):
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")
