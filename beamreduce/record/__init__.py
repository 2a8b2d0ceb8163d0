"""Numbers with their uncertainties, and the record of what they came from."""

from beamreduce.record.atomic import write_text_whole, write_whole
from beamreduce.record.checksums import sha256_of_file, sha256_of_json
from beamreduce.record.random_stream import random_stream
from beamreduce.record.uncertain import Uncertain

__all__ = [
    "Uncertain",
    "random_stream",
    "sha256_of_file",
    "sha256_of_json",
    "write_text_whole",
    "write_whole",
]
