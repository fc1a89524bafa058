"""A small photo studio: invents pipe joints, path-traces them and writes each picture with its truth.

Lengths are millimetres, angles degrees unless a name says otherwise. The joint's frame has x along the
collar's axis, the mouth (the collar's end face where the pipe goes in) at x = 0 and the pipe towards +x.
Angles round the axis run from +y to +z. In pictures the centre of the top left pixel is (0, 0), x right,
y down; the camera looks along +z with x right and y down.
"""
