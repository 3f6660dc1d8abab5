"""Trains the network that says which digit of a drum counter's wheel is how far from the middle of its window, on wheels drawn as it goes.

    python -m analyser.ingest.training.drum_wheels WORK/cut OUT.onnx      (--steps N, --device cuda)

Needs PyTorch, onnx, Pillow and fontTools. Wheels are drawn by the training part's fonts and spoilt as cameras and codecs do, all on the device that
trains: a minute on one H200, some hours on a CPU.
"""

from __future__ import annotations

import argparse
import math
import time
from functools import partial
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

from analyser.ingest.drum_network import BINS, CELL, HEIGHT, WIDTH
from analyser.ingest.training.digit_styles import digits_of
from analyser.ingest.training.fonts import faces

BATCH = 2048
BOX = 40, 56  # width and height of a digit as it is held
DRAWN = 2  # times as fine as the network sees it
QUANTA = (16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62, 18, 22, 37, 56,
          68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99)  # ITU-T T.81, table K.1  # fmt: skip


class WheelNetwork(nn.Module):
    """Wheels, (n, 1, HEIGHT, WIDTH), mean 0, to scores of digits and places, (n, 10 BINS)."""

    def __init__(self, a: int = 24, b: int = 48, c: int = 64, d: int = 128):
        super().__init__()
        plain = partial(nn.Conv2d, kernel_size=3, padding=1, bias=False)
        self.convolutions = nn.ModuleList([
            plain(CELL * CELL, a), plain(a, b, stride=2), plain(b, b), plain(b, b), plain(b, c, stride=2), plain(c, c),
            nn.Conv2d(c, d, (HEIGHT // CELL // 4, WIDTH // CELL // 4), bias=False), nn.Conv2d(d, 10 * BINS, 1),
        ])  # fmt: skip
        self.norms = nn.ModuleList(nn.BatchNorm2d(each.out_channels) for each in self.convolutions[:-1])
        self.drop = nn.Dropout(0.1)

    def forward(self, wheels):
        x = F.pixel_unshuffle(wheels, CELL)
        for convolution, norm in zip(self.convolutions, self.norms):
            y = norm(convolution(x))
            x = torch.relu(y + x if y.shape == x.shape else y)
        return self.convolutions[-1](self.drop(x)).flatten(1)

    def to_onnx(self) -> bytes:
        """As an ONNX file that takes cells, (n, CELL * CELL, rows, columns); weights in half precision."""
        from onnx import TensorProto, helper, numpy_helper

        nodes, weights, current, rows = [], [], "wheels", CELL * CELL
        for index, convolution in enumerate(self.convolutions):
            last = index == len(self.norms)
            weight, bias = convolution.weight.detach().double().cpu(), convolution.bias.detach().double().cpu() if last else 0.0
            if not last:
                norm = self.norms[index]
                factor = (norm.weight.double() / torch.sqrt(norm.running_var.double() + norm.eps)).detach().cpu()
                weight, bias = weight * factor[:, None, None, None], norm.bias.detach().double().cpu() - norm.running_mean.double().cpu() * factor
            weights += [numpy_helper.from_array(part.numpy().astype(np.float16), f"{kind}{index}") for kind, part in (("w", weight), ("b", bias))]
            tall, wide = convolution.padding
            result = "scores" if last else f"c{index}"
            nodes.append(helper.make_node("Conv", [current, f"w{index}", f"b{index}"], [result], kernel_shape=list(convolution.kernel_size),
                                          strides=list(convolution.stride), pads=[tall, wide, tall, wide]))  # fmt: skip
            if last:
                break
            if convolution.in_channels == convolution.out_channels and convolution.stride == (1, 1):
                nodes.append(helper.make_node("Add", [result, current], [f"a{index}"]))
                result = f"a{index}"
            nodes.append(helper.make_node("Relu", [result], [f"r{index}"]))
            current = f"r{index}"
        graph = helper.make_graph(
            nodes, "wheels", [helper.make_tensor_value_info("wheels", TensorProto.FLOAT, ["n", rows, HEIGHT // CELL, WIDTH // CELL])],
            [helper.make_tensor_value_info("scores", TensorProto.FLOAT, ["n", 10 * BINS, 1, 1])], weights,
        )  # fmt: skip
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)])
        model.ir_version = 8
        return model.SerializeToString()


class Wheels:
    """Draws wheels of random makes.

    Parameters
    ----------
    fonts : ndarray, (fonts, 10, height, width)
        Digits, 0 to 1.
    device : str
    seed : int
    """

    def __init__(self, fonts: np.ndarray, device: str, seed: int):
        self.fonts = torch.from_numpy(np.pad(fonts, ((0, 0), (0, 0), (1, 1), (1, 1)))).to(device)
        self.device = device
        self.dice = torch.Generator(device).manual_seed(seed)
        self.sizes = np.random.default_rng(seed)

    def _even(self, count: int, low: float, high: float) -> torch.Tensor:
        """Numbers between two, (count, 1, 1)."""
        return low + (high - low) * torch.rand(count, 1, 1, generator=self.dice, device=self.device)

    def draw(self, count: int) -> tuple[torch.Tensor, torch.Tensor]:
        """Wheels as the network takes them, (count, 1, HEIGHT, WIDTH), and the chances of each digit and place, (count, 10 BINS)."""
        even = partial(self._even, count)
        roll = torch.where(even(0, 1) < 0.6, 1.0, -1.0)
        tall, pitch = even(0.5, 0.95), even(0.8, 1.25)
        pitch = torch.maximum(pitch, tall * 1.03)
        broad, low = even(0.45, 0.98), even(-0.06, 0.06)
        place = even(0, 10)
        place = torch.where(even(0, 1) < 0.4, place.round() + even(-0.04, 0.04), place)  # most wheels stand
        ink = self._ink(count, place, roll, tall, pitch, broad, low)
        picture = self._lit(ink)
        aside = place - place.round()  # how far the nearest digit lies below the middle, in steps
        return self._photographed(picture), self._chances(place.flatten(), (low / pitch - roll * aside).flatten(), roll.flatten())

    def _ink(self, count: int, place, roll, tall, pitch, broad, low) -> torch.Tensor:
        """Where digits are, 0 to 1, (count, rows, columns), with a little of the wheels beside."""
        even = partial(self._even, count)
        tilt, lean = even(-0.04, 0.04), even(-0.05, 0.05)
        down, across = ((torch.arange(n * DRAWN, device=self.device) + 0.5) / (n * DRAWN) - 0.5 for n in (HEIGHT, WIDTH))
        down, across = down[None, :, None], across[None, None, :]
        x = across * even(0.9, 1.12) + even(-0.08, 0.08) + tilt * down
        y = down * even(0.97, 1.03) + lean * across
        beside = x.round().long()  # -1, 0, 1: the wheel to the left, this one, the one to the right
        places = torch.cat([even(0, 10).round(), place, even(0, 10).round()], 1).squeeze(2)
        own = places.gather(1, (beside + 1).clamp(0, 2).flatten(1)).view_as(x)
        along = own + roll * (y - low) / pitch
        digit = along.round()
        high, wide = self.fonts.shape[2:]
        row = ((along - digit) * roll * pitch / tall + 0.5) * BOX[1] + 0.5
        column = ((x - beside) / broad + 0.5) * BOX[0] + 0.5
        font = torch.randint(len(self.fonts), (count, 1, 1), generator=self.dice, device=self.device)
        base = (font * 10 + digit.long() % 10) * high
        row, column = row.clamp(0, high - 1.001), column.clamp(0, wide - 1.001)
        r, c = row.floor(), column.floor()

        def at(a: torch.Tensor, b: torch.Tensor) -> torch.Tensor:
            return self.fonts.view(-1)[(base + a.long()) * wide + b.long()]

        top = at(r, c) * (1 - column + c) + at(r, c + 1) * (column - c)
        bottom = at(r + 1, c) * (1 - column + c) + at(r + 1, c + 1) * (column - c)
        ink = top * (1 - row + r) + bottom * (row - r)
        ink = ((ink - even(0.25, 0.6)) * even(2, 5) + 0.5).clamp(0, 1)  # bolder, lighter
        line = ((x - beside).abs() > 0.5 - even(-0.01, 0.04)).float() * (even(0, 1) < 0.7)
        return ink * (1 - line) - line * even(-0.6, 1.0)  # a line between wheels, of any tone

    def _lit(self, ink: torch.Tensor) -> torch.Tensor:
        """Tones under shade and glare, 0 to 1."""
        count = len(ink)
        even = partial(self._even, count)
        rows, columns = ink.shape[1:]
        down = torch.linspace(-1, 1, rows, device=self.device)[None, :, None]
        across = torch.linspace(-1, 1, columns, device=self.device)[None, None, :]
        contrast = even(0.12, 0.85) * torch.where(even(0, 1) < 0.5, 1.0, -1.0)
        paper = torch.where(contrast > 0, even(0.02, 0.3), even(0.6, 1.0))
        picture = (paper + contrast * ink).clamp(0, 1)
        picture = picture * (1 - even(0, 0.8) * down.abs() ** (2 * even(1, 2.5)))
        framed = (down.abs() > 1 - even(-0.1, 0.14)).float()
        picture = picture * (1 - framed) + framed * even(0, 0.9)
        glare = torch.exp(-(((across - even(-2, 2)) / even(0.5, 2)) ** 2) - ((down - even(-1.5, 1.5)) / even(0.3, 1.5)) ** 2) * even(-0.6, 0.6).clamp(min=0)
        picture = picture * (1 + even(-0.3, 0.3) * across + even(-0.3, 0.3) * down)
        return (picture * even(0.35, 1.0) + glare).clamp(0, 1)

    def _photographed(self, picture: torch.Tensor) -> torch.Tensor:
        """As seen by a camera: few pixels, soft, noisy, coded."""
        count = len(picture)

        def even(low: float, high: float) -> torch.Tensor:
            return self._even(count, low, high)[:, None]

        wide = int(round(math.exp(self.sizes.uniform(math.log(10), math.log(40)))))
        high = max(10, round(wide * self.sizes.uniform(1.0, 1.8)))
        small = F.interpolate(picture[:, None], (high, wide), mode="bilinear", antialias=True)
        soft, axis = even(0.2, 1.3), torch.arange(-3, 4, device=self.device).float()
        kernel = torch.exp(-((axis / soft) ** 2) / 2)
        kernel = kernel / kernel.sum(-1, keepdim=True)
        padded = F.pad(small, (3, 3, 3, 3), mode="replicate")[:, 0][None]
        padded = F.conv2d(padded, kernel.view(count, 1, 1, 7), groups=count)
        small = F.conv2d(padded, kernel.view(count, 1, 7, 1), groups=count)[0][:, None]
        small = small + torch.randn(small.shape, generator=self.dice, device=self.device) * 0.06 * even(0, 1) ** 2
        small = torch.where(even(0, 1) < 0.75, _coded(small.clamp(0, 1), even(15, 95)), small)
        full = F.interpolate(small.clamp(0, 1), (HEIGHT, WIDTH), mode="bicubic", antialias=True)
        return (full - full.mean((2, 3), keepdim=True)) / (full.std((2, 3), keepdim=True) + 4 / 255)

    def _chances(self, place: torch.Tensor, low: torch.Tensor, roll: torch.Tensor) -> torch.Tensor:
        """What the network should say: shared between the two places nearest, (n, 10 BINS). ``low``: steps that the digit at ``place`` lies below the middle."""
        digit = place.round() - roll * low.round()  # another is nearer the middle
        along = (low - low.round() + 0.5) * BINS - 0.5
        wanted = torch.zeros(len(place), 10 * BINS, device=self.device)
        first = along.floor()
        for bin_, share in ((first, 1 - along + first), (first + 1, along - first)):
            over = (bin_ >= BINS).float() - (bin_ < 0).float()
            which = ((digit - roll * over).long() % 10) * BINS + (bin_ - over * BINS).long()
            wanted.scatter_add_(1, which[:, None], share[:, None])
        return wanted


def _coded(pictures: torch.Tensor, quality: torch.Tensor) -> torch.Tensor:
    """What JPEG leaves of grey pictures, (n, 1, height, width), at each quality, (n, 1, 1, 1)."""
    high, wide = pictures.shape[2:]
    padded = F.pad(pictures, (0, -wide % 8, 0, -high % 8), mode="replicate") * 255 - 128
    k = torch.arange(8, device=pictures.device).float()
    cosines = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) / 2
    cosines[0] /= math.sqrt(2)
    n, _, h, w = padded.shape
    blocks = padded.view(n, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)
    quanta = (torch.tensor(QUANTA, device=pictures.device).view(1, 1, 1, 8, 8) * scale[..., None] / 100).round().clamp(min=1)
    blocks = cosines.T @ ((cosines @ blocks @ cosines.T / quanta).round() * quanta) @ cosines
    return ((blocks.permute(0, 1, 3, 2, 4).reshape(n, 1, h, w) + 128) / 255)[:, :, :high, :wide].clamp(0, 1)


def train(fonts: np.ndarray, steps: int, device: str, seed: int, batch: int) -> WheelNetwork:
    """A network trained on so many batches."""
    torch.manual_seed(seed)
    wheels, network = Wheels(fonts, device, seed), WheelNetwork().to(device)
    optimiser = torch.optim.AdamW(network.parameters(), 3e-3, weight_decay=0.02)
    pace = torch.optim.lr_scheduler.OneCycleLR(optimiser, 4e-3, steps, pct_start=0.1)
    begun = time.monotonic()
    for step in range(steps):
        pictures, wanted = wheels.draw(batch)
        loss = -(F.log_softmax(network(pictures), 1) * wanted).sum(1).mean()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        pace.step()
        if step % 100 == 99:
            print(f"{step + 1} of {steps}: loss {loss.item():.3f}, {time.monotonic() - begun:.0f} s", flush=True)
    return network.eval()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--batch", type=int, default=BATCH)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    drawn = [digits_of(face.path, BOX) for face in faces(given.fonts, "train") if not face.segments]
    fonts = np.array([each for each in drawn if each is not None], np.float32)
    print(f"{len(fonts)} fonts", flush=True)
    given.out.write_bytes(train(fonts, given.steps, given.device, given.seed, given.batch).to_onnx())


if __name__ == "__main__":
    main()
