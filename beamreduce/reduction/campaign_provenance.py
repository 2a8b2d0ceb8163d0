"""Which frames, through which steps, made which numbers of a reduced campaign."""

import json
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path

from beamreduce.campaign import DECISIONS_FILE, Campaign, data_sums
from beamreduce.mirror import PRESCRIPTION_FILE
from beamreduce.record import Provenance, sha256_of_file, sha256_of_lines
from beamreduce.reduction.configurations import Configuration

_EXPOSURES = "exposures.ecsv"
_LISTS = ("campaign.toml", _EXPOSURES, PRESCRIPTION_FILE)
_LOCATED = (
    "center_pixel", "center_uncertainty_pixel", "background_per_pixel",
    "flux_beyond_reference", "filled_fraction", "saturated_fraction", "sectors",
)  # fmt: skip
_FROM_RINGS = (
    "net_photons", "hpd_measured_arcsec", "hpd_measured_mm", "w90_measured_arcsec",
    "w90_measured_mm", "hpd_by_reference_radius", "uncertainty_budget",
)  # fmt: skip
_AREAS = (
    "flux_ratio", "effective_area_measured_cm2",
    "effective_area_within_reference_measured_cm2",
)  # fmt: skip
_AT_INFINITY = (
    "hpd_infinity_arcsec", "w90_infinity_arcsec", "hpd_infinity_best_focus_arcsec",
    "infinity_best_focus_mm", "primary_exercised_fraction", "fit", "blur_budget",
)  # fmt: skip
_AREAS_AT_INFINITY = (
    "effective_area_infinity_cm2", "effective_area_within_reference_infinity_cm2",
    "area_at_infinity",
)  # fmt: skip
_ALL_STEPS = (_LOCATED, _FROM_RINGS, _AREAS, _AT_INFINITY, _AREAS_AT_INFINITY)
_MASTERS = ("bias", "dark", "flat", "flat_dark")

Stored = Mapping[str, object]


class _Story:
    """The provenance of one campaign while it is written."""

    def __init__(self, campaign: Campaign, folder: Path, decisions: Path | None) -> None:
        self.record = Provenance()
        self._folder = folder
        self.frames: dict[str, str] = {}
        lists = [
            self._input(name, campaign.folder / name)
            for name in _LISTS
            if (campaign.folder / name).is_file()
        ]
        if decisions is not None:
            lists.append(self._input(DECISIONS_FILE, decisions))
        self.settings = self.file("settings.toml", {"prov:type": "br:Settings"})
        self.step("read-campaign", lists, [self.settings], "defaults filled in")
        self._exposures = {one.exposure: one for one in campaign.exposures}
        self._campaign = campaign.folder

    def _input(self, name: str, path: Path) -> str:
        digest = {"br:sha256": sha256_of_file(path)}
        if name == _EXPOSURES:  # the order of its rows means nothing
            digest = {"br:sha256_of_sorted_lines": sha256_of_lines(path)}
        attributes = {"br:path": name, **digest, "br:role": "table"}
        return self.record.entity(f"input/{name}", attributes)

    def file(self, name: str, more: Stored | None = None) -> str:
        """Name a file of the results folder."""
        return self.record.entity(name, {"br:path": name, **(more or {})})

    def files(self, names: Iterable[str]) -> list[str]:
        """Name those files of the results folder that are there."""
        return [self.file(name) for name in names if (self._folder / name).is_file()]

    def numbers(self, m: Stored, keys: Sequence[str]) -> list[str]:
        """Name numbers of a measurement; null ones come from the same step."""
        return [
            self.record.entity(f"results/{m['id']}/{key}", {"br:key": m["key"]})
            for key in keys
            if key in m
        ]

    def step(
        self, name: str, used: Iterable[str], made: Iterable[str], settings: object
    ) -> None:
        """Add a step."""
        text = settings if isinstance(settings, str) else json.dumps(settings)
        self.record.activity(name, used=used, made=made, settings=text)

    def exposures(self, names: Iterable[str], m: Stored) -> list[str]:
        """Name the frames of exposures; a counter's reading is in the exposure table."""
        frames = []
        for name in names:
            exposure = self._exposures[name]
            if not exposure.file:
                frames.append("br:input/exposures.ecsv")
                continue
            path = exposure.file
            attributes = {
                "br:path": path,
                "br:sha256": m["inputs"][path],
                "br:datasum": " ".join(map(str, _sums(self._campaign / path))),
                "br:exposure": name,
                "br:role": exposure.kind,
            }
            frames.append(self.record.entity(f"frame/{path}", attributes))
        return frames


def campaign_provenance(
    campaign: Campaign,
    folder: Path,
    work: tuple[Sequence[Stored], Sequence[Configuration]],
    decisions: Path | None,
) -> dict[str, object]:
    """Return the provenance of every file and number of a results folder, as PROV-JSON.

    Parameters
    ----------
    campaign
        What was read.
    folder
        Where the files are, all but this one and the report.
    work
        Measurements as results.json holds them, and how they were folded.
    decisions
        Table of decisions that was applied.
    """
    measurements, folds = work
    story = _Story(campaign, folder, decisions)
    for m in measurements:
        _measured(story, m)
    by_id = {str(m["id"]): m for m in measurements}
    for one in folds:
        _folded(story, one, by_id)
    _written(story, folder, measurements)
    return story.record.to_json()


def _measured(story: _Story, m: Stored) -> None:
    identity, matched, conventions = m["id"], m["matched"], m["conventions"]
    masters = {kind: story.exposures(matched[kind], m) for kind in _MASTERS}
    every_master = [frame for frames in masters.values() for frame in frames]
    images = {}
    for what, names in (
        ("image", m["exposures"]),
        ("background-image", matched["background"]),
        ("direct-image", matched["direct"]),
        ("direct-background-image", matched["direct_background"]),
    ):
        if not names:
            continue
        images[what] = story.record.entity(f"{what}/{identity}", {})
        used = [*story.exposures(names, m), *every_master, story.settings]
        story.step(f"calibrate-{what}/{identity}", used, [images[what]], {"sum": names})
    net = story.files([f"net_{identity}.fits"])
    beam = [images[k] for k in ("image", "background-image") if k in images]
    made = net + story.numbers(m, _LOCATED)
    story.step(
        f"background-and-center/{identity}", [*beam, story.settings], made, conventions
    )
    rings = story.files([f"rings_{identity}.fits"])
    made = rings + story.numbers(m, _FROM_RINGS)
    reference = {"reference_radius_mm": m["reference_radius_mm"]}
    story.step(f"encircled-energy/{identity}", [*net, story.settings], made, reference)
    direct = [images[k] for k in images if k.startswith("direct")]
    story.step(
        f"effective-area/{identity}",
        [*rings, *direct, story.settings],
        [*story.files([f"measured_{identity}.json"]), *story.numbers(m, _AREAS)],
        {"direct": matched["direct"]},
    )


def _folded(story: _Story, one: Configuration, by_id: Mapping[str, Stored]) -> None:
    name = one.name.file_name
    others = [request.inputs.id for request in one.quadrants]
    others += one.on_axis.ids if one.on_axis is not None else ()
    used = story.files(
        f"{kind}_{identity}.fits"
        for identity in (*one.ids, *others)
        for kind in ("rings", "net")
    )
    made = story.files([f"folded_{name}.json"])
    areas, with_areas = [], story.files(f"measured_{i}.json" for i in one.ids)
    for identity in one.ids:
        m = by_id[identity]
        made += story.files([f"eef_{identity}.ecsv", f"eef_covariance_{identity}.fits"])
        made += story.numbers(m, _AT_INFINITY)
        with_areas += story.numbers(m, _AREAS)
        areas += story.numbers(m, _AREAS_AT_INFINITY)
    settings = {"configuration": one.name.text, "folded": one.ids}
    story.step(f"seen-from-infinity/{name}", [*used, story.settings], made, settings)
    used = [*made, *with_areas, story.settings]
    story.step(f"area-at-infinity/{name}", used, areas, settings)


def _written(story: _Story, folder: Path, measurements: Sequence[Stored]) -> None:
    """The files that hold or draw what earlier steps made."""
    told = {key for keys in _ALL_STEPS for key in keys}
    numbers = []
    for m in measurements:
        numbers += story.numbers(m, sorted(told & set(m)))
        rest = story.numbers(m, sorted(set(m) - told))
        frames = story.exposures(m["exposures"], m)
        story.step(f"describe/{m['id']}", [*frames, story.settings], rest, "as declared")
        numbers += rest
    results = story.file("results.json")
    story.step("write-results", [*numbers, story.settings], [results], "settings.toml")
    products = ("net", "rings", "eef", "measured", "folded")
    tables = sorted(
        path.name
        for path in folder.iterdir()
        if path.suffix in (".png", ".svg", ".ecsv", ".json", ".fits")
        and path.name.split("_")[0] not in products
        and path.name not in ("results.json", "run_log.json", "provenance.json")
    )
    pictures = sorted(p.name for p in folder.glob("eef_*") if p.suffix in (".png", ".svg"))
    made = [story.file(name) for name in (*tables, *pictures) if name != DECISIONS_FILE]
    curves = story.files(sorted(path.name for path in folder.glob("eef_*.ecsv")))
    story.step("tables-and-figures", [results, *curves], made, "settings.toml")
    report = [story.file("report.html")]
    story.step("report", [results, *made, story.settings], report, "settings.toml")


def _sums(path: Path) -> tuple[int, ...]:
    status = path.stat()
    state = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return _sums_of(path.absolute(), state)


@lru_cache(maxsize=100_000)
def _sums_of(path: Path, _state: tuple[int, ...]) -> tuple[int, ...]:
    return data_sums(path)
