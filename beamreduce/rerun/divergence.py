"""Where a rerun first parts from the archive, and what missing inputs leave out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from beamreduce.rerun.agreement import Finding
from beamreduce.rerun.chain import Story
from beamreduce.rerun.inputs import SAME, InputState

_SHOWN = 4
_OF_THE_RUN = ("provenance.json", "settings.toml", "decisions.ecsv")
_WORDS = frozenset({"notes", "matched"})


@dataclass(frozen=True, kw_only=True)
class Divergence:
    """Where one number or file first differs.

    Parameters
    ----------
    item
        File and key.
    step
        The first step, from the frames on, of whose products one differs.
    because
        Changed inputs that it depends on, as paths.
    """

    item: str
    step: str
    because: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The same in words."""
        if not self.because:
            return f"first differs in step {self.step}; no input of it has changed"
        shown = ", ".join(self.because[:_SHOWN])
        more = len(self.because) - _SHOWN
        also = f" and {more} more" if more > 0 else ""
        return f"first differs in step {self.step}, which depends on {shown}{also}"


def entity_of(finding: Finding) -> str:
    """Return the name in the provenance of what was compared."""
    if finding.file == "results.json" and "/" in finding.item:
        identity, key = finding.item.split("/")[:2]
        return f"results/{identity}/{key.split('[')[0]}"
    return finding.file


def first_divergences(
    story: Story, findings: Sequence[Finding], inputs: Sequence[InputState]
) -> tuple[Divergence, ...]:
    """Return where each thing that does not come back first differs."""
    differing = {entity_of(one) for one in findings if not one.comes_back}
    changed = {s.source.entity: s.source.path for s in inputs if s.state != SAME}
    behind: dict[str, tuple[str, tuple[str, ...]]] = {}
    found = []
    for one in findings:
        entity = entity_of(one)
        if one.comes_back or entity not in story.entities:
            continue
        if entity not in behind:
            steps = reversed(story.steps_to(entity))  # from the frames on
            first = next((s.name for s in steps if differing & set(s.made)), "")
            sources = [s.entity for s in story.sources_of(entity)]
            because = tuple(sorted(changed[s] for s in sources if s in changed))
            behind[entity] = (first, because)
        item = f"{one.file}: {one.item}" if one.item else one.file
        step, because = behind[entity]
        found.append(Divergence(item=item, step=step, because=because))
    return tuple(found)


def lost_numbers(
    story: Story, absent: Mapping[str, str], findings: Sequence[Finding]
) -> dict[str, str]:
    """Return what cannot be compared, with the missing input that it needs."""
    lost: dict[str, str] = {}
    if not absent:
        return lost
    needs: dict[str, str] = {}
    for one in findings:
        entity = entity_of(one)
        if entity not in needs:
            sources = [s.entity for s in story.sources_of(entity)]
            needs[entity] = next((absent[s] for s in sources if s in absent), "")
        # What speaks of the whole run, or of which frames were there, is about them.
        words = one.file in _OF_THE_RUN or not _WORDS.isdisjoint(one.item.split("/"))
        whole = one.file == "results.json" and "/" not in one.item
        if needs[entity] or whole or (words and not one.comes_back):
            item = f"{one.file}: {one.item}" if one.item else one.file
            lost[item] = needs[entity] or next(iter(absent.values()))
    return lost
