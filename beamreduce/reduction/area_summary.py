"""Areas of a whole campaign: means on the axis, covariance, drift of the monitor."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from beamreduce.campaign import Campaign
from beamreduce.effective_area.monitor import drift_rows
from beamreduce.effective_area.terms import (
    KINDS,
    Term,
    covariance,
    labelled,
    mean_of,
    with_terms,
)
from beamreduce.infinity.declared import WHOLE
from beamreduce.reduction.area_at_infinity import INFINITY
from beamreduce.reduction.area_step import TOTAL

Stored = Mapping[str, object]


@dataclass(frozen=True, kw_only=True)
class MeanArea:
    """Mean area of one setting over its measurements.

    Parameters
    ----------
    energy_kev
        Photon energy.
    ids
        Measurements.
    value, terms
        Area (cm²) and the terms of its uncertainty.
    """

    energy_kev: float
    ids: tuple[str, ...]
    value: float
    terms: tuple[Term, ...]


def area_terms(measurement: Stored, key: str) -> tuple[Term, ...] | None:
    """Return the terms of one area as results.json holds them; None where it is null."""
    record = measurement["area_at_infinity"]
    if measurement[key] is None or not record:
        return None
    stored = record.get("terms", {}).get(key)  # type: ignore[union-attr]
    if stored is None:
        return None
    return labelled([Term.from_json(term) for term in stored], str(measurement["id"]))


def mean_area(measurements: Sequence[Stored], key: str) -> MeanArea | None:
    """Return the mean of one area over measurements of one setting; None without any."""
    known = [(m, area_terms(m, key)) for m in measurements]
    known = [(m, terms) for m, terms in known if terms is not None]
    if not known:
        return None
    value, terms = mean_of([m[key]["value"] for m, _ in known], [t for _, t in known])  # type: ignore[index]
    return MeanArea(
        energy_kev=float(known[0][0]["energy_keV"]),  # type: ignore[arg-type]
        ids=tuple(str(m["id"]) for m, _ in known),
        value=value,
        terms=terms,
    )


def on_axis(measurements: Sequence[Stored]) -> dict[float, list[Stored]]:
    """Return the measurements of the whole mirror on the axis, by energy, rising."""
    found: dict[float, list[Stored]] = {}
    for m in measurements:
        if m["aperture"] == WHOLE and not m["off_axis_arcmin"]:
            found.setdefault(float(m["energy_keV"]), []).append(m)  # type: ignore[arg-type]
    return dict(sorted(found.items()))


def area_summary(campaign: Campaign, measurements: Sequence[Stored]) -> dict[str, object]:
    """Return what ``effective_areas`` of results.json holds."""
    by_energy: list[dict[str, object]] = []
    means: dict[str, list[MeanArea]] = {TOTAL: [], INFINITY: []}
    for energy, some in on_axis(measurements).items():
        found = {key: mean_area(some, key) for key in means}
        if found[TOTAL] is None or found[INFINITY] is None:
            continue
        for key, mean in found.items():
            means[key].append(mean)  # type: ignore[arg-type]
        by_energy.append(
            {
                "energy_keV": energy,
                "measurements": found[TOTAL].ids,
                **{key: with_terms(m.value, m.terms) for key, m in found.items()},
                "predicted_infinity_cm2": some[0]["area_at_infinity"][  # type: ignore[index]
                    "predicted_infinity_cm2"
                ],
                "beam_over_star": some[0]["area_at_infinity"]["beam_over_star"],  # type: ignore[index]
            }
        )
    return {
        "aperture": WHOLE,
        "by_energy": by_energy,
        "covariance_cm4": {
            key: {
                kind: covariance([m.value for m in some], [m.terms for m in some], kind)
                .tolist()
                for kind in KINDS
            }
            for key, some in means.items()
        },
        "monitor": drift_rows(campaign.exposures, campaign.setup.facility),
    }  # fmt: skip
