"""``report.html`` of a comparison: one page that opens without a network."""

from base64 import b64encode
from pathlib import Path

from jinja2 import Environment
from markupsafe import Markup

from beamreduce.before_after import Comparison, Judged, needs_text
from beamreduce.figures import rounded
from beamreduce.record import software_versions
from beamreduce.reduction.comparison_files import FOREST, curve_name, words_of

_HEADLINES = {
    "unchanged": "Unchanged: every quantity that was compared is within its margin",
    "changed": "Changed",
    "undecided": "Cannot tell yet: nothing is shown to have changed, and not everything is "
    "shown to be within its margin",
}
_BODY = """
<p class="verdict {{ verdict }}">{{ headline }}</p>
<p>{{ before.name }} → {{ after.name }}.
{{ counts }}</p>
{% for note in notes %}<p class="note">{{ note }}</p>
{% endfor %}
<figure>{{ forest }}<figcaption>Every difference (after less before) in units of its margin.
A bar inside the grey band shows, of that quantity alone, a change within the margin.
</figcaption></figure>
<table><thead><tr><th>measurement</th><th>quantity</th><th>before</th><th>after</th>
<th>after − before</th><th>margin</th><th>verdict</th></tr></thead><tbody>
{% for row in rows %}<tr class="{{ row.verdict }}"><td>{{ row.id }}</td>
<td>{{ row.words }}</td><td>{{ row.before }}</td><td>{{ row.after }}</td>
<td>{{ row.difference }}</td><td>{{ row.margin }}</td><td>{{ row.sentence }}</td></tr>
{% endfor %}</tbody></table>
<h2>Encircled energy at all radii</h2>
{% for curve in curves %}<figure>{{ curve.picture }}
<figcaption>{{ curve.caption }}</figcaption></figure>
{% else %}<p>No curves could be compared; the reasons are below.</p>
{% endfor %}
{% if left_out %}<h2>Not compared</h2>
<table><thead><tr><th>what</th><th>measurements</th><th>why</th></tr></thead><tbody>
{% for row in left_out %}<tr><td>{{ row.what }}</td><td>{{ row.ids }}</td>
<td>{{ row.reason }}</td></tr>
{% endfor %}</tbody></table>{% endif %}
<h2>What the words mean</h2>
<p><b>unchanged</b>: shown to have changed by less than the margin. <b>changed</b>: shown to
have changed, and not shown to be within the margin. <b>cannot tell</b>: neither is shown.
Both kinds of claims hold with {{ confidence }} for all {{ count }} quantities together,
whatever their correlation: that anything is called changed though nothing changed, or
unchanged though it changed by its margin, has a chance of at most {{ risk }}. Photons that
are still needed are for a chance of {{ power }} to be sure, if the difference is the one
seen; beam-off exposures grow with them.</p>
<p>Taken as common to both runs, so that it cancels: {{ common }}. All else is taken as each
run's own, counting above all. What is <i>common</i> is an assumption: it holds for what was
not touched between the runs.</p>
<p>Quadrants are placed against the mean of all that were measured: of four, one that moved
alone by d shows as ¾ d, and the others as −¼ d each.</p>
<p class="caution">Numbers here may lead to hands-on work. Follow the facility's
radiation-safety officer and local codes; leave moves of hardware to qualified staff, with
the beam off.</p>
"""
_SHELL = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{{ title }}</title><style>
body{font:15px/1.45 sans-serif;max-width:72em;margin:2em auto;padding:0 1em;color:#111}
table{border-collapse:collapse;font-size:13px}td,th{border-bottom:1px solid #ccc;
padding:3px 8px;text-align:left;vertical-align:top}figure{margin:1em 0}
svg,img{max-width:100%;height:auto}figcaption{color:#333;font-size:13px;max-width:60em}
.verdict{font-size:20px;font-weight:bold;padding:.5em .8em;border-left:8px solid #2f9ec0}
p.unchanged{border-color:#1b3a8c}p.changed{border-color:#b0490f}
tr.changed td:last-child{color:#b0490f;font-weight:bold}
.note,.caution{border-left:4px solid #999;padding-left:.8em}
</style></head><body><h1>{{ title }}</h1>{{ body }}
<p>beamreduce {{ version }}</p></body></html>
"""


def comparison_html(folder: Path, comparison: Comparison) -> str:
    """Return the whole page; figures are read from the folder, where they are drawn."""
    page = Environment(autoescape=True)
    body = page.from_string(_BODY).render(**_content(folder, comparison, page))
    return page.from_string(_SHELL).render(
        title="Before and after",
        body=_safe(body),
        version=software_versions()["beamreduce"],
    )


def _content(folder: Path, comparison: Comparison, page: Environment) -> dict[str, object]:
    assurance = comparison.settings.assurance
    words = [one.verdict for one in comparison.judged]
    common = {name for one in comparison.judged for name in one.finding.difference.common}
    names = [
        {"name": run.campaign or run.folder.name}
        for run in (comparison.before, comparison.after)
    ]
    return {
        "verdict": comparison.verdict,
        "headline": headline(comparison),
        "before": names[0],
        "after": names[1],
        "counts": ", ".join(
            f"{words.count(word)} {word}" for word in ("unchanged", "changed", "undecided")
        )
        + ".",
        "notes": comparison.notes,
        "forest": _picture(folder, FOREST),
        "rows": [_row(one) for one in comparison.judged],
        "curves": [
            {
                "picture": _picture(folder, curve_name(curve)),
                "caption": f"{curve.id}: {words_of(curve.key).split(',')[0]}; 1 at "
                f"{curve.reference_arcsec:.4g} arcsec.",
            }
            for curve in comparison.curves
        ],
        "left_out": _left_out(comparison),
        "confidence": f"{assurance.confidence:.3g}",
        "risk": f"{assurance.risk:.2g}",
        "power": f"{assurance.power:.2g}",
        "count": len(words),
        "common": ", ".join(sorted(common)) or "nothing",
    }


def headline(comparison: Comparison) -> str:
    """Return the one sentence that the page opens with."""
    if not comparison.judged:
        return "Cannot tell: nothing could be compared; the reasons are below"
    text = _HEADLINES[comparison.verdict]
    changed = [one for one in comparison.judged if one.verdict == "changed"]
    if not changed:
        return text
    largest = max(changed, key=_in_margins)
    finding = largest.finding
    return (
        f"{text}: {len(changed)} of {len(comparison.judged)} quantities, most of all "
        f"{words_of(finding.key)} of {finding.id}, {largest.sentence}"
    )


def _in_margins(one: Judged) -> float:
    return abs(one.finding.difference.quantity.value) / one.finding.margin


def _row(one: Judged) -> dict[str, str]:
    finding = one.finding
    unit = f" {finding.unit}" if finding.unit else ""
    where = "" if finding.at_arcsec is None else f" ({finding.at_arcsec:.3g} arcsec)"
    sentence = one.sentence
    if one.verdict == "undecided":
        sentence = f"cannot tell: {needs_text(one.needs)}"
    return {
        "id": finding.id,
        "words": words_of(finding.key) + where,
        "before": rounded(finding.before),
        "after": rounded(finding.after),
        "difference": rounded(finding.difference.quantity) + unit,
        "margin": f"{finding.margin:.3g}{unit}",
        "verdict": one.verdict,
        "sentence": sentence,
    }


def _left_out(comparison: Comparison) -> list[dict[str, str]]:
    """Reasons, each once, with all that it holds for."""
    grouped: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
    for left in comparison.left_out:
        keys, ids = grouped.setdefault(left.reason, ({}, {}))
        keys[words_of(left.key) if left.key else "everything"] = None
        ids[left.id] = None
    return [
        {"what": ", ".join(keys), "ids": ", ".join(i for i in ids if i), "reason": reason}
        for reason, (keys, ids) in grouped.items()
    ]


def _picture(folder: Path, name: str) -> str:
    """Return a figure as part of the page; nothing where figures were not drawn."""
    path = folder / f"{name}.png"
    if not path.is_file():
        return ""
    data = b64encode(path.read_bytes()).decode()
    return _safe(f'<img alt="{name}" src="data:image/png;base64,{data}">')


def _safe(text: str) -> Markup:
    return Markup(text)  # made here, not by users
