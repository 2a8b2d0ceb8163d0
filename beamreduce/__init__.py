"""Trusted numbers from beam tests of nested X-ray telescope mirrors."""

import importlib

__version__ = "0.1.0"

# Public name → room it lives in. A room is imported when one of its names is first used
# (PEP 562), so that importing the package costs nothing.
_ROOMS = {
    "BeamreduceError": "errors",
    "EncircledEnergy": "encircled_energy",
    "FocalImage": "image",
    "MeasureRequest": "reduction",
    "Measured": "reduction",
    "Measurement": "record",
    "RunOptions": "reduction",
    "Uncertain": "record",
    "inspect_campaign": "campaign",
    "locate": "reduction",
    "measure": "reduction",
    "read_campaign": "campaign",
    "reduce_campaign": "reduction",
    "simulate_campaign": "simulate",
}

__all__ = sorted(_ROOMS)


def __getattr__(name: str) -> object:
    if name not in _ROOMS:
        raise AttributeError(f"module 'beamreduce' has no attribute {name!r}")
    return getattr(importlib.import_module(f"beamreduce.{_ROOMS[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
