"""Words for what a results folder holds."""

from collections.abc import Mapping

from beamreduce.record import Uncertain, rounded

Stored = Mapping[str, object]


def field_name(entry: Stored) -> str:
    """Return what tells an entry of ``off_axis`` from others, for names of files."""
    parts = [f"{entry['energy_keV']:g}keV"]
    if entry["detector"]:
        parts.append(str(entry["detector"]))
    if entry["pre_collimator"] is not None:
        parts.append("blades" if entry["pre_collimator"] else "bare")
    return "+".join(parts)


def value_text(stored: object, factor: float = 1.0) -> str | None:
    """Write a stored quantity with its combined uncertainty; None when it is absent."""
    return None if stored is None else rounded(Uncertain.from_json(stored).scaled(factor))


def part_text(value: float | None) -> str:
    """Write one part of an uncertainty, two digits; a dash where there is none."""
    if value is None:
        return "–"
    return f"{float(f'{value:.2g}'):g}"


def measured_with(m: Stored) -> str:
    """Say what measured diameters and areas of a measurement are taken with."""
    return (
        f"within {m['reference_radius_arcsec']:.5g} arcsec "
        f"({m['reference_radius_mm']:.5g} mm); detector at "
        f"{m['detector_distance_mm']:.6g} mm; background: "
        f"{m['conventions']['background']}; center: {m['conventions']['center']}"
    )


def infinity_with(m: Stored, mirror: Stored, *, best_focus: bool = False) -> str:
    """Say what diameters and areas at infinity are taken with."""
    key = "infinity_best_focus_mm" if best_focus else "infinity_detector_distance_mm"
    plane = m[key]
    where = "plane not known" if plane is None else f"plane at {plane:.6g} mm"
    return (
        f"within {m['reference_radius_arcsec']:.5g} arcsec; {where}"
        f"{' (best focus)' if best_focus else ''}; background: "
        f"{m['conventions']['background']}; {model_with(mirror)}"
    )


def model_with(mirror: Stored) -> str:
    """Say which optical constants and form of roughness the mirror model takes."""
    table = mirror.get("optical_constants", "not recorded")
    form = str(mirror.get("roughness_model", "not recorded")).replace("_", "–")
    return f"optical constants: {table}; roughness: {form}"
