"""Which part of the mirror the beam of a campaign lights, and what that leaves untested."""

from beamreduce.campaign import Campaign, Setup
from beamreduce.errors import GeometryError
from beamreduce.infinity.exercised import Exercised, exercised
from beamreduce.infinity.not_tested import not_tested
from beamreduce.mirror import Prescription
from beamreduce.reduction.request import MeasureRequest


def lit_part(request: MeasureRequest) -> Exercised:
    """Return what the diverging beam of a measurement lights.

    Raises
    ------
    GeometryError
        When no light gets through.
    """
    blades = request.inputs.beam[0].exposure.pre_collimator is not False
    return _lit(request.setup, request.prescription, blades=blades)


def left_untested(campaign: Campaign) -> tuple[str, ...]:
    """Say in sentences what the numbers of a campaign are silent about.

    The lit part is that with the pre-collimator, where any exposure has it.
    """
    blades = any(
        row.pre_collimator is not False for row in campaign.exposures if row.kind == "beam"
    )
    try:
        lit = _lit(campaign.setup, campaign.prescription, blades=blades)
    except GeometryError as error:
        return (f"What the beam lights of the mirror is not known: {error}.",)
    return not_tested(campaign.setup, campaign.exposures, lit)


def _lit(setup: Setup, prescription: Prescription, *, blades: bool) -> Exercised:
    return exercised(
        prescription,
        source_distance=setup.facility.source_distance,
        pre_collimator_length=setup.mirror.pre_collimator_length if blades else None,
    )
