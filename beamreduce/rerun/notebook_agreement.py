"""Two executed notebooks compared, cell by cell: what they say and show, not their bytes.

Sources must be the same but for the places of folders; text outputs are compared as text,
pictures pixel by pixel. Live widgets, which have new names in every run, are compared by
the text and pictures beside them.
"""

import ast
import base64
import io
import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from beamreduce.rerun.finding import DIFFERS, Finding, compare_pictures, compare_texts

_WIDGETS = ("application/vnd.jupyter.widget-view+json",)
_UPWARD = re.compile(r"(?:\.\./)+")
_ADDRESS = re.compile(r"\b0x[0-9a-f]{6,}\b")


def _placeless(text: str) -> str:
    """Return text without how far up a relative path goes, and without addresses."""
    return _ADDRESS.sub("0x", _UPWARD.sub("../", text))


def compare_notebooks(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    """Compare two executed notebooks.

    Parameters
    ----------
    archived, again
        Files.
    name
        As findings call it.
    """
    one, two = (_cells_of(path) for path in (archived, again))
    if len(one) != len(two):
        lengths = [f"{len(cells)} cells" for cells in (one, two)]
        yield Finding(file=name, state=DIFFERS, archived=lengths[0], again=lengths[1])
        return
    for number, cells in enumerate(zip(one, two, strict=True), start=1):
        yield from _cells(*cells, name, f"cell {number}")


def _cells_of(path: Path) -> list[dict]:
    """Return the cells with the places of folders, which may move, taken out of them."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    places = {}
    for cell in cells:
        if "parameters" in cell["metadata"].get("tags", ()):
            for node in ast.parse(_text(cell["source"])).body:
                name = node.targets[0].id
                if name.endswith("_folder"):
                    places[ast.literal_eval(node.value)] = name
    text = _plain(cells)
    for place in sorted(places, key=len, reverse=True):
        text = text.replace(_plain(place)[1:-1], places[place])
    return json.loads(text)


def _plain(content: object) -> str:
    return json.dumps(content, ensure_ascii=False)


def _cells(one: Mapping, two: Mapping, name: str, cell: str) -> Iterator[Finding]:
    sources = [_placeless(_text(side["source"])) for side in (one, two)]
    if sources[0] != sources[1]:
        yield Finding(file=name, item=f"{cell}/source", state=DIFFERS)
        return
    shown = [_joined(side.get("outputs", ())) for side in (one, two)]
    if [kind for kind, _ in shown[0]] != [kind for kind, _ in shown[1]]:
        kinds = [", ".join(kind for kind, _ in side) or "nothing" for side in shown]
        yield Finding(
            file=name, item=cell, state=DIFFERS, archived=kinds[0], again=kinds[1]
        )
        return
    for place, ((kind, a), (_, b)) in enumerate(zip(*shown, strict=True), start=1):
        item = f"{cell}/output {place}"
        if kind == "image/png":
            yield compare_pictures(_picture(a), _picture(b), name, item)
        else:
            yield compare_texts(_placeless(a), _placeless(b), name, item)


def _joined(outputs: list[Mapping]) -> list[tuple[str, str]]:
    """Return (kind, content) of every output; text that came in pieces is one."""
    found: list[tuple[str, str]] = []
    for output in outputs:
        if output["output_type"] == "stream":
            kind, text = output["name"], _text(output["text"])
            if found and found[-1][0] == kind:
                found[-1] = (kind, found[-1][1] + text)
            else:
                found.append((kind, text))
        elif output["output_type"] == "error":
            found.append(("error", f"{output['ename']}: {output['evalue']}"))
        else:
            data = output.get("data", {})
            found += [
                (kind, content if kind == "image/png" else _text(content))
                for kind, content in data.items()
                if kind not in _WIDGETS
            ]
    return found


def _text(content: object) -> str:
    if isinstance(content, list):
        return "".join(content)
    return content if isinstance(content, str) else json.dumps(content, sort_keys=True)


def _picture(content: object) -> np.ndarray:
    from matplotlib.image import imread  # noqa: PLC0415 - slow import

    return imread(io.BytesIO(base64.b64decode(_text(content))), format="png")
