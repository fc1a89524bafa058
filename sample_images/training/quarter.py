"""Store a network in 8 bits, and have it compute in them: `python -m training.quarter finder.onnx PHOTO...`, in place.

The file halves once more and an answer takes half the time.  How large the numbers grow inside is taken from looks at
these photos; the sample photos do.  Weights of convolutions that add over channels keep to 7 bits: processors without
8-bit dot products add two products in 16 bits, which 8-bit weights would overflow.  The last enlargement, to the size
of the look, is left off: whoever asks enlarges probabilities, which are quicker made of fewer logits.  The last
convolution makes sixteen channels, of which the first are the answer: sixteen at once are made sooner than six.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import numpy_helper
from onnxruntime.quantization import CalibrationDataReader, CalibrationMethod, QuantFormat, QuantType, quantize_static
from onnxruntime.quantization.shape_inference import quant_pre_process

EVERY = 2  # of the looks at a photo: they are much alike
AT_ONCE = 16  # channels that 8-bit kernels make together


class Looks(CalibrationDataReader):
    """What the finder sees of photos: every first look, and the closer ones that follow."""

    def __init__(self, photos: list[Path]) -> None:
        self.left = self._seen(photos)

    def get_next(self) -> dict[str, NDArray[np.float32]] | None:
        return next(self.left, None)

    def _seen(self, photos: list[Path]) -> Iterator[dict[str, NDArray[np.float32]]]:
        for path in photos:
            for rgb in looked_at(path.read_bytes())[::EVERY]:
                yield {"rgb": np.ascontiguousarray(rgb.transpose(2, 0, 1)[None], np.float32)}


def looked_at(data: bytes) -> list[NDArray[np.uint8]]:
    """The pictures (480, 640, 3) that the finder is shown of one photo."""
    from vision import decode, end, locate, networks

    shown: list[NDArray[np.uint8]] = []
    find = networks.find

    def noting(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
        shown.append(rgb)
        return find(rgb)

    networks.find = noting
    try:
        photo = decode.decode(data)
        for seen in (locate.locate(photo), end.find_end(photo)):
            list(seen)
    finally:
        networks.find = find
    return shown


def across_channels(model: onnx.ModelProto) -> list[str]:
    """Names of the weights of every convolution that adds over channels."""
    return [node.input[1] for node in model.graph.node if node.op_type == "Conv"
            and not any(item.name == "group" and item.i > 1 for item in node.attribute)]


def not_enlarged(model: onnx.ModelProto) -> onnx.ModelProto:
    """The network with the output that its last Resize enlarges."""
    nodes, output = model.graph.node, model.graph.output[0]
    last = max(i for i, node in enumerate(nodes) if node.op_type == "Resize")
    before = next(node for node in nodes if node.output[0] == nodes[last].input[0])
    before.output[0] = output.name
    del nodes[last:]
    for side in output.type.tensor_type.shape.dim[2:]:
        side.dim_value //= 2
    return model


def filled_up(model: onnx.ModelProto) -> onnx.ModelProto:
    """The network, whose last convolution also makes channels of nothing up to AT_ONCE, and drops them again."""
    graph = model.graph
    made_by = {output: node for node in graph.node for output in node.output}
    parts = {part.name: part for part in graph.initializer}
    head = [node for node in graph.node if node.op_type == "Conv"][-1]
    for side in head.input[1:]:  # weights and bias: whole numbers, a step for each channel, and a zero
        for name, more in zip(made_by[side].input, ("constant", "edge", "constant"), strict=True):
            values = numpy_helper.to_array(parts[name])
            extra = [(0, AT_ONCE - len(values)), *[(0, 0)] * (values.ndim - 1)]
            parts[name].CopyFrom(numpy_helper.from_array(np.pad(values, extra, more), name))  # type: ignore[call-overload]
    asked = model.graph.output[0].type.tensor_type.shape.dim[1].dim_value
    bounds = {"first_kept": 0, "first_dropped": asked, "channel_axis": 1}
    graph.initializer.extend(numpy_helper.from_array(np.array([at]), name) for name, at in bounds.items())
    last = graph.node[-1]  # makes single precision of whole numbers: what is dropped needn't be made at all
    kept = onnx.helper.make_node("Slice", [last.input[0], *bounds], ["logits_kept"])
    last.input[0] = "logits_kept"
    graph.node.insert(len(graph.node) - 1, kept)
    del graph.value_info[:]
    return model


def quartered(source: Path, photos: list[Path], out: Path) -> None:
    """Write the network at `source`, in single precision, in 8 bits to `out`."""
    with tempfile.TemporaryDirectory() as folder:
        plain = Path(folder) / "plain.onnx"
        quant_pre_process(str(source), str(plain), skip_symbolic_shape=True)
        narrow = [{"quant_type": QuantType.QInt8, "axis": 0, "reduce_range": True}]
        quantize_static(str(plain), str(out), Looks(photos), quant_format=QuantFormat.QDQ, per_channel=True,
                        activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
                        calibrate_method=CalibrationMethod.MinMax, extra_options={
                            "TensorQuantOverrides": dict.fromkeys(across_channels(onnx.load(str(plain))), narrow)})
    model = filled_up(not_enlarged(onnx.load(str(out))))
    onnx.checker.check_model(model)
    onnx.save(model, str(out))


def main() -> None:
    path, *photos = map(Path, sys.argv[1:])
    quartered(path, photos, path)


if __name__ == "__main__":
    main()
