"""The optics that a campaign declares, and how they change with what is not sure."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.campaign import MeasurementInputs, Setup, quadrants_of
from beamreduce.errors import SettingsError
from beamreduce.infinity.optics import Optics
from beamreduce.mirror import (
    DEFAULT_ROUGHNESS_MODEL,
    DEFAULT_TABLE,
    OPTICAL_TABLES,
    ROUGHNESS_MODELS,
    MirrorDesign,
    Prescription,
    nest_reflectivity,
    nestings_from_design,
)
from beamreduce.raytrace.meridian import MeridianLight

WHOLE = "full"
# Keys of [mirror] that a nest is built from when there is no file of nestings.
_BUILT_FROM = (
    "focal_length",
    "inner_radius",
    "reflector_length",
    "reflector_thickness",
    "gap",
    "roughness",
)


@dataclass(frozen=True, kw_only=True)
class Declared:
    """What a campaign declares about the light of one configuration.

    Parameters
    ----------
    setup
        The campaign's set-up.
    prescription
        Its nest.
    inputs
        One measurement of the configuration.
    energies
        Photon energies of all its measurements, rising.
    quadrant_shifts
        Measured displacements of quadrants, azimuth range to angles (x, y), rad.
    """

    setup: Setup
    prescription: Prescription
    inputs: MeasurementInputs
    energies: Quantity
    quadrant_shifts: Mapping[tuple[float, float], tuple[float, float]] = field(
        default_factory=dict
    )


def declared_optics(declared: Declared) -> Optics:
    """Return the optics of one configuration.

    Raises
    ------
    SettingsError
        When the opening is unknown, or the optical constants do not cover an energy.
    """
    setup, inputs = declared.setup, declared.inputs
    source_mm = float(setup.facility.source_distance.to_value(u.mm))
    off_axis = float(inputs.off_axis.to_value(u.rad))
    azimuth = 0.0 if inputs.azimuth is None else float(inputs.azimuth.to_value(u.rad))
    return Optics(
        prescription=declared.prescription,
        light=_light(declared, source_mm),
        source_diameter_mm=float(setup.facility.source_diameter.to_value(u.mm)),
        off_axis_rad=off_axis,
        off_azimuth_rad=azimuth,
        open_rad=open_azimuths(setup, inputs.aperture),
        quadrant_shifts=declared.quadrant_shifts,
    )


def open_azimuths(setup: Setup, aperture: str) -> tuple[float, float] | None:
    """Return the azimuth range of an aperture, rad; None for the whole mirror.

    Raises
    ------
    SettingsError
        When it is neither the whole mirror nor a quadrant.
    """
    if aperture == WHOLE:
        return None
    quadrants = quadrants_of(setup)
    if aperture not in quadrants:
        raise SettingsError(
            f"the open azimuths of aperture {aperture!r} are not known; expected "
            f"{WHOLE!r} or one of {', '.join(quadrants)}; name it in [quadrants]"
        )
    return quadrants[aperture]


def scatters(optics: Optics) -> bool:
    """True when the surfaces are rough: some light is scattered out of the mirror beam."""
    return optics.light.reflectivity.shape[2] == 2


def changed(declared: Declared) -> Iterator[tuple[str, str, Optics]]:
    """Yield the optics with each thing changed by its standard uncertainty.

    Returns
    -------
    iterator
        Term, kind (``systematic`` for declared uncertainties, ``model`` for another
        table of optical constants or form of roughness), optics. What a change makes
        impossible (an energy that another table does not have) is left out.
    """
    for term, kind, other in _changed(declared):
        try:
            yield term, kind, declared_optics(other)
        except SettingsError:
            continue


def _changed(declared: Declared) -> Iterator[tuple[str, str, Declared]]:
    setup = declared.setup
    for key in ("source_distance", "source_diameter"):
        step = setup.uncertainties.get(f"facility.{key}")
        if step is not None:
            facility = replace(setup.facility, **{key: getattr(setup.facility, key) + step})
            moved = replace(setup, facility=facility)
            yield key.replace("_", " "), "systematic", replace(declared, setup=moved)
    for key in (*_BUILT_FROM, "coating_density", "pre_collimator_length", "bar_width"):
        step = setup.uncertainties.get(f"mirror.{key}")
        value = getattr(setup.mirror, key)
        if step is not None and value is not None:
            design = replace(setup.mirror, **{key: value + step})
            yield key.replace("_", " "), "systematic", _built(declared, design)
    yield from _other_models(declared)


def _other_models(declared: Declared) -> Iterator[tuple[str, str, Declared]]:
    setup = declared.setup
    if not declared_scatters(declared):
        models: Sequence[str] = ()
    else:
        used = setup.mirror.roughness_model or DEFAULT_ROUGHNESS_MODEL
        models = [model for model in ROUGHNESS_MODELS if model != used]
    for model in models:
        design = replace(setup.mirror, roughness_model=model)
        other = replace(declared, setup=replace(setup, mirror=design))
        yield "form of roughness", "model", other
    used = setup.mirror.optical_constants or DEFAULT_TABLE
    for table in OPTICAL_TABLES:
        if table != used:
            design = replace(setup.mirror, optical_constants=table)
            other = replace(declared, setup=replace(setup, mirror=design))
            yield "table of optical constants", "model", other


def declared_scatters(declared: Declared) -> bool:
    """True when a nesting is rough."""
    return any(n.roughness_nm > 0 for n in declared.prescription.nestings)


def _built(declared: Declared, design: MirrorDesign) -> Declared:
    """The nest that a changed design gives; one from a file is changed nesting by nesting.

    Its radii and angles are as measured and stay; lengths, thickness, gap and roughness
    change by as much as the design's.
    """
    setup = replace(declared.setup, mirror=design)
    before = nestings_from_design(declared.setup.mirror)
    if declared.prescription == before:
        nest = nestings_from_design(design)
        count = min(len(nest.nestings), len(before.nestings))
        # One nesting more or less would be another mirror, not an uncertain one.
        nest = replace(nest, nestings=nest.nestings[:count])
        return replace(declared, setup=setup, prescription=nest)
    first, was = nestings_from_design(design).nestings[0], before.nestings[0]
    keys = ("primary_length_mm", "secondary_length_mm", "thickness_mm", "gap_mm",
            "roughness_nm")  # fmt: skip
    steps = {key: getattr(first, key) - getattr(was, key) for key in keys}
    nestings = tuple(
        replace(n, **{key: getattr(n, key) + step for key, step in steps.items()})
        for n in declared.prescription.nestings
    )
    return replace(
        declared,
        setup=setup,
        prescription=replace(declared.prescription, nestings=nestings),
    )


def _light(declared: Declared, source_mm: float) -> MeridianLight:
    design = declared.setup.mirror
    tables, number = nest_reflectivity(declared.prescription, design, declared.energies)
    if any(table.scatters for table in tables):
        shares = [np.stack([t.specular, t.scattered], axis=1) for t in tables]
    else:
        shares = [t.specular[:, None] for t in tables]
    free = bar_free(declared.prescription, design)
    if free is not None:
        # Each nesting has a coating of its own then: what passes the bars goes half into
        # either of its two reflections.
        shares = [shares[n] * math.sqrt(part) for n, part in zip(number, free, strict=True)]
        number = np.arange(free.size)
    blades = design.pre_collimator_length
    in_place = declared.inputs.beam[0].exposure.pre_collimator is not False
    return MeridianLight(
        source_distance_mm=source_mm,
        reflectivity=np.stack(shares),
        angle_step_rad=tables[0].angle_step_rad,
        coating_of_nesting=number,
        pre_collimator_mm=(
            float(blades.to_value(u.mm)) if blades is not None and in_place else 0.0
        ),
    )


def bar_free(prescription: Prescription, design: MirrorDesign) -> np.ndarray | None:
    """Return the share of each nesting's azimuths that no alignment bar shades.

    Bars are radial with parallel sides and stand across front and rear, so each shades
    ``2 asin(w/2r)`` of azimuth where the light of a nesting is nearest to the axis: at the
    rear of its secondary. None without bars.
    """
    if not design.bar_count or design.bar_width is None or design.bar_width <= 0 * u.mm:
        return None
    half_mm = float(design.bar_width.to_value(u.mm)) / 2
    rear = np.array(
        [
            n.radius_mm
            - (n.gap_mm / 2 + n.secondary_length_mm) * math.tan(n.secondary_angle_rad)
            for n in prescription.nestings
        ]
    )
    shaded = design.bar_count * 2 * np.arcsin(np.minimum(half_mm / rear, 1.0))
    return np.maximum(1 - shaded / (2 * math.pi), 0.0)


def mirror_offset_mm(
    inputs: MeasurementInputs, x_mm: float, y_mm: float
) -> tuple[float, float]:
    """Turn an offset on the detector into the frame of the mirror's azimuths.

    A detector is described as flipped in x and then turned from +x towards +y; as seen
    from the source where nothing is declared.
    """
    detector = inputs.detector
    angle = 0.0 if detector.rotation is None else float(detector.rotation.to_value(u.rad))
    x = -x_mm if detector.x_flipped else x_mm
    cosine, sine = math.cos(angle), math.sin(angle)
    return cosine * x - sine * y_mm, sine * x + cosine * y_mm
