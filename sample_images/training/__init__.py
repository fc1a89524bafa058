"""How the two networks are made: pictures in, `vision/weights/*.onnx` out.  Needs the `train` extra."""
