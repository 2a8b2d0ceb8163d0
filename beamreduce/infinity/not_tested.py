"""What a campaign leaves untested, in plain sentences."""

from collections.abc import Mapping, Sequence

import astropy.units as u
import numpy as np

from beamreduce.campaign import Exposure, Setup
from beamreduce.infinity.exercised import Exercised

_GRAVITY = "gravity"


def not_tested(
    setup: Setup, exposures: Sequence[Exposure], lit: Exercised
) -> tuple[str, ...]:
    """Say what the numbers of a campaign are silent about.

    Parameters
    ----------
    setup
        The campaign's set-up; keys that it does not know may tell the gravity direction.
    exposures
        All exposures; only those with the beam on the mirror count.
    lit
        What the beam lights.
    """
    beam = [row for row in exposures if row.kind == "beam"]
    return (
        _primaries(lit),
        _secondaries(lit),
        _gravity(setup, beam),
        _temperature(beam),
        "'At infinity' is worked out for a star, but for the mirror as it hung on the "
        "ground: release from gravity, launch loads and the environment of flight are "
        "not in it.",
        *_energies(beam),
        *_angles(beam),
        *_blades(setup, beam),
    )


def _primaries(lit: Exercised) -> str:
    unlit = 1 - lit.primary.beam_fraction
    tail = _spread(unlit)
    text = (
        f"{_percent(lit.mean(unlit))} of the length of the primaries{tail} was not lit by "
        f"the diverging beam"
    )
    front, rear = _ends(lit)
    if rear > 0.0005:
        text += f": {_percent(front)} at the front end, {_percent(rear)} at the junction"
    star = 1 - lit.mean(lit.primary.star_fraction)
    return f"{text}; a star leaves {_percent(star)} unlit."


def _ends(lit: Exercised) -> tuple[float, float]:
    """Mean unlit part before and behind the lit stretch of the primaries."""
    stage = lit.primary
    length = np.ptp(stage.ends_mm, axis=1)
    front = (stage.beam_mm[:, 0] - stage.ends_mm[:, 0]) / length
    rear = (stage.ends_mm[:, 1] - stage.beam_mm[:, 1]) / length
    return lit.mean(front), lit.mean(rear)


def _secondaries(lit: Exercised) -> str:
    unlit = 1 - lit.secondary.beam_fraction
    star = 1 - lit.mean(lit.secondary.star_fraction)
    if lit.mean(unlit) < 0.0005:
        return "The secondaries were lit all along by the diverging beam."
    return (
        f"{_percent(lit.mean(unlit))} of the length of the secondaries{_spread(unlit)} was "
        f"not lit by the diverging beam; a star leaves {_percent(star)} unlit."
    )


def _spread(parts: np.ndarray) -> str:
    low, high = _percent(float(parts.min())), _percent(float(parts.max()))
    return "" if low == high else f" ({low} to {high} by nesting)"


def _percent(part: float) -> str:
    return f"{100 * abs(part):.1f} %"


def _gravity(setup: Setup, beam: Sequence[Exposure]) -> str:
    declared = [*_mentions(setup.unknown)]
    for row in beam:
        declared += _mentions(row.unknown)
        if row.comment and _GRAVITY in row.comment.lower():
            declared.append(row.comment.strip())
    told = list(dict.fromkeys(declared))
    if not told:
        return (
            "The direction of gravity on the mirror is not declared: how its figure "
            "changes with it was not tested."
        )
    quoted = "; ".join(f"'{text}'" for text in told)
    return f"Gravity as declared: {quoted}. Other directions were not tested."


def _mentions(unknown: Mapping[str, object]) -> list[str]:
    return [f"{key} = {value}" for key, value in unknown.items() if _GRAVITY in key.lower()]


def _temperature(beam: Sequence[Exposure]) -> str:
    values = [
        float(row.temperature.to_value(u.deg_C, equivalencies=u.temperature()))
        for row in beam
        if row.temperature is not None
    ]
    if not values:
        return (
            "The temperature is not declared: how the mirror depends on it was not tested."
        )
    some = "" if len(values) == len(beam) else f" ({len(values)} of {len(beam)} exposures)"
    return (
        f"The temperature is declared as {_range(values)} deg C{some}; other temperatures, "
        f"and differences of temperature within the mirror, were not tested."
    )


def _energies(beam: Sequence[Exposure]) -> tuple[str, ...]:
    energies = [row.energy.to_value(u.keV) for row in beam if row.energy is not None]
    if not energies:
        return ()
    several = len({f"{energy:.4g}" for energy in energies}) > 1
    others = "Energies between the lines and beyond them" if several else "Other energies"
    return (f"Measured at {_range(energies)} keV. {others} were not measured.",)


def _angles(beam: Sequence[Exposure]) -> tuple[str, ...]:
    angles = {f"{row.off_axis.to_value(u.arcmin):.4g}": row for row in beam}
    off = sorted((float(text) for text in angles if float(text) > 0))
    if not off:
        return ("Off-axis angles were not measured.",)
    listed = ", ".join(f"{angle:g}" for angle in off)
    return (f"Off-axis angles other than {listed} arcmin were not measured.",)


def _blades(setup: Setup, beam: Sequence[Exposure]) -> tuple[str, ...]:
    length = setup.mirror.pre_collimator_length
    if length is None or not length > 0 * u.mm:
        return ()
    without = sum(row.pre_collimator is False for row in beam)
    if without == 0:
        return ()
    return (f"The pre-collimator was not in place in {without} of {len(beam)} exposures.",)


def _range(values: Sequence[float]) -> str:
    low, high = f"{min(values):.4g}", f"{max(values):.4g}"
    return low if low == high else f"{low} to {high}"
