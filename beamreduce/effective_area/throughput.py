"""What share of arriving photons is counted: filters and detector, with energy."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from astropy.units import Quantity

from beamreduce.beamline import Detector, Layer
from beamreduce.campaign import Exposure
from beamreduce.campaign.exposure_amount import declared_of
from beamreduce.effective_area.transmission import absorbed, transmission
from beamreduce.errors import SettingsError
from beamreduce.record import Uncertain


@dataclass(frozen=True, kw_only=True)
class Throughput:
    """Shares of one exposure; None where nothing is declared of it.

    Parameters
    ----------
    filters
        What filters let through.
    efficiency
        What the detector counts of what arrives.
    line
        Share of the counts that is at the stated energy.
    """

    filters: Uncertain | None
    efficiency: Uncertain | None
    line: Uncertain | None


def throughput(
    row: Exposure, detector: Detector | None, layers: Mapping[str, Layer], energy: Quantity
) -> Throughput:
    """Return the shares of one exposure, from its columns or else from named layers.

    Parameters
    ----------
    row
        Columns filter_transmission, detector_efficiency and line_fraction stand for
        themselves; without them column filter names layers.
    detector
        Its sensor and window name layers; None for a counter.
    layers
        The ``[layers]`` of the campaign.
    energy
        Photon energy.

    Raises
    ------
    SettingsError
        When a layer is not described, its material is not known, or the energy is outside
        the table of optical constants.
    """
    filters = _column(row, "filter_transmission")
    if filters is None and row.filter:
        filters = _product(
            transmission(_layer(layers, name, "column filter"), energy)
            for name in row.filter.split()
        )
    efficiency = _column(row, "detector_efficiency")
    if efficiency is None and detector is not None and detector.sensor:
        parts = [absorbed(_layer(layers, detector.sensor, "detector.sensor"), energy)]
        if detector.window:
            layer = _layer(layers, detector.window, "detector.window")
            parts.append(transmission(layer, energy))
        efficiency = _product(parts)
    return Throughput(
        filters=filters, efficiency=efficiency, line=_column(row, "line_fraction")
    )


def _column(row: Exposure, name: str) -> Uncertain | None:
    value = getattr(row, name)
    if value is None:
        return None
    return Uncertain(value=value, statistical=0.0, systematic=declared_of(row, name))


def _layer(layers: Mapping[str, Layer], name: str, where: str) -> Layer:
    if name not in layers:
        known = ", ".join(sorted(layers)) or "none"
        raise SettingsError(
            f"{where} names the layer {name!r}; expected one that [layers.{name}] "
            f"describes (there is {known}); add the table with material and thickness"
        )
    return layers[name]


def _product(parts: Iterable[Uncertain]) -> Uncertain:
    value, systematic, model = 1.0, 0.0, 0.0
    for part in parts:
        if part.value == 0:
            return Uncertain(value=0.0, statistical=0.0)
        value *= part.value
        systematic = math.hypot(systematic, part.systematic / part.value)
        model = math.hypot(model, part.model / part.value)
    return Uncertain(
        value=value, statistical=0.0, systematic=value * systematic, model=value * model
    )
