"""Writes the network as ONNX, normalisation folded into the convolutions, weights as 16-bit floats."""

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from network import EPSILON, MAPS, WIDTHS, layers

OPSET = 17


def folded(parameters, running, name):
    """Weight (out, in, rows, columns) and shift of a convolution with its normalisation in it."""
    own = parameters[name]
    weight = np.asarray(own["weight"], np.float64)
    shift = np.asarray(own["shift"], np.float64)
    if name in running:
        factor = np.asarray(own["scale"], np.float64) / np.sqrt(np.asarray(running[name]["variance"], np.float64) + EPSILON)
        shift = shift - np.asarray(running[name]["mean"], np.float64) * factor
        weight = weight * factor
    return weight.transpose(3, 2, 0, 1), shift


def half_constant(nodes, constants, name, values):
    """Keeps values as 16-bit floats and has them turned into 32-bit ones under this name."""
    constants.append(numpy_helper.from_array(values.astype(np.float16), f"{name}.half"))
    nodes.append(helper.make_node("Cast", [f"{name}.half"], [name], to=TensorProto.FLOAT))


def sound_model(graph, description):
    """The model of a graph, checked."""
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", OPSET)], doc_string=description)
    model.ir_version = 8
    onnx.checker.check_model(model)
    return model


def onnx_model(parameters, running, description, widths=WIDTHS):
    """The model: `picture` (1, 1, rows, columns) to `maps` (1, 8, rows / 2, columns / 2), logits."""
    nodes, constants = [], []

    def convolution(name, x, out, stride=1):
        weight, shift = folded(parameters, running, name)
        half_constant(nodes, constants, f"{name}.weight", weight)
        half_constant(nodes, constants, f"{name}.shift", shift)
        pad = (weight.shape[2] - stride) // 2
        nodes.append(helper.make_node(
            "Conv", [x, f"{name}.weight", f"{name}.shift"], [out], name=name,
            kernel_shape=weight.shape[2:], strides=[stride, stride], pads=[pad] * 4))

    def layer(name, x, stride=1):
        convolution(name, x, f"{name}.sum", stride)
        nodes.append(helper.make_node("Relu", [f"{name}.sum"], [f"{name}.out"]))
        return f"{name}.out"

    strides = {name: stride for name, *_, stride in layers(widths)}
    x = layer("down0", layer("stem", "picture", strides["stem"]))
    skips = [x]
    for k in range(1, len(widths)):
        nodes.append(helper.make_node("MaxPool", [x], [f"pool{k}"], kernel_shape=[2, 2], strides=[2, 2]))
        x = layer(f"down{k}b", layer(f"down{k}a", f"pool{k}"))
        skips.append(x)
    constants.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), "twice"))
    for k in reversed(range(len(widths) - 1)):
        convolution(f"lift{k}", x, f"lift{k}.out")
        nodes.append(helper.make_node(
            "Resize", [f"lift{k}.out", "", "twice"], [f"large{k}"], mode="nearest",
            coordinate_transformation_mode="asymmetric", nearest_mode="floor"))
        nodes.append(helper.make_node("Add", [f"large{k}", skips[k]], [f"joined{k}"]))
        x = layer(f"up{k}b", layer(f"up{k}a", f"joined{k}"))
    convolution("head", x, "maps")
    shape = [1, 1, "rows", "columns"]
    graph = helper.make_graph(
        nodes, "boundary and pore maps",
        [helper.make_tensor_value_info("picture", TensorProto.FLOAT, shape)],
        [helper.make_tensor_value_info("maps", TensorProto.FLOAT, [1, 4 * len(MAPS), "half_rows", "half_columns"])],
        constants)
    return sound_model(graph, description)
