"""What a reader must know before taking a number from a measurement."""

from collections.abc import Sequence

from beamreduce.report.stored_words import Stored

QUOTED = {
    "hpd_measured_arcsec": "HPD measured",
    "w90_measured_arcsec": "W90 measured",
    "hpd_infinity_arcsec": "HPD at infinity",
    "w90_infinity_arcsec": "W90 at infinity",
    "effective_area_measured_cm2": "area measured",
    "effective_area_infinity_cm2": "area at infinity",
}
# Notes under these keys change how a number may be used; all others are in the notes.
_TELLING = (
    "detector_edge",
    "fit",
    "hpd_measured_arcsec",
    "w90_measured_arcsec",
    "hpd_infinity_arcsec",
    "model_share",
    "primary_exercised_fraction",
    "saturated_fraction",
)


def flags(m: Stored) -> tuple[str, ...]:
    """Return sentences about a measurement: what is missing, refused or mostly model."""
    notes, fit = m["notes"], m["fit"]
    found = []
    told = set()
    for key, words in QUOTED.items():
        if m[key] is None:
            reason = notes.get(key, "no reason is recorded")
            found.append((reason, words))
            told.add(key)
    sentences = []
    for reason in dict.fromkeys(reason for reason, _ in found):
        words = [name for why, name in found if why == reason]
        sentences.append(f"No {', '.join(words)}: {reason}.")
    if fit is not None and not fit["accepted"]:
        sentences.append(
            f"No mixture of slope errors describes the rings: chi-square "
            f"{fit['chi_square']:.0f} for {fit['degrees_of_freedom']} degrees of freedom."
        )
    for key in _TELLING:
        if key in notes and key not in told:
            text = str(notes[key])
            sentences.append(f"{text[:1].upper()}{text[1:].rstrip('.')}.")
    return tuple(sentences)


def flagged(measurements: Sequence[Stored]) -> list[tuple[str, list[str]]]:
    """Return each sentence once, with the measurements that it is about."""
    about: dict[str, list[str]] = {}
    for m in measurements:
        for sentence in flags(m):
            about.setdefault(sentence, []).append(str(m["id"]))
    return list(about.items())


def severe(m: Stored) -> bool:
    """True where a diameter is missing or a fit is refused, not merely qualified."""
    fit = m["fit"]
    diameters = ("hpd_measured_arcsec", "hpd_infinity_arcsec")
    refused = fit is not None and not fit["accepted"]
    return refused or any(m[key] is None for key in diameters)
