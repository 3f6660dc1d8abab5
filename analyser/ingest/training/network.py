"""The recogniser's networks, each as a list of layers that both PyTorch (to train) and ONNX (to ship) are built from.

A cell of two by two pixels goes in as four channels. Rows are halved twice more and then joined, with columns once more; what follows works
along the line of text, and each of its places scores two columns, so that narrow digits keep columns of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import nn

from analyser.ingest.recogniser import CELL, CLASSES, HEIGHT


@dataclass(frozen=True)
class Layer:
    """A convolution with batch normalisation and a rectifier; ``add``: its input is added before the rectifier;
    ``split``: one filter a channel."""

    inputs: int
    outputs: int
    size: tuple[int, int]
    stride: tuple[int, int] = (1, 1)
    spread: int = 1
    add: bool = False
    split: bool = False
    last: bool = False

    @property
    def padding(self) -> tuple[int, int]:
        tall = 0 if self.size[0] == HEIGHT // 8 else self.size[0] // 2
        return tall, self.spread * (self.size[1] // 2)


def quick(a: int = 8, b: int = 24, c: int = 48, d: int = 128) -> list[Layer]:
    """Looks at every crop: about 18 million multiplications for one of five times its height."""
    return [
        Layer(4, a, (3, 3)), Layer(a, b, (3, 3), (2, 1)), Layer(b, b, (3, 3), add=True), Layer(b, c, (3, 3), (2, 1)), Layer(c, d, (4, 3), (1, 2)),
        *(Layer(d, d, (1, 3), spread=spread, add=True) for spread in (1, 2, 4)),
        Layer(d, 2 * CLASSES, (1, 1), last=True),
    ]  # fmt: skip


def deep(a: int = 24, b: int = 40, c: int = 80, d: int = 192) -> list[Layer]:
    """Looks again at what the quick one is not sure of: about 7 times its work."""
    return [
        Layer(4, a, (3, 3)), Layer(a, b, (3, 3), (2, 1)), *(Layer(b, b, (3, 3), add=True) for _ in range(3)), Layer(b, c, (3, 3), (2, 1)),
        *(Layer(c, c, (3, 3), add=True) for _ in range(3)), Layer(c, d, (4, 3), (1, 2)),
        *(Layer(d, d, (1, 3), spread=spread, add=True) for spread in (1, 2, 4, 1)),
        Layer(d, 2 * CLASSES, (1, 1), last=True),
    ]  # fmt: skip


NETS = {"quick": quick, "deep": deep}


class Network(nn.Module):
    """Layers in PyTorch. Takes strips, (n, 1, HEIGHT, width), gives scores, (n, CLASSES, width / 2)."""

    def __init__(self, layers: list[Layer]):
        super().__init__()
        self.layers = layers
        self.convolutions = nn.ModuleList(
            nn.Conv2d(
                layer.inputs, layer.outputs, layer.size, layer.stride, layer.padding, (1, layer.spread),
                groups=layer.inputs if layer.split else 1, bias=layer.last,
            )
            for layer in layers
        )  # fmt: skip
        self.norms = nn.ModuleList(nn.Identity() if layer.last else nn.BatchNorm2d(layer.outputs) for layer in layers)
        self.drop = nn.Dropout(0.1)

    def forward(self, x):
        if self.layers[0].inputs == CELL * CELL:
            x = nn.functional.pixel_unshuffle(x, CELL)
        for layer, convolution, norm in zip(self.layers, self.convolutions, self.norms):
            if layer.last:
                x = convolution(self.drop(x)).squeeze(2)
                return x.unflatten(1, (-1, CLASSES)).permute(0, 2, 3, 1).flatten(2)
            y = norm(convolution(x))
            x = torch.relu(y + x) if layer.add else torch.relu(y)
        raise AssertionError("a network ends with a last layer")

    def folded(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """Weights and biases with the normalisation worked in."""
        pairs = []
        for layer, convolution, norm in zip(self.layers, self.convolutions, self.norms):
            weight = convolution.weight.detach().double().cpu()
            if layer.last:
                bias = convolution.bias.detach().double().cpu()
            else:
                factor = (norm.weight.double() / torch.sqrt(norm.running_var.double() + norm.eps)).detach().cpu()
                weight = weight * factor[:, None, None, None]
                bias = (norm.bias.double().cpu() - norm.running_mean.double().cpu() * factor).detach()
            pairs.append((weight.float().numpy(), bias.float().numpy()))
        return pairs

    def to_onnx(self) -> bytes:
        """The network as an ONNX file, any batch and width; weights in half precision, which OpenCV widens as it reads them."""
        from onnx import TensorProto, helper, numpy_helper

        nodes, weights, current = [], [], "strip"
        for index, (layer, (weight, bias)) in enumerate(zip(self.layers, self.folded())):
            weights += [numpy_helper.from_array(part.astype(np.float16), f"{kind}{index}") for kind, part in (("w", weight), ("b", bias))]
            tall, wide = layer.padding
            nodes.append(
                helper.make_node(
                    "Conv", [current, f"w{index}", f"b{index}"], ["scores" if layer.last else f"c{index}"], kernel_shape=layer.size,
                    strides=layer.stride, pads=[tall, wide, tall, wide], dilations=[1, layer.spread],
                    group=layer.inputs if layer.split else 1,
                )
            )  # fmt: skip
            if layer.last:
                break
            result = f"c{index}"
            if layer.add:
                nodes.append(helper.make_node("Add", [result, current], [f"a{index}"]))
                result = f"a{index}"
            nodes.append(helper.make_node("Relu", [result], [f"r{index}"]))
            current = f"r{index}"
        graph = helper.make_graph(
            nodes, "recogniser",
            [helper.make_tensor_value_info("strip", TensorProto.FLOAT, ["n", self.layers[0].inputs, "rows", "width"])],
            [helper.make_tensor_value_info("scores", TensorProto.FLOAT, ["n", self.layers[-1].outputs, 1, "places"])],
            weights,
        )  # fmt: skip
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)])
        model.ir_version = 8
        return model.SerializeToString()


def _stored(data: bytes) -> list[tuple[Layer, torch.Tensor, torch.Tensor]]:
    """Each layer of an ONNX file that :meth:`Network.to_onnx` wrote, with its weights and biases."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load_model_from_string(data).graph
    stored = {each.name: torch.from_numpy(numpy_helper.to_array(each).astype(np.float32)) for each in graph.initializer}
    layers = []
    for node, following in zip(graph.node, [*list(graph.node)[1:], None]):
        if node.op_type == "Conv":
            given = {each.name: list(each.ints) or each.i for each in node.attribute}
            weight, bias = (stored[name] for name in node.input[1:])
            inputs, split = weight.shape[1] * given["group"], given["group"] > 1
            layer = Layer(
                inputs, weight.shape[0], tuple(weight.shape[2:]), tuple(given["strides"]), given["dilations"][1],
                following is not None and following.op_type == "Add", split, following is None,
            )  # fmt: skip
            layers.append((layer, weight, bias))
    return layers


def read_onnx(data: bytes) -> Network:
    """A network that :meth:`Network.to_onnx` wrote, to be asked (its normalisation is worked into its weights)."""
    stored = _stored(data)
    network = Network([layer for layer, *_ in stored])
    for convolution, norm, (layer, weight, bias) in zip(network.convolutions, network.norms, stored):
        convolution.weight.data = weight
        (convolution if layer.last else norm).bias.data = bias
        if not layer.last:
            norm.running_var.fill_(1 - norm.eps)
    return network.eval().requires_grad_(False)


@torch.no_grad()
def go_on_from(network: Network, data: bytes, strips: torch.Tensor) -> None:
    """Let a network begin as a stored one, to be trained on; layers that it has more than the stored one begin as doing nothing.

    Parameters
    ----------
    network : Network
        Its layers are the stored ones in their order, with any that add to their input between.
    data : bytes
        As :meth:`Network.to_onnx` wrote it.
    strips : Tensor, (n, 1, HEIGHT, width)
        Crops to measure each layer's scores on, which its normalisation goes by.
    """
    waiting = _stored(data)
    x = nn.functional.pixel_unshuffle(strips, CELL)
    for layer, convolution, norm in zip(network.layers, network.convolutions, network.norms):
        known = bool(waiting) and waiting[0][0] == layer
        if known:
            _, weight, bias = waiting.pop(0)
            convolution.weight.copy_(weight)
        elif not layer.add:
            raise ValueError(f"the stored network has no {layer}")
        if layer.last:
            convolution.bias.copy_(bias)
            continue
        y = convolution(x)
        mean, spread = y.mean((0, 2, 3)), y.var((0, 2, 3))
        norm.running_mean.copy_(mean), norm.running_var.copy_(spread)
        norm.weight.copy_(torch.sqrt(spread + norm.eps) if known else torch.zeros_like(spread))
        norm.bias.copy_(bias.to(mean) + mean if known else torch.zeros_like(mean))
        y = (y - mean[:, None, None]) * (norm.weight / torch.sqrt(spread + norm.eps))[:, None, None] + norm.bias[:, None, None]
        x = torch.relu(y + x) if layer.add else torch.relu(y)
    if waiting:
        raise ValueError(f"the network has no {waiting[0][0]}, which is stored")
