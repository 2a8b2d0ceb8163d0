"""Numbers that are each allowed, but cannot be true together."""

import astropy.units as u

from beamreduce.beamline import electrons_per_photon, image_distance, line_width
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.flux_checks import check_flux
from beamreduce.campaign.paths import EXPOSURE_FILE, SETUP_FILE
from beamreduce.campaign.setup_file import DEFAULT_DETECTOR, Setup
from beamreduce.errors import Problem, SettingsError
from beamreduce.mirror.optical_constants import (
    DEFAULT_DENSITIES,
    DEFAULT_TABLE,
    OPTICAL_TABLES,
    coating_density,
    energy_range_kev,
)

# A focus series reaches some per cent to both sides; beyond a tenth the number is more
# often a slip (counted from the source, another unit) than a plan, beyond a factor of
# two it always is.
_FAR = 0.1
_TOO_FAR = 2.0
# Every table has every element there; libraries of tables are slow to load.
_IN_EVERY_TABLE_KEV = 0.03, 30.0
# tan 4α = r/f: above this ratio the primary is hit at more than 2.8 degrees.
_STEEP = 0.2


def check_together(setup: Setup, exposures: list[Exposure]) -> list[Problem]:
    """Return what does not fit together among settings and exposures.

    Source nearer than four focal lengths (warning) or than one (error), detector far
    from where the image is, a mirror that is not grazing, a layer without optical constants
    (warning), readouts of a detector that does not count (warning), an energy beyond the
    tables of a detector.
    """
    problems = _check_source(setup) + _check_mirror(setup)
    problems += _check_layers(setup) or _check_tables(setup, exposures)
    if not any(not problem.warning for problem in problems):
        problems += _check_distances(setup, exposures)
    problems += _check_readouts(setup, exposures)
    problems += check_flux(setup, exposures)
    return problems + _check_energies(setup, exposures)


def _check_source(setup: Setup) -> list[Problem]:
    source, focal = setup.facility.source_distance, setup.mirror.focal_length
    ratio = float(source / focal)
    if ratio > 4:
        return []
    near = ratio <= 1
    return [
        Problem(
            file=SETUP_FILE,
            item="facility.source_distance",
            found=f"{source:g}, {ratio:.3g} focal lengths of {focal:g}",
            expected="a source further away than the focal length, or there is no image"
            if near
            else "a source beyond four focal lengths: nearer, no ray from the front of "
            "the primary meets the secondary",
            action="check source_distance and mirror.focal_length",
            warning=not near,
        )
    ]


def _check_mirror(setup: Setup) -> list[Problem]:
    mirror = setup.mirror
    if mirror.outer_radius < _STEEP * mirror.focal_length:
        return []
    return [
        Problem(
            file=SETUP_FILE,
            item="mirror.outer_radius",
            found=f"{mirror.outer_radius:g} with a focal_length of {mirror.focal_length:g}",
            expected="grazing angles of at most some degrees",
            action="check the units of both",
            warning=True,
        )
    ]


def _check_layers(setup: Setup) -> list[Problem]:
    """Warn of what leaves values at infinity null: the reduction itself needs no layer."""
    mirror, problems = setup.mirror, []
    if mirror.coating not in DEFAULT_DENSITIES:
        try:
            coating_density(mirror.coating, mirror.coating_density)
        except SettingsError as error:
            problems.append(("coating", mirror.coating, str(error)))
    if mirror.optical_constants not in (None, *OPTICAL_TABLES):
        names = " or ".join(f'"{name}"' for name in OPTICAL_TABLES)
        problems.append(("optical_constants", mirror.optical_constants, names))
    return [
        Problem(
            file=SETUP_FILE,
            item=f"mirror.{key}",
            found=repr(value),
            expected=expected,
            action="correct it; values at infinity are null as it stands",
            warning=True,
        )
        for key, value, expected in problems
    ]


def _check_tables(setup: Setup, exposures: list[Exposure]) -> list[Problem]:
    """Warn of energies that the optical constants of the coating do not reach."""
    low, high = _IN_EVERY_TABLE_KEV
    used = {
        float(e.energy.to_value(u.keV))
        for e in exposures
        if e.kind == "beam" and e.energy is not None
    }
    far = sorted(kev for kev in used if not low <= kev <= high)
    if not far:
        return []
    table = setup.mirror.optical_constants or DEFAULT_TABLE
    low, high = energy_range_kev(setup.mirror.coating, table)
    lines = ", ".join(f"{kev:g} keV" for kev in far if not low <= kev <= high)
    if not lines:
        return []
    return [
        Problem(
            file=EXPOSURE_FILE,
            item="column energy",
            found=lines,
            expected=f"energies from {low:.4g} to {high:.4g} keV, where the {table} table "
            f"has values for {setup.mirror.coating}",
            action="check the unit, or name another table in mirror.optical_constants; "
            "values at infinity are null as it stands",
            warning=True,
        )
    ]


def _check_distances(setup: Setup, exposures: list[Exposure]) -> list[Problem]:
    source = setup.facility.source_distance
    image = image_distance(source_distance=source, focal_length=setup.mirror.focal_length)
    problems = []
    for exposure in exposures:
        distance = exposure.detector_distance
        if exposure.kind != "beam" or distance is None:
            continue
        ratio = float(distance / image)
        if abs(ratio - 1) <= _FAR:
            continue
        from_source = abs(float(distance / (source + image)) - 1) <= _FAR
        problems.append(
            Problem(
                file=EXPOSURE_FILE,
                item=f"exposure {exposure.exposure}, column detector_distance",
                found=f"{distance:g}",
                expected=f"a distance near that of the image, {image:.1f}",
                action="count it from the reference plane, not from the source"
                if from_source
                else "check the distance and its unit",
                warning=1 / _TOO_FAR < ratio < _TOO_FAR,
            )
        )
    return problems


def _check_readouts(setup: Setup, exposures: list[Exposure]) -> list[Problem]:
    """Warn where readouts are given for charge: saturation is that of a whole file."""
    rows = [
        exposure.exposure
        for exposure in exposures
        if (exposure.readouts or 1) > 1
        and not exposure.is_counter
        and setup.detectors[exposure.detector or DEFAULT_DETECTOR].integrating
    ]
    if not rows:
        return []
    return [
        Problem(
            file=EXPOSURE_FILE,
            item=f"column readouts, exposures {', '.join(rows)}",
            found="several readouts summed in a file of an integrating detector",
            expected="the column for counting detectors only",
            action="it is not used: noise and saturation are those of one readout a file",
            warning=True,
        )
    ]


def _check_energies(setup: Setup, exposures: list[Exposure]) -> list[Problem]:
    """Ask each detector's tables for every energy it is used at."""
    problems = []
    used = {
        (exposure.detector or DEFAULT_DETECTOR, float(exposure.energy.to_value(u.keV)))
        for exposure in exposures
        if exposure.energy is not None and not exposure.is_counter
    }
    for name, energy_kev in sorted(used):
        detector = setup.detectors[name]
        path = f"detectors.{name}" if name else "detector"
        for key, ask in (
            ("electrons_per_photon", electrons_per_photon),
            ("line_width", line_width),
        ):
            if not isinstance(getattr(detector, key), tuple) or not detector.integrating:
                continue
            try:
                ask(detector, energy_kev * u.keV)
            except SettingsError as error:
                problems.append(
                    Problem(
                        file=SETUP_FILE,
                        item=f"{path}.{key}",
                        found=f"a table that ends before {energy_kev:g} keV ({error})",
                        expected="a table that reaches every energy of the exposures",
                        action="add the energy to the table",
                    )
                )
    return problems
