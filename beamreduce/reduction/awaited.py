"""A campaign whose table is ahead of its frames: what can be done with those there are."""

from dataclasses import replace

from beamreduce.campaign import Campaign, MeasurementInputs
from beamreduce.campaign.paths import EXPOSURE_FILE
from beamreduce.errors import MeasurementError
from beamreduce.reduction.request import MeasureRequest

_SERVING = ("bias", "dark", "flat", "background")
_NAMED = 4


def awaited_line(campaign: Campaign) -> str | None:
    """Say in one line which calibrations and backgrounds are not there yet.

    None when all are.
    """
    parts = []
    for kind in _SERVING:
        names = [row.exposure for row in campaign.awaited if row.kind == kind]
        if names:
            there = sum(exposure.kind == kind for exposure in campaign.exposures)
            more = " …" if len(names) > _NAMED else ""
            words = f"{len(names)} of {len(names) + there} {kind}"
            parts.append(f"{words} ({', '.join(names[:_NAMED])}{more})")
    return f"{', '.join(parts)}; done without" if parts else None


def awaited_measurements(campaign: Campaign) -> dict[str, list[str]]:
    """Return measurements of which no frame is there yet, with the files awaited."""
    there = {inputs.id for inputs in campaign.measurements}
    files: dict[str, list[str]] = {}
    for row in campaign.awaited:
        name = row.group if row.group is not None else row.exposure
        if row.kind == "beam" and name not in there:
            files.setdefault(name, []).append(row.file)
    return files


def request_now(campaign: Campaign, inputs: MeasurementInputs) -> MeasureRequest:
    """Ask for a measurement with the frames there are.

    When a background from beam-off exposures is asked for and none is there yet, it is
    taken from the wings of the image.

    Raises
    ------
    MeasurementError
        When neither bias nor dark is there yet: the pedestal would count as photons.
    """
    awaited = {row.kind for row in campaign.awaited}
    first = inputs.beam[0]
    without = inputs.detector.integrating and not first.bias and not first.dark
    if without and awaited & {"bias", "dark", ""}:
        raise MeasurementError(
            f"measurement {inputs.id} ({first.exposure.file}): found neither a bias nor a "
            f"dark frame yet; expected one of those that {EXPOSURE_FILE} names; take one "
            f"first"
        )
    setup = campaign.setup
    asked = setup.reduction.background == "exposure"
    if asked and not inputs.background and awaited & {"background", ""}:
        setup = replace(setup, reduction=replace(setup.reduction, background=None))
    return MeasureRequest(
        folder=campaign.folder,
        setup=setup,
        inputs=inputs,
        reference_radius=setup.reduction.reference_radius,
    )
