"""How joints usually are and how phones are held to them, where a photo says too little: part of several stages."""

from __future__ import annotations

import math

SEAT_U_RAD = math.radians(0.65)  # half of the 1.3 degrees between collar and pipe on a photo of a real joint
HELD_U_RAD = math.radians(15)  # how square phones are held to a pipe (common practice, no source)
OFF_CENTRE_MM = 0.4  # half width of where the pipe may sit in the collar's bore (common practice, no source)
