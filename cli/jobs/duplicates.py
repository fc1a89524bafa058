"""The same picture, or a near copy of it, used for two joints: found by a perceptual hash.

The hash is the sign of the 256 lowest frequencies of the picture made small and grey, against their median.
On 100 photos of different joints the nearest two differed in 90 of 256 bits; copies saved again at quality
50,
made a third as large, brightened or trimmed by 1 % differed in at most 30.  A copy that was turned, mirrored
or
trimmed by more is not found.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

HASH_BYTES = 32
NEAR_BITS = 31
_SIDE = 64
_LOW = 17
_FLAT = 3.0
_BAND = np.dtype("<u2")


def perceptual_hash(pixels: NDArray[np.uint8]) -> bytes:
    """32 bytes that near copies share, from an RGB picture (height, width, 3); b"" where it shows nothing.

    A picture without contrast (lens covered, night) is like every other of its kind, so it has no hash.
    """
    import cv2  # only workers need it

    small = cv2.resize(pixels, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    if grey.std() < _FLAT:
        return b""
    low = cv2.dct(grey)[:_LOW, :_LOW].ravel()[1 : 8 * HASH_BYTES + 1]
    return np.packbits(low > np.median(low)).tobytes()


def near_copies(hashes: Sequence[bytes]) -> list[list[int]]:
    """Groups of places in `hashes` whose pictures are near copies of one another; empty hashes match nothing.

    Pairs are looked for among hashes that share at least one of sixteen 16-bit bands, which finds every pair
    up to 15 bits apart and nine in ten at the 31 bits that are still called near.
    """
    places: dict[bytes, list[int]] = defaultdict(list)
    for place, found in enumerate(hashes):
        if found:
            places[found].append(place)
    unique = list(places)
    near = _Groups(len(unique))
    for one, other in _near_pairs(unique):
        near.join(one, other)
    groups = ([place for key in group for place in places[unique[key]]] for group in near.all())
    return [sorted(group) for group in groups if len(group) > 1]


def _near_pairs(unique: Sequence[bytes]) -> Iterator[tuple[int, int]]:
    if len(unique) < 2:
        return
    packed = np.frombuffer(b"".join(unique), np.uint8).reshape(len(unique), HASH_BYTES)
    words, bands = packed.view("<u8"), packed.view(_BAND)
    for column in bands.T:
        order = np.argsort(column, kind="stable")
        ends = np.flatnonzero(np.diff(column[order])) + 1
        starts = np.r_[0, ends]
        for start, end in zip(starts, np.r_[ends, len(order)], strict=True):
            if end - start > 1:
                yield from _within(order[start:end], words)


def _within(bucket: NDArray[np.intp], words: NDArray[np.uint64]) -> Iterator[tuple[int, int]]:
    for first in range(len(bucket) - 1):
        others = bucket[first + 1 :]
        bits = np.bitwise_count(words[others] ^ words[bucket[first]]).sum(axis=1, dtype=np.int64)
        for other in others[bits <= NEAR_BITS]:
            yield int(bucket[first]), int(other)


class _Groups:
    """Disjoint groups of 0 … n-1 that grow together."""

    def __init__(self, size: int) -> None:
        self._parent = list(range(size))

    def find(self, one: int) -> int:
        while self._parent[one] != one:
            self._parent[one] = self._parent[self._parent[one]]
            one = self._parent[one]
        return one

    def join(self, one: int, other: int) -> None:
        self._parent[self.find(one)] = self.find(other)

    def all(self) -> Iterable[list[int]]:
        groups: dict[int, list[int]] = defaultdict(list)
        for one in range(len(self._parent)):
            groups[self.find(one)].append(one)
        return groups.values()
