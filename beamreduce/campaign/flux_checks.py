"""What keeps a ratio of fluxes from being had: a dead monitor, unknown layers."""

from collections.abc import Iterable, Sequence

import astropy.units as u

from beamreduce.beamline import Layer
from beamreduce.beamline.dead_time import DEAD_TIME_MODELS, true_rate
from beamreduce.campaign.exposure import Exposure
from beamreduce.campaign.paths import EXPOSURE_FILE, SETUP_FILE
from beamreduce.campaign.setup_file import DEFAULT_DETECTOR, Setup
from beamreduce.errors import Problem, SettingsError
from beamreduce.mirror import DEFAULT_TABLE, coating_density, energy_range_kev


def check_flux(setup: Setup, exposures: Sequence[Exposure]) -> list[Problem]:
    """Return what contradicts itself in monitor, counters, filters and sensors."""
    return [
        *_check_monitor(exposures),
        *_check_monitor_rate(setup, exposures),
        *_check_counters(exposures),
        *_check_layers(setup, exposures),
    ]


def _check_monitor(exposures: Sequence[Exposure]) -> list[Problem]:
    """A monitor that counted nothing, or no more than its background, saw no beam."""
    problems = []
    for row in exposures:
        if row.kind not in ("beam", "direct") or row.monitor_counts is None:
            continue
        alive = 1 - (row.monitor_dead_time_fraction or 0.0)
        net = row.monitor_counts / alive - (row.monitor_background or 0.0)
        if net > 0:
            continue
        background = row.monitor_background or 0.0
        found = f"{row.monitor_counts:g} in a {row.kind} row" + (
            f", with a monitor_background of {background:g}" if background else ""
        )
        problems.append(
            Problem(
                file=EXPOSURE_FILE,
                item=f"exposure {row.exposure}, column monitor_counts",
                found=found,
                expected="net counts above zero: the beam was on",
                action="leave the cell empty when the monitor was off, or take the row out",
            )
        )
    return problems


def _check_monitor_rate(setup: Setup, exposures: Sequence[Exposure]) -> list[Problem]:
    """A counter with a dead time cannot show more than some rate."""
    facility = setup.facility
    if facility.monitor_dead_time is None:
        return []
    model = facility.monitor_dead_time_model or DEAD_TIME_MODELS[0]
    problems = []
    for row in exposures:
        if row.monitor_counts is None or row.monitor_dead_time_fraction is not None:
            continue
        seconds = row.exposure_time if row.monitor_time is None else row.monitor_time
        if not seconds > 0 * u.s:
            continue
        try:
            true_rate(row.monitor_counts / seconds, facility.monitor_dead_time, model)
        except SettingsError as error:
            problems.append(
                Problem(
                    file=EXPOSURE_FILE,
                    item=f"exposure {row.exposure}, column monitor_counts",
                    found=f"{row.monitor_counts:g} in {seconds:g}",
                    expected=str(error),
                    action="check facility.monitor_dead_time and the counts",
                )
            )
    return problems


def _check_counters(exposures: Sequence[Exposure]) -> list[Problem]:
    """Warn of a live time that is longer than the exposure."""
    return [
        Problem(
            file=EXPOSURE_FILE,
            item=f"exposure {row.exposure}, column live_time",
            found=f"{row.live_time:g} in an exposure of {row.exposure_time:g}",
            expected="at most the exposure time",
            action="check both and their units",
        )
        for row in exposures
        if row.is_counter
        and row.live_time is not None
        and row.live_time > row.exposure_time * (1 + 1e-9)
    ]


def _check_layers(setup: Setup, exposures: Sequence[Exposure]) -> list[Problem]:
    """Every layer that is named must be described, and known at every energy."""
    problems: dict[str, Problem] = {}
    for file, item, name, energies in _named(setup, exposures):
        layer = setup.layers.get(name)
        if layer is None:
            known = ", ".join(sorted(setup.layers)) or "none"
            problem = Problem(
                file=file,
                item=item,
                found=f"the layer {name!r}",
                expected=f"one that a table [layers.NAME] describes (there is {known})",
                action="add the table with material and thickness, or correct the name",
            )
        else:
            problem = _check_layer(layer, energies)
        if problem is not None:
            problems.setdefault(str(problem), problem)
    return list(problems.values())


def _named(
    setup: Setup, exposures: Sequence[Exposure]
) -> Iterable[tuple[str, str, str, list[float]]]:
    """Yield file, item, name of a layer, and the energies it is used at."""
    used: dict[str, list[float]] = {}
    for row in exposures:
        if row.energy is None or row.kind not in ("beam", "direct"):
            continue
        kev = float(row.energy.to_value(u.keV))
        if not row.is_counter:
            used.setdefault(row.detector or DEFAULT_DETECTOR, []).append(kev)
        for name in (row.filter or "").split():
            item = f"exposure {row.exposure}, column filter"
            yield EXPOSURE_FILE, item, name, [kev]
    for detector in setup.detectors.values():
        path = f"detectors.{detector.name}" if detector.name else "detector"
        for key in ("sensor", "window"):
            name = getattr(detector, key)
            if name:
                yield SETUP_FILE, f"{path}.{key}", name, used.get(detector.name, [])


def _check_layer(layer: Layer, energies: Sequence[float]) -> Problem | None:
    """Ask the table of optical constants for material, density and energies."""
    try:
        coating_density(layer.material, layer.density)
        low, high = energy_range_kev(layer.material, DEFAULT_TABLE)
    except SettingsError as error:
        return Problem(
            file=SETUP_FILE,
            item=f"layers.{layer.name}.material",
            found=f"{layer.material!r} ({error})",
            expected="a chemical symbol or formula, with a density where none is known",
            action="correct material, or add density",
        )
    outside = [kev for kev in energies if not low <= kev <= high]
    if not outside:
        return None
    return Problem(
        file=SETUP_FILE,
        item=f"layers.{layer.name}",
        found=f"{outside[0]:g} keV",
        expected=f"energies between {low:.4g} and {high:.4g} keV, where the table of "
        f"optical constants has {layer.material}",
        action="give filter_transmission or detector_efficiency in a column instead",
    )
