"""What one measurement needs, in one object that can be sent to another process."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from astropy.units import Quantity

from beamreduce.campaign import CalibratedBy, MeasurementInputs, Setup
from beamreduce.errors import GeometryError, MeasurementError, SettingsError
from beamreduce.mirror import Prescription


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
    prescription
        The nest; None where nothing is worked out for a source at infinity.
    """

    folder: Path
    setup: Setup
    inputs: MeasurementInputs
    reference_radius: Quantity | None
    prescription: Prescription | None = None

    @property
    def background_method(self) -> str:
        """The method asked for; else beam-off exposures where there are any, else wings."""
        asked = self.setup.reduction.background
        if asked is not None:
            return asked
        return "exposure" if self.inputs.background else "wings"

    @property
    def beam_off(self) -> tuple[CalibratedBy, ...]:
        """Background exposures that the numbers depend on: none with another method."""
        return self.inputs.background if self.background_method == "exposure" else ()

    @contextmanager
    def naming_errors(self) -> Iterator[None]:
        """Put the measurement and its frames before the message of every error in here."""
        try:
            yield
        except (MeasurementError, SettingsError, GeometryError) as error:
            start = f"measurement {self.inputs.id} ("
            if str(error).startswith(start):
                raise
            files = [row.exposure.file for row in self.inputs.beam]
            more = f" and {len(files) - 2} more" if len(files) > 2 else ""
            frames = ", ".join(files[:2])
            raise MeasurementError(f"{start}{frames}{more}): {error}") from None
