"""The short table that a run prints."""

from collections.abc import Mapping, Sequence


def summary_table(measurements: Sequence[Mapping[str, object]]) -> str:
    """Return one line a measurement: diameters with their combined uncertainty."""
    width = max(len("measurement"), *(len(str(m["id"])) for m in measurements))
    head = (
        f"{'measurement':<{width}}  {'keV':>6}  {'aperture':<8}  "
        f"{'HPD (arcsec)':>16}  {'W90 (arcsec)':>16}  {'HPD at infinity':>16}  "
        f"{'net photons':>18}"
    )
    lines = [head]
    for m in measurements:
        lines.append(
            f"{m['id']:<{width}}  {m['energy_keV']:>6.3f}  {m['aperture']:<8}  "
            f"{pair(m['hpd_measured_arcsec']):>16}  {pair(m['w90_measured_arcsec']):>16}  "
            f"{pair(m['hpd_infinity_arcsec']):>16}  {pair(m['net_photons'], 0):>18}"
        )
    noted = [
        f"  {m['id']}: {m['notes'][key]}"  # type: ignore[index]
        for m in measurements
        for key in ("hpd_measured_arcsec", "detector_edge", "fit")
        if key in m["notes"]  # type: ignore[operator]
    ]
    return "\n".join([*lines, *noted])


def pair(quantity: object, digits: int = 2) -> str:
    """Return ``value ± uncertainty`` of a stored quantity, or a dash when there is none."""
    if quantity is None:
        return "–"
    return f"{quantity['value']:.{digits}f} ± {quantity['uncertainty']:.{digits}f}"  # type: ignore[index]
