"""Everything of a made campaign that exists before the first photon."""

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.units import Quantity

from beamreduce.campaign import Setup
from beamreduce.errors import SettingsError
from beamreduce.raytrace import Light, MirrorState
from beamreduce.record import random_stream
from beamreduce.simulate.detector_frames import DetectorAsMade, make_detector
from beamreduce.simulate.made_mirror import QUADRANT_NAMES, make_mirror
from beamreduce.simulate.made_rounds import check_rounds, moved_mirror
from beamreduce.simulate.scenario_file import Scenario
from beamreduce.simulate.scenario_records import ExposureSet

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
        Nest, errors and coatings; its energies are those of the scenario's lines.
    detector
        All its pixels.
    reference_mm
        Reference radius on the detector.
    """

    scenario: Scenario
    setup: Setup
    mirror: MirrorState
    detector: DetectorAsMade
    reference_mm: float

    def energy_index(self, line: str) -> int:
        """Return the place of a line among the mirror's energies."""
        return list(self.scenario.lines).index(line)

    def mirror_behind(self, item: ExposureSet) -> MirrorState:
        """Return the mirror behind the aperture of a set of exposures, in its round."""
        return self.mirror_in(item.round).behind_aperture(item.aperture or "full")

    def mirror_in(self, round_: int) -> MirrorState:
        """Return the mirror after all moves of the rounds up to one."""
        return moved_mirror(self.mirror, self.scenario, round_)

    def light(self, item: ExposureSet, *, parallel: bool = False) -> Light:
        """Return where the light of a set of exposures comes from; a star if parallel."""
        facility = self.setup.facility
        on_axis = Light.star()
        if not parallel:
            on_axis = Light.near(facility.source_distance, facility.source_diameter)
        if item.off_axis is None:
            return on_axis
        azimuth = 0 * u.deg if item.azimuth is None else item.azimuth
        return on_axis.off_axis(item.off_axis, azimuth, item.off_axis_by)

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
    energies = [line.energy.to_value(u.keV) for line in scenario.lines.values()]
    return CampaignAsMade(
        scenario=scenario,
        setup=setup,
        mirror=make_mirror(
            setup,
            scenario.figure,
            energies * u.keV,
            random_stream(scenario.seed, "", "mirror"),
        ),
        detector=make_detector(
            setup.detectors[""],
            scenario.sensor,
            random_stream(scenario.seed, "", "detector"),
        ),
        reference_mm=_mm(setup.reduction.reference_radius),
    )


def _mm(length: Quantity) -> float:
    return float(length.to_value(u.mm))


def _check(scenario: Scenario, setup: Setup) -> None:
    """Refuse what a made campaign cannot do, all reasons at once."""
    problems = []
    if "" not in setup.detectors or len(setup.detectors) > 1:
        problems.append("[detector] must be the only detector; leave out [detectors]")
    if setup.reduction.reference_radius is None:
        problems.append("reduction.reference_radius is missing; the truth refers to it")
    if setup.quadrants and set(setup.quadrants) != set(QUADRANT_NAMES):
        problems.append(f"[quadrants] must be {', '.join(QUADRANT_NAMES)} or be left out")
    problems.extend(
        f"mirror.{name} is there, but made mirrors are straight cones; leave it out"
        for name in ("primary_sag", "secondary_sag")
        if getattr(setup.mirror, name) is not None
    )
    problems.extend(check_rounds(scenario))
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
