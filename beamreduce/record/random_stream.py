"""Random streams that do not depend on the order in which work is done."""

import hashlib

import numpy as np


def random_stream(seed: int, identity: str, purpose: str) -> np.random.Generator:
    """Return the random generator of one step of one measurement.

    Parameters
    ----------
    seed
        ``[reduction] random_seed`` of the campaign.
    identity
        Measurement the step belongs to.
    purpose
        What the numbers are for, in a word or two.

    Notes
    -----
    The three are hashed into the seed, so the order of measurements, the number of
    jobs and a partial redo change nothing.
    """
    digest = hashlib.sha256(f"{seed}\n{identity}\n{purpose}".encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest, "big")))
