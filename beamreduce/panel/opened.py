"""A measurement, or one exposure of it, opened for a look; frames are read once."""

from dataclasses import dataclass, replace

import astropy.units as u
from astropy.units import Quantity

from beamreduce.campaign import Campaign
from beamreduce.errors import SettingsError
from beamreduce.frame import MasterCache
from beamreduce.panel.quick_rings import Surfaces, surfaces_of
from beamreduce.reduction.awaited import request_now
from beamreduce.reduction.locate import Located, locate
from beamreduce.reduction.request import MeasureRequest


@dataclass(frozen=True, kw_only=True)
class Opened:
    """An image with its background and center, ready to be measured about other centers.

    Parameters
    ----------
    request
        What was asked for.
    located
        Image, background, net image and center.
    surfaces
        What rings are summed from.
    masters
        Masters of the frames, for the next look.
    """

    request: MeasureRequest
    located: Located
    surfaces: Surfaces
    masters: MasterCache

    @property
    def background_method(self) -> str:
        """How the background was found."""
        return self.located.background.method

    @property
    def largest_radius(self) -> Quantity:
        """Radius of the largest circle about the center inside the frame."""
        return self.located.largest_radius_mm * u.mm

    def about(self, center_xy: tuple[float, float]) -> Located:
        """Return the same image with another center."""
        x, y = float(center_xy[0]), float(center_xy[1])
        return replace(self.located, center=replace(self.located.center, x=x, y=y))


def open_measurement(
    campaign: Campaign, measurement: str, exposure: str | None = None
) -> Opened:
    """Read and calibrate the frames of a measurement, take its background off, center it.

    Parameters
    ----------
    campaign
        As read.
    measurement
        Its id.
    exposure
        One of its exposures, to be looked at alone; None for all together.

    Raises
    ------
    SettingsError
        When there is no such measurement or exposure.
    FrameError, MeasurementError
        When a frame cannot be used.
    """
    by_id = {one.id: one for one in campaign.measurements}
    if measurement not in by_id:
        raise SettingsError(
            f"found no measurement named {measurement!r}; expected one of "
            f"{', '.join(by_id)}; choose one of them"
        )
    inputs = by_id[measurement]
    if exposure is not None:
        names = [row.exposure.exposure for row in inputs.beam]
        if exposure not in names:
            raise SettingsError(
                f"found no exposure named {exposure!r} in measurement {measurement}; "
                f"expected one of {', '.join(names)}; choose one of them"
            )
        inputs = replace(inputs, beam=(inputs.beam[names.index(exposure)],))
    return _open(request_now(campaign, inputs), MasterCache(room=1))


def open_again(
    opened: Opened,
    *,
    center_xy: tuple[float, float],
    background: str,
    reference_radius: Quantity,
) -> Opened:
    """Do all of it again with a center held, a background and a reference radius.

    This is what ``reduce`` does once the choice stands in the table of decisions.

    Parameters
    ----------
    opened
        What was opened before.
    center_xy
        In pixels.
    background
        ``exposure``, ``annulus``, ``surface``, ``wings`` or ``none``.
    reference_radius
        Where the encircled energy is 1; backgrounds from the image itself begin there.

    Raises
    ------
    FrameError, MeasurementError
        When it cannot be had.
    """
    setup = opened.request.setup
    center = (float(center_xy[0]), float(center_xy[1]))
    reduction = replace(setup.reduction, center=center, background=background)
    request = replace(
        opened.request,
        setup=replace(setup, reduction=reduction),
        reference_radius=reference_radius,
    )
    return _open(request, opened.masters)


def _open(request: MeasureRequest, masters: MasterCache) -> Opened:
    located = locate(request, masters)
    return Opened(
        request=request, located=located, surfaces=surfaces_of(located), masters=masters
    )
