"""Whether two numbers are of one definition, and were had in one way."""

import math
from collections.abc import Iterator, Sequence

from beamreduce.before_after.pair import Pair, Record
from beamreduce.record import ResultsFolder

# Reference radii that differ by less are one: a part of 10⁴ of the light beyond half of
# it changes by nothing that shows.
SAME_REFERENCE = 1e-4
_SAME_PLANE_MM = 0.1
_PLANE = "infinity_detector_distance_mm"
# What the model of the mirror rests on: by the key of the settings' table mirror.
_MODEL = {
    "optical_constants": "tables of optical constants",
    "roughness_model": "forms of roughness",
    "roughness": "roughness",
    "pre_collimator_length": "pre-collimators",
    "bar_width": "alignment bars",
}


def same_reference(pair: Pair) -> bool:
    """Return True when both curves are 1 at the same angle."""
    first, second = (m["reference_radius_arcsec"] for m in (pair.before, pair.after))
    return abs(first - second) <= SAME_REFERENCE * first


def reference_reason(pair: Pair) -> str:
    """Say that encircled energy was 1 elsewhere; empty when it was not."""
    if same_reference(pair):
        return ""
    first, second = (m["reference_radius_mm"] for m in (pair.before, pair.after))
    return (
        f"encircled energy is 1 at {first:.6g} mm before and at {second:.6g} mm after: set "
        f"one reference_radius in both campaigns and reduce again"
    )


def plane_reason(pair: Pair) -> str:
    """Say that the detector stood elsewhere; empty when it did not."""
    if pair.same_plane:
        return ""
    first, second = (m["detector_distance_mm"] for m in (pair.before, pair.after))
    return (
        f"the detector stood at {first:.6g} mm before and {second:.6g} mm after: images as "
        f"measured can only be compared in one plane"
    )


def center_reason(pair: Pair) -> str:
    """Say that the center is another point of the image; empty when it is not."""
    first, second = _both(pair, "center")
    if first == second:
        return ""
    return (
        f"the center is {first} before and {second} after, another point of the same "
        f"image: set one center in both campaigns and reduce again"
    )


def star_plane_reason(pair: Pair) -> str:
    """Say that a star's image is that of another plane; empty when it is not."""
    first, second = (m.get(_PLANE) for m in (pair.before, pair.after))
    if first is None or second is None or math.isclose(
        first, second, abs_tol=_SAME_PLANE_MM
    ):  # fmt: skip
        return ""
    return (
        f"a star's image is at {first:.6g} mm before and at {second:.6g} mm after: set "
        f"one infinity_detector_distance in both campaigns and reduce again"
    )


def other_ways(
    before: ResultsFolder, after: ResultsFolder, pairs: Sequence[Pair]
) -> Iterator[str]:
    """Yield a sentence for everything that was had in another way in the second run.

    Definitions are the same, so numbers are compared; but a change of method may show.
    """
    reference = [pair.id for pair in pairs if not same_reference(pair)]
    if reference:
        yield (
            f"Reference radii differ ({', '.join(reference)}): encircled energy is "
            f"with both set to 1 at the smaller radius; diameters, and areas within "
            f"the reference radius, are not compared."
        )
    methods: dict[tuple[str, str], list[str]] = {}
    for pair in pairs:
        first, second = _both(pair, "background")
        if first != second:
            methods.setdefault((first, second), []).append(pair.id)
    for (first, second), ids in methods.items():
        yield (
            f"The background is {first} before and {second} after ({', '.join(ids)}): what "
            f"the two differ by shows as a change of the mirror, and is in the uncertainty "
            f"only as far as each run's own background is; reduce both in one way."
        )
    tables = [run.mirror for run in (before, after)]
    for key, name in _MODEL.items():
        first, second = (table.get(key) for table in tables)
        if first != second:
            yield (
                f"The mirror models have other {name} ({_word(first)} before, "
                f"{_word(second)} after): quantities of a star (…_infinity_…) differ by "
                f"that as well; declare both alike and reduce again."
            )


def _both(pair: Pair, key: str) -> tuple[str, str]:
    return _told(pair.before, key), _told(pair.after, key)


def _told(m: Record, key: str) -> str:
    conventions = m.get("conventions")
    told = conventions.get(key) if isinstance(conventions, dict) else None
    return _word(told)


def _word(told: object) -> str:
    return "not recorded" if told is None else str(told)
