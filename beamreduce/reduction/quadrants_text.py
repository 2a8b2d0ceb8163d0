"""What the command ``quadrants`` prints."""

from collections.abc import Mapping, Sequence


def quadrants_text(content: Mapping[str, object]) -> str:
    """Return places, moves and predictions as a few lines of text.

    Parameters
    ----------
    content
        What quadrants.json holds.
    """
    lines = [f"round {content['round']}", *_places(content["quadrants"])]
    for key, words in (
        ("hpd_now_arcsec", "whole mirror at best focus, as it is"),
        ("hpd_after_move_arcsec", "after these moves"),
        ("hpd_coincident_arcsec", "with every quadrant on its target"),
    ):
        size = content[key]
        if size is not None:
            value, error = size["value"], size["uncertainty"]  # type: ignore[index]
            lines.append(f"HPD {value:7.2f} ± {error:.2f} arcsec  {words}")
    notes = content["notes"]
    for key in (
        "move",
        "hpd_coincident_arcsec",
        "missing",
        "short_of_target",
        "stop",
        "caution",
    ):
        if key in notes:  # type: ignore[operator]
            lines.append(f"{key.replace('_', ' ')}: {notes[key]}")  # type: ignore[index]
    return "\n".join(lines)


def _places(quadrants: Sequence[Mapping[str, object]]) -> list[str]:
    lines = ["quadrant    off target (mm)       HPD (arcsec)    move (steps)"]
    for one in quadrants:
        if one["center_pixel"] is None:
            lines.append(f"{one['aperture']:<10}  no image")
            continue
        apart, size = one["displacement_mm"], one["hpd_measured_arcsec"]
        place = "unknown" if apart is None else f"{apart[0]:+.3f}, {apart[1]:+.3f}"
        hpd = "null" if size is None else f"{size['value']:.2f} ± {size['uncertainty']:.2f}"
        moves = one["move"]
        steps = (
            "null"
            if moves is None
            else ", ".join(f"{m['adjuster']} {m['steps']:+d}" for m in moves if m["steps"])
            or "none"
        )
        lines.append(f"{one['aperture']:<10}  {place:<20}  {hpd:<14}  {steps}")
    return lines
