"""The record of what came from what, read back by a general reader of PROV-JSON."""

import io
import json
import platform

import prov.model
import pytest

from beamreduce.record import Provenance, software_versions


def document():
    record = Provenance()
    frame = record.entity("frames/a.fits", {"br:sha256": "00ff"})
    result = record.entity("results.json", {"br:sha256": "11ee"})
    record.activity("reduce", used=[frame], made=[result], settings={"random_seed": 1})
    return record.to_json()


@pytest.fixture
def read_back():
    return prov.model.ProvDocument.deserialize(
        io.StringIO(json.dumps(document())), format="json"
    )


def test_entities_keep_their_checksums(read_back):
    entities = {str(e.identifier): e for e in read_back.get_records(prov.model.ProvEntity)}
    assert set(entities) == {"br:frames/a.fits", "br:results.json"}
    attributes = {str(k): v for k, v in entities["br:frames/a.fits"].attributes}
    assert attributes["br:sha256"] == "00ff"


def test_the_step_used_one_and_made_the_other(read_back):
    (used,) = read_back.get_records(prov.model.ProvUsage)
    (made,) = read_back.get_records(prov.model.ProvGeneration)
    assert [str(value) for _, value in used.formal_attributes[:2]] == [
        "br:reduce",
        "br:frames/a.fits",
    ]
    assert [str(value) for _, value in made.formal_attributes[:2]] == [
        "br:results.json",
        "br:reduce",
    ]


def test_the_agent_carries_the_versions(read_back):
    (agent,) = read_back.get_records(prov.model.ProvAgent)
    attributes = {str(k): v for k, v in agent.attributes}
    assert attributes["br:python"] == platform.python_version()
    assert attributes["br:numpy"] == software_versions()["numpy"]
    assert "SoftwareAgent" in str(attributes["prov:type"])


def test_the_same_content_gives_the_same_text():
    assert json.dumps(document()) == json.dumps(document())


def test_every_library_is_there():
    assert "not installed" not in software_versions().values()
