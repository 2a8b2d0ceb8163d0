"""Everything of a made campaign that exists before the first photon."""

from collections.abc import Mapping
from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.campaign import Setup
from beamreduce.errors import SettingsError
from beamreduce.mirror import nestings_from_design
from beamreduce.record import random_stream
from beamreduce.simulate.coating import Coating, make_coating
from beamreduce.simulate.detector_frames import DetectorAsMade, make_detector
from beamreduce.simulate.figure_errors import FigureErrors, draw_offsets
from beamreduce.simulate.scenario_file import Scenario
from beamreduce.simulate.scenario_records import ExposureSet
from beamreduce.simulate.two_cones import Beam, MirrorAsMade

QUADRANT_NAMES = ("Q1", "Q2", "Q3", "Q4")
_WHOLE = ("", "full")


@dataclass(frozen=True, kw_only=True)
class CampaignAsMade:
    """An invented facility, mirror and detector, ready to be exposed.

    Parameters
    ----------
    scenario
        What it was made from.
    setup
        What its campaign.toml says, as the reader of campaigns reads it.
    mirror
        Nest and errors, without coating.
    detector
        All its pixels.
    coatings
        By name of the line.
    reference_mm
        Reference radius on the detector.
    """

    scenario: Scenario
    setup: Setup
    mirror: MirrorAsMade
    detector: DetectorAsMade
    coatings: Mapping[str, Coating]
    reference_mm: float

    def coated_mirror(self, line: str) -> MirrorAsMade:
        """Return the mirror as one energy sees it."""
        return MirrorAsMade(
            prescription=self.mirror.prescription,
            figure=self.mirror.figure,
            coating=self.coatings[line],
            quadrants_rad=self.mirror.quadrants_rad,
        )

    def beam(self, item: ExposureSet, *, parallel: bool = False) -> Beam:
        """Return where the light of a set of exposures comes from."""
        facility = self.setup.facility
        opening = None
        if item.aperture not in _WHOLE:
            opening = self.mirror.quadrants_rad[QUADRANT_NAMES.index(item.aperture)]
        return Beam(
            source_distance_mm=np.inf if parallel else _mm(facility.source_distance),
            source_diameter_mm=0.0 if parallel else _mm(facility.source_diameter),
            off_axis_rad=0.0 if item.off_axis is None else item.off_axis.to_value(u.rad),
            azimuth_rad=0.0 if item.azimuth is None else item.azimuth.to_value(u.rad),
            opening_rad=opening,
        )

    def stream(self, identity: str, purpose: str) -> np.random.Generator:
        """Return the random stream of one step, whatever else was drawn before."""
        return random_stream(self.scenario.seed, identity, f"simulate: {purpose}")


def build(scenario: Scenario, setup: Setup) -> CampaignAsMade:
    """Make facility, mirror and detector of a scenario.

    Parameters
    ----------
    scenario
        What is to be made.
    setup
        Its campaign.toml, read and checked.

    Raises
    ------
    SettingsError
        When the scenario asks for what cannot be made.
    """
    _check(scenario, setup)
    seed = scenario.seed
    prescription = nestings_from_design(setup.mirror)
    count = len(prescription.nestings)
    made = scenario.figure
    shifts = [getattr(made, f"shift_{name}") for name in QUADRANT_NAMES]
    figure = FigureErrors(
        core_rad=made.core_slope.to_value(u.rad),
        tail_rad=made.tail_slope.to_value(u.rad),
        tail_share=made.tail_share,
        offsets_rad=draw_offsets(
            made.reflector_offset.to_value(u.rad), count, random_stream(seed, "", "mirror")
        ),
        shifts_mm=np.array([[_mm(x), _mm(y)] for x, y in shifts]),
        scatter_rad=made.scatter_width.to_value(u.rad),
    )
    design = setup.mirror
    density = design.coating_density
    coatings = {
        line.name: make_coating(
            design.coating,
            line.energy.to_value(u.keV),
            density=None if density is None else density.to_value(u.g / u.cm**3),
            roughness_nm=design.roughness.to_value(u.nm),
        )
        for line in scenario.lines.values()
    }
    return CampaignAsMade(
        scenario=scenario,
        setup=setup,
        mirror=MirrorAsMade(
            prescription=prescription, figure=figure, quadrants_rad=_quadrants(setup)
        ),
        detector=make_detector(
            setup.detectors[""], scenario.sensor, random_stream(seed, "", "detector")
        ),
        coatings=coatings,
        reference_mm=_mm(setup.reduction.reference_radius),
    )


def _mm(length: Quantity) -> float:
    return float(length.to_value(u.mm))


def _quadrants(setup: Setup) -> tuple[tuple[float, float], ...]:
    if not setup.quadrants:
        return MirrorAsMade.quadrants_rad
    pairs = (setup.quadrants[name] for name in QUADRANT_NAMES)
    return tuple((a.to_value(u.rad), b.to_value(u.rad)) for a, b in pairs)


def _check(scenario: Scenario, setup: Setup) -> None:
    """Refuse what a made campaign cannot do, all reasons at once."""
    problems = []
    if "" not in setup.detectors or len(setup.detectors) > 1:
        problems.append("[detector] must be the only detector; leave out [detectors]")
    if setup.reduction.reference_radius is None:
        problems.append("reduction.reference_radius is missing; the truth refers to it")
    if setup.quadrants and set(setup.quadrants) != set(QUADRANT_NAMES):
        problems.append(f"[quadrants] must be {', '.join(QUADRANT_NAMES)} or be left out")
    facility = setup.facility
    if (facility.monitor_distance is None) != (facility.monitor_area is None):
        problems.append("facility.monitor_distance and monitor_area must come together")
    known = (*_WHOLE, *QUADRANT_NAMES)
    problems.extend(
        f"made.exposures {item.name}: aperture {item.aperture!r} is not one of "
        f"full, {', '.join(QUADRANT_NAMES)}"
        for item in scenario.exposures
        if item.kind == "beam" and item.aperture not in known
    )
    if problems:
        raise SettingsError("\n".join(f"{scenario.name}: {text}" for text in problems))
