"""Two folders of results compared: every number, curve and image.

What is the same to the last byte is *identical*. A number with an uncertainty may move by a
hundredth of it, since no quoted digit would change; any other number by a millionth of its
size, sixteen times the rounding of the 32-bit images (2⁻²⁴) that numbers are read from; a
column, image or list by a millionth of its largest entry; a number in a drawing or page by
a thousandth, which no reader of it can see. These bounds make *within tolerance*.
"""

import json
import math
import re
import tomllib
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table

from beamreduce.reduction.seal import CHECKSUMS, RUN_LOG, VERSIONS, sealed_files
from beamreduce.rerun.finding import (
    DIFFERS,
    IDENTICAL,
    ONLY_ARCHIVE,
    ONLY_RERUN,
    SHARE_OF_SIZE,
    SHARE_OF_UNCERTAINTY,
    WITHIN,
    Finding,
    compare_pictures,
    compare_texts,
)
from beamreduce.rerun.notebook_agreement import compare_notebooks

# Names of versions, inputs and places: the rerun speaks of each by itself.
_NOT_NUMBERS = {
    "key", "measured_key", "keys", "version", "inputs", "campaign_folder", "maps_folder",
    "before_folder", "after_folder", "results_folder", "br:sha256", "br:datasum", "br:key",
    "agent",
}  # fmt: skip
_BOOKS = ("book.html", "book.pdf")  # show the notebooks, which are compared themselves
_TOLD_APART = (VERSIONS, CHECKSUMS, RUN_LOG, *_BOOKS)
_VERSIONS = re.compile(r"<!-- versions -->.*?<!-- /versions -->", re.DOTALL)
_DIGEST = re.compile(r"\b[0-9a-f]{64}\b")


def compare_results_folders(archive: Path, again: Path) -> tuple[Finding, ...]:
    """Compare every file of two folders.

    Parameters
    ----------
    archive
        As it was kept.
    again
        As it was made now.
    """
    names = [
        {name for name in sealed_files(folder) if Path(name).name not in _TOLD_APART}
        for folder in (archive, again)
    ]
    findings: list[Finding] = []
    for name in sorted(names[0] | names[1]):
        if name not in names[1]:
            findings.append(Finding(file=name, state=ONLY_ARCHIVE))
        elif name not in names[0]:
            findings.append(Finding(file=name, state=ONLY_RERUN))
        else:
            findings += compare_files(archive / name, again / name, name)
    return tuple(findings)


def compare_files(archived: Path, again: Path, name: str) -> list[Finding]:
    """Compare two files; several findings where the file holds several things."""
    if name != "results.json" and archived.read_bytes() == again.read_bytes():
        return [Finding(file=name)]
    compare = _BY_KIND.get(archived.suffix, _texts)
    if name == "provenance.json":
        compare = _stories
    try:
        found = list(compare(archived, again, name))
    except (OSError, ValueError, KeyError, TypeError, IndexError) as error:
        words = " ".join(str(error).split())[:120]
        return [Finding(file=name, state=DIFFERS, archived=f"cannot be read: {words}")]
    return found or [Finding(file=name)]


def _json(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    one, two = (json.loads(path.read_text(encoding="utf-8")) for path in (archived, again))
    yield from _values(one, two, name)


def _stories(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    """Compare which steps used and made what; checksums and versions are told apart."""
    relations = []
    for path in (archived, again):
        document = json.loads(path.read_text(encoding="utf-8"))
        relations.append(
            {
                (kind, one["prov:activity"], one["prov:entity"])
                for kind in ("used", "wasGeneratedBy")
                for one in document.get(kind, {}).values()
            }
        )
    lost, more = relations[0] - relations[1], relations[1] - relations[0]
    yield Finding(
        file=name,
        state=DIFFERS if lost or more else IDENTICAL,
        archived=f"{len(lost)} relations of its own",
        again=f"{len(more)} relations of its own",
    )


def _toml(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    one, two = (
        tomllib.loads(path.read_text(encoding="utf-8")) for path in (archived, again)
    )
    yield from _values(one, two, name)


def _values(one: object, two: object, file: str, at: str = "") -> Iterator[Finding]:
    """Compare nested values; quantities with uncertainties are one thing."""
    if _is_quantity(one) and _is_quantity(two):
        yield _quantity(one, two, file, at)
    elif isinstance(one, dict) and isinstance(two, dict):
        for key in [*one, *(k for k in two if k not in one)]:
            where = f"{at}/{key}" if at else key
            if key in _NOT_NUMBERS:
                continue
            if key not in two or key not in one:
                state = ONLY_ARCHIVE if key in one else ONLY_RERUN
                yield Finding(file=file, item=where, state=state)
            else:
                yield from _values(one[key], two[key], file, where)
    elif _has_names(one) and _has_names(two):
        named = [{str(entry["id"]): entry for entry in side} for side in (one, two)]
        yield from _values(*named, file, "" if at == "measurements" else at)
    elif isinstance(one, list) and isinstance(two, list) and len(one) == len(two):
        for index, pair in enumerate(zip(one, two, strict=True)):
            yield from _values(*pair, file, f"{at}[{index}]")
    else:
        yield _plain(one, two, file, at)


def _has_names(value: object) -> bool:
    return (
        bool(value)
        and isinstance(value, list)
        and all(isinstance(entry, dict) and "id" in entry for entry in value)
    )


def _is_quantity(value: object) -> bool:
    return isinstance(value, Mapping) and {"value", "uncertainty"} <= set(value)


def _quantity(one: Mapping, two: Mapping, file: str, at: str) -> Finding:
    sigma = one["uncertainty"]
    delta = two["value"] - one["value"]
    bound = SHARE_OF_UNCERTAINTY * sigma
    parts = [key for key in one if key != "value" and key in two]
    # An uncertainty is itself a number: one that moves by 1 % moves no quoted digit of it.
    near = all(abs(two[k] - one[k]) <= bound for k in parts) and abs(delta) <= bound
    same = dict(one) == dict(two)
    sigmas = None
    if not same:
        sigmas = abs(delta) / sigma if sigma else (0.0 if delta == 0 else math.inf)
    return Finding(
        file=file,
        item=at,
        state=IDENTICAL if same else WITHIN if near else DIFFERS,
        archived=f"{one['value']:.9g} ± {one['uncertainty']:.3g}",
        again=f"{two['value']:.9g} ± {two['uncertainty']:.3g}",
        sigmas=sigmas,
        tolerance="" if same else f"{SHARE_OF_UNCERTAINTY:g} of the uncertainty",
    )


def _plain(one: object, two: object, file: str, at: str) -> Finding:
    same = one == two and type(one) is type(two)
    numbers = all(
        isinstance(x, int | float) and not isinstance(x, bool) for x in (one, two)
    )
    near = numbers and abs(one - two) <= SHARE_OF_SIZE * max(abs(one), abs(two))
    return Finding(
        file=file,
        item=at,
        state=IDENTICAL if same else WITHIN if near else DIFFERS,
        archived=_short(one),
        again=_short(two),
        tolerance=f"{SHARE_OF_SIZE:g} of the number" if numbers and not same else "",
    )


def _short(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, default=str)[:60]


def _tables(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    one, two = (Table.read(path, format="ascii.ecsv") for path in (archived, again))
    if len(one) != len(two):
        lengths = [f"{len(table)} rows" for table in (one, two)]
        yield Finding(file=name, state=DIFFERS, archived=lengths[0], again=lengths[1])
        return
    for column in dict.fromkeys((*one.colnames, *two.colnames)):
        if column not in one.colnames or column not in two.colnames:
            state = ONLY_ARCHIVE if column in one.colnames else ONLY_RERUN
            yield Finding(file=name, item=column, state=state)
            continue
        yield _arrays(one[column], two[column], name, column)


def _images(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with fits.open(archived) as one, fits.open(again) as two:
            if len(one) != len(two):
                counts = [f"{len(side)} units" for side in (one, two)]
                yield Finding(file=name, state=DIFFERS, archived=counts[0], again=counts[1])
                return
            for number, (a, b) in enumerate(zip(one, two, strict=True)):
                yield from _units(a, b, name, a.name or str(number))


def _units(a: object, b: object, name: str, unit: str) -> Iterator[Finding]:
    if a.data is None or b.data is None:
        yield Finding(
            file=name, item=unit, state=IDENTICAL if a.data is b.data else DIFFERS
        )
    elif a.data.dtype.names:
        for column in a.data.dtype.names:
            yield _arrays(a.data[column], b.data[column], name, f"{unit}/{column}")
    else:
        yield _arrays(a.data, b.data, name, unit)


def _arrays(one: object, two: object, file: str, item: str) -> Finding:
    a, b = np.ma.asarray(one), np.ma.asarray(two)
    masks = np.ma.getmaskarray(a), np.ma.getmaskarray(b)
    if a.shape != b.shape or not np.array_equal(*masks):
        return Finding(
            file=file,
            item=item,
            state=DIFFERS,
            archived=f"{a.shape} with {masks[0].sum()} absent",
            again=f"{b.shape} with {masks[1].sum()} absent",
        )
    a, b = a[~masks[0]].data, b[~masks[1]].data
    numbers = a.dtype.kind in "fiu" and b.dtype.kind in "fiu"
    if np.array_equal(a, b, equal_nan=a.dtype.kind == "f"):
        return Finding(file=file, item=item)
    if not numbers:
        return Finding(file=file, item=item, state=DIFFERS)
    delta = np.abs(a.astype(float) - b.astype(float))
    largest = float(np.nanmax(np.abs(a), initial=0.0))
    worst = float(np.nanmax(delta))
    near = not np.isnan(delta).any() and worst <= SHARE_OF_SIZE * largest
    return Finding(
        file=file,
        item=item,
        state=WITHIN if near else DIFFERS,
        archived=f"{np.count_nonzero(delta)} of {delta.size} entries",
        again=f"by at most {worst:.3g}",
        tolerance=f"{SHARE_OF_SIZE:g} of the largest entry",
    )


def _texts(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    one, two = (path.read_text(encoding="utf-8") for path in (archived, again))
    # Inputs and versions are told apart.
    one, two = (_VERSIONS.sub("", _DIGEST.sub("", text)) for text in (one, two))
    yield compare_texts(one, two, name)


def _pictures(archived: Path, again: Path, name: str) -> Iterator[Finding]:
    from matplotlib.image import imread  # noqa: PLC0415 - slow import

    one, two = (imread(path) for path in (archived, again))
    yield compare_pictures(one, two, name)


_BY_KIND: Mapping[str, Callable[[Path, Path, str], Iterator[Finding]]] = {
    ".json": _json,
    ".toml": _toml,
    ".ecsv": _tables,
    ".fits": _images,
    ".png": _pictures,
    ".ipynb": compare_notebooks,
}


def counted(findings: Sequence[Finding]) -> dict[str, int]:
    """Return how many findings there are of each state."""
    counts = dict.fromkeys((IDENTICAL, WITHIN, DIFFERS, ONLY_ARCHIVE, ONLY_RERUN), 0)
    for finding in findings:
        counts[finding.state] += 1
    return counts
