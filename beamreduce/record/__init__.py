"""Numbers with their uncertainties, and the record of what they came from."""

from beamreduce.record.atomic import (
    UNFINISHED,
    write_table_whole,
    write_text_whole,
    write_whole,
)
from beamreduce.record.checksums import (
    sha256_of_file,
    sha256_of_json,
    sha256_of_lines,
)
from beamreduce.record.measurement import Measurement, plain_json, quantity_keys
from beamreduce.record.provenance import Provenance, software_versions
from beamreduce.record.random_stream import random_stream
from beamreduce.record.results_folder import ResultsFolder, curve_file, read_results
from beamreduce.record.toml_text import toml_text
from beamreduce.record.uncertain import Uncertain, rounded

__all__ = [
    "UNFINISHED",
    "Measurement",
    "Provenance",
    "ResultsFolder",
    "Uncertain",
    "curve_file",
    "plain_json",
    "quantity_keys",
    "random_stream",
    "read_results",
    "rounded",
    "sha256_of_file",
    "sha256_of_json",
    "sha256_of_lines",
    "software_versions",
    "toml_text",
    "write_table_whole",
    "write_text_whole",
    "write_whole",
]
