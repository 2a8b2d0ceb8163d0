"""What a signature stands for: the certificates that the numbers rest on."""

from beamreduce.record import ResultsFolder
from beamreduce.report.page import Section, render

# Key path of what every campaign rests on, and what it is called.
_ALWAYS = (
    ("detector.pixel_size", "pixel size"),
    ("facility.source_distance", "source distance"),
    ("detector_distance", "detector distances"),
    ("detector_efficiency", "detector efficiency and filters"),
)


def sign_off_section(results: ResultsFolder) -> Section:
    """Return certificates used, and lines for signatures."""
    certificates = dict(results.settings.get("certificates", {}))
    rows = []
    for key, words in _ALWAYS:
        short = key.split(".")[-1]
        text = certificates.pop(key, None) or certificates.pop(short, None)
        rows.append({"words": words, "used": _used(results, key), "text": text})
    rows += [
        {"words": key.replace("_", " "), "used": _used(results, key), "text": text}
        for key, text in certificates.items()
    ]
    content = {"rows": rows, "roles": ("prepared by", "checked by", "approved by")}
    return Section(
        anchor="sign-off", title="Sign-off", body=render("sign_off.html", content)
    )


def _used(results: ResultsFolder, key: str) -> str:
    """Return the value in the settings and its declared uncertainty."""
    table, _, name = key.rpartition(".")
    settings = results.settings
    if table == "detector":
        held = settings.get("detectors", {})
        texts = [
            f"{label}: {one[name]}" if len(held) > 1 else str(one[name])
            for label, one in held.items()
            if name in one
        ]
        text = "; ".join(texts)
    else:
        text = str(settings.get(table, {}).get(name, ""))
    declared = settings.get("uncertainties", {}).get(key)
    if not text:
        return "as in the exposure table" if not table else "–"
    return text if declared is None else f"{text} ± {declared}"
