"""Every exception of the package, on one screen.

Each message is one sentence or two: where (file, row, card or key), what was found,
what was expected, what to do. The command line prints it and nothing else.
"""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Problem:
    """One thing that is wrong, or looks wrong, with the input.

    Parameters
    ----------
    file
        File the problem is in, as the user wrote it or relative to the campaign folder.
    item
        Row, header card or key inside the file; empty when it is the whole file.
    found
        What is there.
    expected
        What should be there.
    action
        What to do about it.
    warning
        True when the work can go on all the same.
    """

    file: str
    item: str = ""
    found: str
    expected: str
    action: str
    warning: bool = False

    def __str__(self) -> str:
        where = f"{self.file}: {self.item}" if self.item else self.file
        return f"{where}: found {self.found}; expected {self.expected}; {self.action}"


class BeamreduceError(Exception):
    """Any error that the package raises on purpose; its text is fit for the user."""


class SettingsError(BeamreduceError, ValueError):
    """A setting or argument that cannot be used."""


class GeometryError(BeamreduceError, ValueError):
    """Distances, radii or angles that no beamline or mirror can have."""


class CampaignError(BeamreduceError, ValueError):
    """A campaign folder that cannot be used; carries every problem that was found."""

    def __init__(self, problems: "list[Problem] | tuple[Problem, ...] | str") -> None:
        self.problems: tuple[Problem, ...] = ()
        if isinstance(problems, str):
            super().__init__(problems)
            return
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class ReflectorError(CampaignError):
    """Maps of reflectors that cannot be used, or a folder of them; may carry problems."""


class FrameError(BeamreduceError, ValueError):
    """A detector frame that cannot be read or calibrated."""


class MeasurementError(BeamreduceError, ValueError):
    """A measurement whose numbers cannot be had from its frames."""


class AreaError(MeasurementError):
    """An effective area that what is declared of the exposures does not allow."""


class ResultsError(BeamreduceError, ValueError):
    """A results folder that cannot be used, or results that cannot be compared."""


class OutputError(BeamreduceError, OSError):
    """A result that cannot be written, or a folder that is in use."""
