"""What one measurement needs, in one object that can be sent to another process."""

from dataclasses import dataclass
from pathlib import Path

from astropy.units import Quantity

from beamreduce.campaign import MeasurementInputs, Setup


@dataclass(frozen=True, kw_only=True)
class MeasureRequest:
    """One measurement to be made: paths, settings and nothing global.

    Parameters
    ----------
    folder
        Campaign folder.
    setup
        Its settings.
    inputs
        Which exposures belong to the measurement, and what calibrates them.
    reference_radius
        Where the encircled energy is 1; None before the campaign's value is known.
    """

    folder: Path
    setup: Setup
    inputs: MeasurementInputs
    reference_radius: Quantity | None

    @property
    def background_method(self) -> str:
        """The method asked for; else beam-off exposures where there are any, else wings."""
        asked = self.setup.reduction.background
        if asked is not None:
            return asked
        return "exposure" if self.inputs.background else "wings"
