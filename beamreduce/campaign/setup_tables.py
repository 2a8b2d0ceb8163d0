"""The tables of ``campaign.toml``, each made into its record."""

from dataclasses import dataclass

import astropy.units as u
from astropy.units import Quantity

from beamreduce.beamline import Detector, Facility, Layer
from beamreduce.beamline.dead_time import DEAD_TIME_MODELS
from beamreduce.campaign.columns import ALL_COLUMNS, NOT_FROM_CARDS, UNCERTAINTY
from beamreduce.campaign.toml_section import Section, Trouble, is_number
from beamreduce.mirror import MirrorDesign
from beamreduce.record.ranges import (
    ABOVE_ZERO,
    ANY,
    FRACTION,
    FRACTION_ABOVE_ZERO,
    ZERO_OR_MORE,
    Range,
)
from beamreduce.units import ELECTRON_PER_ADU, parse_quantity

BACKGROUNDS = ("exposure", "annulus", "surface", "wings", "none")
CENTERS = ("centroid", "gaussian", "least_hpd")

# 20 000 replicates know a standard uncertainty to 0.5 % (1/√(2n)), and take up to 170 MB
# in each process (8.4 kB a replicate where all 400 rings have to be drawn; measured).
_REPLICATES = Range(words="from 2 to 20000", low=2, high=20_000)
_SEED = Range(
    words=f"from 0 to {2**63 - 1}", low=0, high=2**63 - 1
)  # whole numbers of TOML
_BARS = Range(words="from 0 to 10000", low=0, high=10_000)
_BOX_PX = Range(words="from 1 to 100000", low=1, high=100_000)  # wider than any frame


@dataclass(frozen=True, kw_only=True)
class Reduction:
    """The ``[reduction]`` table; None where the default depends on the campaign.

    Parameters
    ----------
    reference_radius
        Where the encircled energy is 1; default: the largest circle about every center.
    background
        Method for the beam rows; default: exposure where such frames exist, else wings.
    center
        ``centroid``, ``gaussian``, ``least_hpd``, or (x, y) in pixels.
    random_seed
        Seed of every random stream.
    annulus_inner, annulus_outer
        Of the background annulus; default: from the reference radius outwards.
    surface_box
        Side of the boxes of the background surface, a length or pixels.
    background_scale
        ``time`` or ``monitor``.
    dark
        ``none`` to go without darks.
    cosmic_rays
        ``none`` or ``repeats``.
    filled_fraction_limit
        Largest share of filled pixels that is accepted.
    bootstrap_replicates
        Repeats of the bootstrap.
    infinity_detector_distance
        Detector plane for a source at infinity; default: the focal length.
    """

    reference_radius: Quantity | None = None
    background: str | None = None
    center: str | tuple[float, float] = "centroid"
    random_seed: int = 1
    annulus_inner: Quantity | None = None
    annulus_outer: Quantity | None = None
    surface_box: Quantity | int | None = None
    background_scale: str = "time"
    dark: str | None = None
    cosmic_rays: str = "none"
    filled_fraction_limit: float = 0.05
    bootstrap_replicates: int = 1000
    infinity_detector_distance: Quantity | None = None


def read_facility(section: Section) -> Facility | None:
    """Make the facility; None when a required key cannot be used."""
    values = {
        "source_distance": section.quantity(
            "source_distance", u.m, ABOVE_ZERO, required=True
        ),
        "source_diameter": section.quantity(
            "source_diameter", u.mm, ZERO_OR_MORE, required=True
        ),
        "monitor_distance": section.quantity("monitor_distance", u.m, ABOVE_ZERO),
        "monitor_area": section.quantity("monitor_area", u.mm**2, ABOVE_ZERO),
        "monitor_efficiency": section.number("monitor_efficiency", FRACTION_ABOVE_ZERO),
        "monitor_dead_time": section.quantity("monitor_dead_time", u.s, ABOVE_ZERO),
        "monitor_dead_time_model": section.text(
            "monitor_dead_time_model", DEAD_TIME_MODELS
        ),
    }
    if values["source_distance"] is None or values["source_diameter"] is None:
        return None
    return Facility(**values, uncertainties=dict(section.uncertainties))


def read_mirror(section: Section) -> MirrorDesign | None:
    """Make the mirror's design; None when a required key cannot be used."""
    required = {
        key: section.quantity(key, unit, allowed, required=True)
        for key, unit, allowed in (
            ("focal_length", u.m, ABOVE_ZERO),
            ("inner_radius", u.mm, ABOVE_ZERO),
            ("outer_radius", u.mm, ABOVE_ZERO),
            ("reflector_length", u.mm, ABOVE_ZERO),
            ("reflector_thickness", u.mm, ABOVE_ZERO),
            ("roughness", u.nm, ZERO_OR_MORE),
        )
    }
    required["coating"] = section.text("coating", required=True)
    optional = {
        key: section.quantity(key, unit, allowed)
        for key, unit, allowed in (
            ("pre_collimator_length", u.mm, ZERO_OR_MORE),
            ("bar_width", u.mm, ZERO_OR_MORE),
            ("coating_density", u.g / u.cm**3, ABOVE_ZERO),
            ("primary_sag", u.um, ANY),
            ("secondary_sag", u.um, ANY),
        )
    }
    optional["bar_count"] = section.integer("bar_count", _BARS)
    optional["optical_constants"] = section.text("optical_constants")
    models = ("nevot_croce", "debye_waller")
    optional["roughness_model"] = section.text("roughness_model", models)
    gap = section.quantity("gap", u.mm, ZERO_OR_MORE)
    if any(value is None for value in required.values()):
        return None
    if required["inner_radius"] > required["outer_radius"]:
        section.report(
            "inner_radius",
            f"{required['inner_radius']}, above outer_radius, {required['outer_radius']}",
            "an inner radius that does not exceed the outer one",
            "check whether the two are swapped",
        )
    return MirrorDesign(**required, **optional, gap=0 * u.mm if gap is None else gap)


def read_detector(section: Section) -> Detector | None:
    """Make a detector; None when a required key cannot be used."""
    pixel_size = section.quantity("pixel_size", u.um, ABOVE_ZERO, required=True)
    mode = section.text("mode", ("integrating", "counting"), required=True)
    charge = {
        key: section.quantity(key, unit, allowed, required=mode == "integrating")
        for key, unit, allowed in (
            ("gain", ELECTRON_PER_ADU, ABOVE_ZERO),
            ("read_noise", u.electron, ZERO_OR_MORE),
            ("electron_energy", u.eV, ABOVE_ZERO),
            ("saturation", u.adu, ABOVE_ZERO),
        )
    }
    fano_factor = section.number("fano_factor", ZERO_OR_MORE)
    optional = {
        "linearity": section.number("linearity", ZERO_OR_MORE),
        "electrons_per_photon": section.value_or_energy_table(
            "electrons_per_photon", u.electron, table_only=True
        ),
        "line_width": section.value_or_energy_table("line_width", u.eV, table_only=False),
        "x_flipped": section.truth("x_flipped"),
        "rotation": section.quantity("rotation", u.deg, ANY),
        "sensor": section.text("sensor"),
        "window": section.text("window"),
    }
    if pixel_size is None or mode is None:
        return None
    if mode == "counting":
        for key in [key for key, value in charge.items() if value is not None]:
            found = "a value for a detector in counting mode"
            expected = "the key for integrating detectors only"
            section.report(key, found, expected, "it is not used", warning=True)
            charge[key] = None
    elif None in charge.values():
        return None
    return Detector(
        name="" if section.path == "detector" else section.path.removeprefix("detectors."),
        pixel_size=pixel_size,
        mode=mode,
        **charge,
        **optional,
        fano_factor=0.115 if fano_factor is None else fano_factor,
        uncertainties=dict(section.uncertainties),
    )


def read_layer(section: Section) -> Layer | None:
    """Make a layer; None when a required key cannot be used."""
    material = section.text("material", required=True)
    thickness = section.quantity("thickness", u.um, ABOVE_ZERO, required=True)
    density = section.quantity("density", u.g / u.cm**3, ABOVE_ZERO)
    if material is None or thickness is None:
        return None
    return Layer(
        name=section.path.removeprefix("layers."),
        material=material,
        thickness=thickness,
        density=density,
        uncertainties=dict(section.uncertainties),
    )


def read_reduction(section: Section) -> Reduction:
    """Make the settings of the reduction; what is wrong in it is left at its default."""
    lengths = {
        key: section.quantity(key, u.mm, ABOVE_ZERO)
        for key in (
            "reference_radius",
            "annulus_inner",
            "annulus_outer",
            "infinity_detector_distance",
        )
    }
    values = {
        "background": section.text("background", BACKGROUNDS),
        "center": section.read("center", _center, uncertainty=_center_uncertainty),
        "random_seed": section.integer("random_seed", _SEED),
        "surface_box": section.read("surface_box", _box, uncertainty=_box),
        "background_scale": section.text("background_scale", ("time", "monitor")),
        "dark": section.text("dark", ("none",)),
        "cosmic_rays": section.text("cosmic_rays", ("none", "repeats")),
        "filled_fraction_limit": section.number("filled_fraction_limit", FRACTION),
        "bootstrap_replicates": section.integer("bootstrap_replicates", _REPLICATES),
    }
    inner, outer = lengths["annulus_inner"], lengths["annulus_outer"]
    if inner is not None and outer is not None and inner >= outer:
        section.report(
            "annulus_inner",
            f"{inner}, not below annulus_outer, {outer}",
            "an inner radius below the outer one",
            "check whether the two are swapped",
        )
    given = {key: value for key, value in (lengths | values).items() if value is not None}
    return Reduction(**given)


def read_cards(section: Section) -> dict[str, str]:
    """Return the header card of each column that is mapped to one."""
    cards = {}
    for name in ALL_COLUMNS:
        if name in NOT_FROM_CARDS or name not in section.table:
            section.known.add(name)
            continue
        card = section.text(name)
        if card is not None:
            cards[name] = card.strip().upper()
    for name in NOT_FROM_CARDS:
        if name in section.table:
            section.report(
                name,
                f"the column {name!r} mapped to a card",
                f"{name} in every row of exposures.ecsv",
                "write it there and take it out of [cards]",
            )
    return cards


def read_certificates(section: Section) -> dict[str, str]:
    """Return what calibration certificate stands behind a key, in the user's words."""
    given = {key: section.text(key) for key in section.table}
    return {key: text for key, text in given.items() if text is not None}


def read_quadrants(section: Section) -> dict[str, tuple[Quantity, Quantity]]:
    """Return first and last azimuth of each quadrant that the campaign defines."""
    names = [name for name in section.table if not name.endswith(UNCERTAINTY)]
    found = {
        name: section.read(name, _azimuth_pair, uncertainty=_azimuth) for name in names
    }
    return {name: pair for name, pair in found.items() if pair is not None}


def _center(value: object) -> str | tuple[float, float] | Trouble:
    if value in CENTERS:
        return value
    pair = isinstance(value, list) and len(value) == 2
    if not pair or not all(is_number(x) and ANY.holds(x) for x in value):
        return Trouble(f"one of {', '.join(CENTERS)}, or [x, y] in pixels")
    return float(value[0]), float(value[1])


def _center_uncertainty(value: object) -> float | Quantity | Trouble:
    given = value if isinstance(value, list) else [value, value]
    if len(given) != 2 or not all(is_number(x) and ZERO_OR_MORE.holds(x) for x in given):
        return Trouble(
            "a bare number of pixels of zero or more, or one for x and one for y"
        )
    return Quantity(given, u.pix) if isinstance(value, list) else float(value)


def _box(value: object) -> Quantity | int | Trouble:
    trouble = Trouble(
        f'a length such as "0.5 mm", or a whole number of pixels {_BOX_PX.words}'
    )
    if isinstance(value, int) and not isinstance(value, bool):
        return value if _BOX_PX.holds(value) else trouble
    try:
        box = parse_quantity(value, u.mm, name="surface_box")
    except ValueError:
        return trouble
    return box if box > 0 else trouble


def _azimuth(value: object) -> Quantity | Trouble:
    try:
        return parse_quantity(value, u.deg, name="azimuth")
    except ValueError:
        return Trouble('an azimuth such as "0.5 deg"')


def _azimuth_pair(value: object) -> tuple[Quantity, Quantity] | Trouble:
    trouble = Trouble('two azimuths such as ["0 deg", "90 deg"]')
    if not isinstance(value, list) or len(value) != 2:
        return trouble
    first, last = (_azimuth(text) for text in value)
    if isinstance(first, Trouble) or isinstance(last, Trouble) or first == last:
        return trouble
    return first, last
