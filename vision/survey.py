"""Lanes -> Gauge: where a joint's mouth and its pipe's sides lie on the joint straightened, by a network of its own.

The strip shows the pipe alone; here the collar's profile stands beside it against the ground.  The surveyor tells for
every column how likely the mouth is there and how likely the first ink begins there, and for every row how likely a
side is.
"""

from __future__ import annotations

import numpy as np

from vision import mouth, networks
from vision.lanes import gauged
from vision.records import Gauge, Lanes, Strip


def mouth_near(strip: Strip) -> float:
    """About where the strip's readers see the mouth, axial mm from the pose's guess: lanes reach little further."""
    border, _, clear = mouth.split(networks.read(strip.pixels).beyond, strip)
    return float(np.median(border[clear] if clear.any() else border))


def survey(lanes: Lanes) -> Gauge:
    """Where the mouth, the pipe's sides and the first ink lie, and how sure that is."""
    return gauged(networks.survey(lanes.picture), lanes)
