"""Raw detector frames: read them, make masters of them, calibrate them into photons."""

from beamreduce.frame.bad_pixels import (
    find_bad_pixels,
    find_steady_pixels,
)
from beamreduce.frame.calibrate import PhotonSum, calibrate_frame, calibrate_frames
from beamreduce.frame.cosmic_rays import find_hits
from beamreduce.frame.dark_and_flat import DarkRate, FlatFrames, make_dark_rate, make_flat
from beamreduce.frame.dead_pixels import find_dead_pixels
from beamreduce.frame.exposure_sum import (
    FrameSettings,
    photons_in_rows,
    sum_exposures,
)
from beamreduce.frame.frame import Frame
from beamreduce.frame.master import MasterFrame, make_master
from beamreduce.frame.master_set import MasterCache, MasterSet
from beamreduce.frame.matched_masters import gather_masters
from beamreduce.frame.photon_scale import adu_per_photon, variance_per_photon
from beamreduce.frame.read_fits import FrameFiles, read_frame
from beamreduce.frame.running_sums import RunningSums, sum_frames
from beamreduce.frame.shared_noise import SummedFrames, shared_covariance

__all__ = [
    "DarkRate",
    "FlatFrames",
    "Frame",
    "FrameFiles",
    "FrameSettings",
    "MasterCache",
    "MasterFrame",
    "MasterSet",
    "PhotonSum",
    "RunningSums",
    "SummedFrames",
    "adu_per_photon",
    "calibrate_frame",
    "calibrate_frames",
    "find_bad_pixels",
    "find_dead_pixels",
    "find_hits",
    "find_steady_pixels",
    "gather_masters",
    "make_dark_rate",
    "make_flat",
    "make_master",
    "photons_in_rows",
    "read_frame",
    "shared_covariance",
    "sum_exposures",
    "sum_frames",
    "variance_per_photon",
]
