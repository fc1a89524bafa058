"""Lanes -> Survey: where the mouth lies on the joint straightened, a second look at it by a network of its own.

The strip shows the pipe alone; here the collar's profile stands beside it against the ground.  The surveyor tells for
every column how likely the mouth is there.
"""

from __future__ import annotations

import numpy as np

from vision import mouth, networks
from vision.lanes import place_along
from vision.records import Lanes, Strip, Survey


def mouth_near(strip: Strip) -> float:
    """About where the strip's readers see the mouth, axial mm from the pose's guess: lanes reach little further."""
    border, _, clear = mouth.split(networks.read(strip.pixels).beyond, strip)
    return float(np.median(border[clear] if clear.any() else border))


def survey(lanes: Lanes) -> Survey:
    """Where the mouth lies, axial millimetres from the pose's guess, and how sure that is."""
    return place_along(networks.survey(lanes.picture), lanes)
