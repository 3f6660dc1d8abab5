"""Trains the recogniser on crops drawn as it goes, and writes it as ONNX.

    python -m analyser.ingest.training.fonts WORK              fetch the fonts into WORK/cut
    python -m analyser.ingest.training.train WORK/cut OUT      train (--steps N: so many steps; --minutes M: as long)

Needs PyTorch, onnx, Pillow and fontTools. On one H200 and 16 cores about a quarter of an hour (--teacher, an ONNX of before, shortens
it); on a CPU some nights. On a CPU (--device cpu) with --steps the same options (--workers among them) give the same weights to the last
bit: crops, their order and every step come from the seed. On a GPU the loss adds up in no fixed order, and nothing is promised.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import time
from pathlib import Path

import cv2
import numpy as np
import torch
from torch import nn
from torch.utils.data import DataLoader, IterableDataset

from analyser.ingest.recogniser import ALPHABET, HEIGHT, UNREADABLE, to_strip
from analyser.ingest.training.crops import EXTREME, HARD, MILD, Drawer, training_crop
from analyser.ingest.training.fonts import faces
from analyser.ingest.training.network import NETS, Network, go_on_from, read_onnx

BATCH = 1024  # --batch
POOL = 3  # batches drawn together and sorted by width, so that little of a batch is padding
KEPT = 500  # batches held for going over again
AGAIN = 4  # times a step uses an old batch for each new one
RESTYLED = 0.3  # lines made wider, narrower, bolder or lighter than their font
TAUGHT = 0.6  # part of the training in which a teacher is followed, less and less


def encode(text: str) -> list[int]:
    """Classes of a text's characters."""
    known = ALPHABET + UNREADABLE
    return [known.index(character) + 1 for character in text if character in known]


def stack(samples) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor, torch.Tensor]:
    """(strips, columns of each, classes, lengths)."""
    widest = max(strip.shape[1] for strip, _ in samples)
    strips = np.zeros((len(samples), 1, HEIGHT, widest), np.float16)
    columns, classes, lengths = [], [], []
    for index, (strip, text) in enumerate(samples):
        strips[index, 0, :, : strip.shape[1]] = strip
        strips[index, 0, :, strip.shape[1] :] = strip[:, -1:]
        code = encode(text)
        columns.append(strip.shape[1] // 2)
        classes += code
        lengths.append(len(code))
    return torch.from_numpy(strips), torch.tensor(columns), torch.tensor(classes), torch.tensor(lengths)


class Crops(IterableDataset):
    """Endless batches of training crops; each worker has a seed of its own."""

    def __init__(self, folder: Path, seed: int, batch: int = BATCH):
        self.folder, self.seed, self.batch = folder, seed, batch

    def __iter__(self):
        cv2.setNumThreads(0)
        info = torch.utils.data.get_worker_info()
        dice = np.random.default_rng([self.seed, info.id if info else 0])
        drawer = Drawer(faces(self.folder, "train"), restyled=RESTYLED)
        while True:
            samples = []
            while len(samples) < self.batch * POOL:
                crop, text = training_crop(dice, drawer)
                samples.append((to_strip(crop), text))
            samples.sort(key=lambda sample: sample[0].shape[1])
            for place in dice.permutation(POOL):
                yield stack(samples[place * self.batch : (place + 1) * self.batch])


def varied(strips: torch.Tensor, dice: torch.Generator) -> torch.Tensor:
    """The same crops seen a little otherwise: moved, stretched and leaning, softer, of another tone, noisier."""
    n, device = len(strips), strips.device

    def draw(low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(n, device=device, generator=dice)

    warp = torch.zeros(n, 2, 3, device=device)
    warp[:, 0, 0] = 1
    warp[:, 0, 1] = draw(-0.12, 0.12) * strips.shape[2] / strips.shape[3]
    warp[:, 1, 1], warp[:, 1, 2] = draw(0.92, 1.08), draw(-0.06, 0.06)
    grid = nn.functional.affine_grid(warp, list(strips.shape), align_corners=False)
    moved = nn.functional.grid_sample(strips, grid, padding_mode="border", align_corners=False)
    softer = nn.functional.avg_pool2d(moved, 3, 1, 1, count_include_pad=False)
    share = (draw(-0.6, 0.7).clamp(min=0))[:, None, None, None]
    moved = moved + share * (softer - moved)
    bend = draw(-0.12, 0.12)[:, None, None, None]
    moved = (moved + bend * (moved * moved - 1)) * draw(0.9, 1.1)[:, None, None, None]
    noise = torch.randn(moved.shape, device=device, generator=dice) * draw(-0.1, 0.2).clamp(min=0)[:, None, None, None]
    return moved + noise


def judged(folder: Path, part: str, count: int, seed: int) -> dict[str, list]:
    """Crops of fonts that are not trained on, by level."""
    drawer = Drawer(faces(folder, part), drawn=0.0)
    dice = np.random.default_rng(seed)
    return {
        name: [drawer.draw(dice, severity) for _ in range(count)]
        for name, severity in (("mild", MILD), ("hard", HARD), ("extreme", EXTREME))
    }


def apart(told: torch.Tensor, scores: torch.Tensor, columns: torch.Tensor, lengths: torch.Tensor, trusted: torch.Tensor) -> torch.Tensor:
    """How far columns' scores are from what a teacher says of them (Kullback & Leibler), a character; each crop counts as much as the teacher
    is ``trusted`` with it. ``told``: logarithms of probabilities, (n, CLASSES, columns), as ``scores``."""
    inside = torch.arange(told.shape[2], device=told.device) < columns[:, None]
    return ((told.exp() * (told - scores)).sum(1) * inside * trusted[:, None]).sum() / lengths.sum()


@torch.no_grad()
def exact(network: Network, crops: list, device) -> float:
    """Share of crops whose likeliest path spells their text."""
    network.eval()
    right = 0
    known = ALPHABET + UNREADABLE
    order = sorted(range(len(crops)), key=lambda index: to_strip(crops[index][0]).shape[1])
    for start in range(0, len(order), 256):
        samples = [(to_strip(crops[index][0]), crops[index][1]) for index in order[start : start + 256]]
        strips, columns, _, _ = stack(samples)
        path = network(strips.float().to(device)).argmax(1).cpu().numpy()
        for (_, text), line, length in zip(samples, path, columns):
            line = line[:length]
            keep = [c for i, c in enumerate(line) if c and (i == 0 or c != line[i - 1])]
            found = "".join(known[c - 1] for c in keep)
            right += found.replace(" ", "") == text.replace(" ", "")
    network.train()
    return right / len(crops)


def first_batch(folder: Path, seed: int) -> torch.Tensor:
    """A few hundred crops as strips, to begin from a stored network."""
    return next(iter(Crops(folder, seed, 256 // POOL)))[0].float()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("fonts", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--steps", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument("--start", type=Path, help="folder with NAME.onnx to go on from, where it has one; a network may have grown since")
    parser.add_argument("--teacher", type=Path, help="a trained network (ONNX) whose columns are followed at first, where it spells a crop rightly")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nets", default="quick,deep")
    parser.add_argument("--batch", type=int, default=BATCH)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--tests", type=int, default=1000, help="crops a level that the result is judged on")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    begun = time.time()
    torch.manual_seed(options.seed)
    device = options.device
    if device == "cpu":
        torch.use_deterministic_algorithms(True)
        torch.set_num_threads(1)
    nets = {name: Network(NETS[name]()).to(device, memory_format=torch.channels_last) for name in options.nets.split(",")}
    for name, net in nets.items():
        if options.start and (options.start / f"{name}.onnx").exists():
            go_on_from(net, (options.start / f"{name}.onnx").read_bytes(), first_batch(options.fonts, options.seed).to(device))
        print(name, sum(weight.numel() for weight in net.parameters()), "weights", flush=True)
    averages = {name: torch.optim.swa_utils.AveragedModel(net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.999), use_buffers=True) for name, net in nets.items()}
    parameters = {name: torch.optim.AdamW(net.parameters(), lr=options.rate, weight_decay=0.01) for name, net in nets.items()}
    teacher = read_onnx(options.teacher.read_bytes()).to(device, memory_format=torch.channels_last) if options.teacher else None
    loss_of, chance_of = nn.CTCLoss(zero_infinity=True), nn.CTCLoss(reduction="none")
    loader = DataLoader(
        Crops(options.fonts, options.seed, options.batch), batch_size=None, num_workers=options.workers,
        prefetch_factor=4 if options.workers else None, pin_memory=device == "cuda",
    )  # fmt: skip
    stream = iter(loader)
    checks = judged(options.fonts, "calibrate", min(400, options.tests), 7)
    tones = torch.Generator(device).manual_seed(options.seed)
    dice = np.random.default_rng(options.seed)
    kept: list = []
    step = fresh = 0
    shown = {name: 0.0 for name in nets}
    trained = time.time()
    log = []
    while True:
        done = step / options.steps if options.steps else (time.time() - trained) / (60 * options.minutes)
        if done >= 1:
            break
        if len(kept) < 8 or step % (AGAIN + 1) == 0:
            batch = tuple(part.to(device, non_blocking=True) for part in next(stream))
            fresh += 1
            if len(kept) < KEPT:
                kept.append(batch)
            else:
                kept[dice.integers(KEPT)] = batch
        else:
            batch = kept[dice.integers(len(kept))]
        strips, columns, classes, lengths = batch
        strips = varied(strips.float(), tones).contiguous(memory_format=torch.channels_last)
        rate = options.rate * min(1.0, (step + 1) / 300) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        pull = max(0.0, 1 - done / TAUGHT) if teacher else 0.0
        if pull:
            with torch.no_grad(), torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
                told = teacher(strips).float().log_softmax(1)
            trusted = (-chance_of(told.permute(2, 0, 1), classes, columns, lengths)).exp()
        for name, net in nets.items():
            for group in parameters[name].param_groups:
                group["lr"] = rate
            with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
                scores = net(strips)
            scores = scores.float().log_softmax(1)
            loss = loss_of(scores.permute(2, 0, 1), classes, columns, lengths)
            if pull:
                loss = loss + pull * apart(told, scores, columns, lengths, trusted)
            parameters[name].zero_grad(set_to_none=True)
            loss.backward()
            nn.utils.clip_grad_norm_(net.parameters(), 5.0)
            parameters[name].step()
            averages[name].update_parameters(net)
            if step % 100 == 0:
                shown[name] = loss.item()
        if step % 1000 == 0:
            line = {"step": step, "fresh": fresh, "seconds": round(time.time() - begun), **{n: round(v, 4) for n, v in shown.items()}}
            if step % 3000 == 0 and step:
                line["exact"] = {name: {level: round(exact(averages[name].module, crops, device), 4) for level, crops in checks.items()} for name in nets}
            log.append(line)
            print(json.dumps(line), flush=True)
            for name in nets:
                torch.save(averages[name].module.state_dict(), options.out / f"{name}.pt")
        step += 1
    result = {"steps": step, "fresh crops": fresh * options.batch}
    tests = judged(options.fonts, "test", options.tests, 11)
    for name in nets:
        net = averages[name].module.eval()
        torch.save(net.state_dict(), options.out / f"{name}.pt")
        (options.out / f"{name}.onnx").write_bytes(net.to_onnx())
        result[name] = {level: round(exact(net, crops, device), 4) for level, crops in tests.items()}
        net.eval()
        with torch.no_grad():
            sample = torch.from_numpy(to_strip(tests["mild"][0][0])[None, None]).to(device)
            np.savez(options.out / f"{name}-check.npz", strip=sample.cpu().numpy(), scores=net(sample).cpu().numpy())
    print(json.dumps(result), flush=True)
    (options.out / "log.json").write_text(json.dumps([*log, result], indent=1))
    os._exit(0)  # workers that draw without end are not waited for


if __name__ == "__main__":
    main()
