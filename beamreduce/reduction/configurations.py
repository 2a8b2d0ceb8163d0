"""Which measurements are folded together, and what their result depends on."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import astropy.units as u

from beamreduce.campaign import MeasurementInputs
from beamreduce.infinity.declared import WHOLE
from beamreduce.record import sha256_of_json, software_versions
from beamreduce.reduction.keys import RESULTS_FORMAT, as_plain
from beamreduce.reduction.request import MeasureRequest

# What the fold reads of the [mirror] and [facility] tables is all of them.
_FOLD_SETTINGS = ("random_seed", "bootstrap_replicates", "infinity_detector_distance")


@dataclass(frozen=True, kw_only=True)
class ConfigurationName:
    """What measurements that are folded together have in common."""

    aperture: str
    off_axis_arcmin: float
    azimuth_deg: float | None
    detector: str
    pre_collimator: bool | None

    @classmethod
    def of(cls, inputs: MeasurementInputs) -> "ConfigurationName":
        """Return the configuration of one measurement."""
        off_axis = float(inputs.off_axis.to_value(u.arcmin))
        azimuth = None
        if off_axis and inputs.azimuth is not None:  # on the axis there is no azimuth
            azimuth = float(inputs.azimuth.to_value(u.deg))
        return cls(
            aperture=inputs.aperture,
            off_axis_arcmin=off_axis,
            azimuth_deg=azimuth,
            detector=inputs.detector.name,
            pre_collimator=inputs.beam[0].exposure.pre_collimator,
        )

    @property
    def on_axis(self) -> "ConfigurationName":
        """The same with the source on the axis."""
        return replace(self, off_axis_arcmin=0.0, azimuth_deg=None)

    @property
    def file_name(self) -> str:
        """The same as a part of file names, where apertures may be any text."""
        plain = re.sub(r"[^A-Za-z0-9.+-]", "_", self.text)
        if plain == self.text:
            return plain
        return f"{plain[:40]}-{sha256_of_json(self.text)[:8]}"

    @property
    def text(self) -> str:
        """What a person calls it."""
        parts = [self.aperture]
        if self.off_axis_arcmin:
            parts.append(f"{self.off_axis_arcmin:g}arcmin")
        if self.azimuth_deg is not None:
            parts.append(f"{self.azimuth_deg:g}deg")
        if self.detector:
            parts.append(self.detector)
        if self.pre_collimator is not None:
            parts.append("blades" if self.pre_collimator else "bare")
        return "+".join(parts)


@dataclass(frozen=True, kw_only=True)
class Configuration:
    """Measurements that are folded together, in the order of the campaign.

    Parameters
    ----------
    name
        What they have in common.
    requests
        The measurements.
    quadrants
        Single quadrants on the axis, at the same detector: their images' places displace
        those of the whole mirror.
    on_axis
        For measurements off the axis, those of the same aperture on it: they tell what
        the surfaces are like.
    """

    name: ConfigurationName
    requests: tuple[MeasureRequest, ...]
    quadrants: tuple[MeasureRequest, ...] = ()
    on_axis: "Configuration | None" = None

    @property
    def wave(self) -> int:
        """When it can be folded: what it waits for has a lower number."""
        if self.on_axis is not None:
            return 2
        return 1 if self.quadrants else 0

    @property
    def ids(self) -> tuple[str, ...]:
        """Names of its measurements."""
        return tuple(request.inputs.id for request in self.requests)


def configurations(requests: Sequence[MeasureRequest]) -> tuple[Configuration, ...]:
    """Sort measurements into configurations; those that others wait for come first."""
    sorted_in: dict[ConfigurationName, list[MeasureRequest]] = {}
    for request in requests:
        name = ConfigurationName.of(request.inputs)
        sorted_in.setdefault(name, []).append(request)
    made: dict[ConfigurationName, Configuration] = {}
    for name in sorted(sorted_in, key=lambda name: name.off_axis_arcmin != 0):
        made[name] = Configuration(
            name=name,
            requests=tuple(sorted_in[name]),
            quadrants=_quadrants(name, sorted_in),
            on_axis=made.get(name.on_axis) if name.off_axis_arcmin else None,
        )
    return tuple(sorted((made[name] for name in sorted_in), key=lambda one: one.wave))


def _quadrants(
    name: ConfigurationName, sorted_in: Mapping[ConfigurationName, list[MeasureRequest]]
) -> tuple[MeasureRequest, ...]:
    """Single quadrants that tell where parts of the whole mirror's image are."""
    if name.aperture != WHOLE:
        return ()
    members = [
        request
        for other, requests in sorted_in.items()
        if other.aperture != WHOLE
        and not other.off_axis_arcmin
        and (other.detector, other.pre_collimator) == (name.detector, name.pre_collimator)
        for request in requests
    ]
    return tuple(members)


def result_keys(
    made: Sequence[Configuration], measured_keys: Mapping[str, str]
) -> dict[str, str]:
    """Return the key of every measurement's final numbers.

    Beside its own frames and settings they depend on the measurements that are folded
    with it, on the quadrants that displace its image, on the measurements on the axis
    that tell of its surfaces, and on the settings of the fold.
    """
    keys = {}
    for one in made:
        setup = one.requests[0].setup
        reduction = as_plain(setup.reduction)
        joint = {
            "format": RESULTS_FORMAT,
            "version": software_versions()["beamreduce"],
            "folded": sorted(measured_keys[identity] for identity in one.ids),
            "quadrants": sorted(measured_keys[r.inputs.id] for r in one.quadrants),
            "on_axis": sorted(measured_keys[i] for i in one.on_axis.ids)
            if one.on_axis
            else [],
            "facility": as_plain(setup.facility),
            "mirror": as_plain(setup.mirror),
            "nestings": as_plain(one.requests[0].prescription),
            "named_quadrants": as_plain(setup.quadrants),
            "uncertainties": as_plain(setup.uncertainties),
            "reduction": {name: reduction[name] for name in _FOLD_SETTINGS},
        }
        for identity in one.ids:
            keys[identity] = sha256_of_json({**joint, "own": measured_keys[identity]})
    return keys
