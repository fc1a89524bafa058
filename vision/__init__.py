"""What happens to a photo, from bytes to verdict.  No disk, no screen: bytes and arrays in, records out.

The road, one module a stage (`pipeline.py` is the table of contents)::

    bytes -decode-> Photo -locate-> Sighting -refine-> Limbs -pose-> Pose -edges-> Limbs -pose-> Pose
          -unwrap-> Strip -read-> Gap -uncertainty-> Measurement -verdict-> Verdict

Conventions, written here once:

* **Pixels**: the centre of the top left pixel is (0, 0); x runs right, y runs down.  A picture of
  width w spans x from -0.5 to w - 0.5.  Scaling a picture by s maps x to (x + 0.5) * s - 0.5.
* **Camera frame**: origin at the lens, x right, y down, z into the scene, millimetres.
* **Joint frame**: the axis of the joint; 0 at the collar's mouth, positive towards the pipe.
* **Colour**: RGB, 8 bits, as the photo shows it (sRGB-like), upright.
* **Units** stand in names: `_px`, `_mm`, `_deg`, `_rad`.  Everything inside is millimetres.
"""
