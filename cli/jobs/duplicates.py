"""The same picture, or a near copy of it, used for two joints: found by a perceptual hash.

The hash is the sign of the 256 lowest frequencies of the picture made small and grey, against their median.
On 100 photos of different joints the nearest two differed in 90 of 256 bits; copies saved again at quality 50,
made a third as large, brightened or trimmed by 1 % differed in at most 30.  A copy that was turned, mirrored or
trimmed by more is not found.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

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
    grey = _small(pixels)
    return b"" if grey.std() < _FLAT else _hash(grey)


def hashes_all_ways(pixels: NDArray[np.uint8]) -> tuple[bytes, ...]:
    """The same of the picture as it is, turned by each right angle, and all of these mirrored; empty where it shows
    nothing."""
    grey = _small(pixels)
    ways = [np.rot90(side, turn) for side in (grey, grey[:, ::-1]) for turn in range(4)]
    return () if grey.std() < _FLAT else tuple(_hash(np.ascontiguousarray(way)) for way in ways)


def _small(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """A grey square of _SIDE pixels."""
    import cv2  # only workers need it

    small = cv2.resize(pixels, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.float32)


def _hash(grey: NDArray[np.float32]) -> bytes:
    import cv2

    low = np.asarray(cv2.dct(grey))[:_LOW, :_LOW].ravel()[1 : 8 * HASH_BYTES + 1]
    return np.packbits(low > np.median(low)).tobytes()


def are_near(one: bytes, other: bytes) -> bool:
    """Whether two hashes are those of near copies; none is where a picture has no hash."""
    if not one or not other:
        return False
    return (int.from_bytes(one, "big") ^ int.from_bytes(other, "big")).bit_count() <= NEAR_BITS


def same_pictures(photos: Iterable[tuple[bytes, str]]) -> list[list[int]]:
    """Groups of photos, by their places, that are near copies of one another.  In hand are 32 bytes a photo.

    photos: of each its picture's hash, and that of its file; what has no hash as a picture may still be the same file.
    """
    hashes = bytearray()
    for phash, sha256 in photos:
        hashes += phash or bytes.fromhex(sha256)
    return near_copies(np.frombuffer(bytes(hashes), np.uint8).reshape(-1, HASH_BYTES))


def near_copies(hashes: NDArray[np.uint8]) -> list[list[int]]:
    """Groups of rows of `hashes` (n, 32) whose pictures are near copies of one another.

    Pairs are looked for among hashes that share at least one of sixteen 16-bit bands, which finds every pair
    up to 15 bits apart and nine in ten at the 31 bits that are still called near.
    """
    if len(hashes) < 2:
        return []
    unique, at = np.unique(hashes, axis=0, return_inverse=True)
    at = at.ravel()
    near = _Groups()
    for one, other in _near_pairs(np.ascontiguousarray(unique)):
        near.join(one, other)
    heads = np.fromiter(map(near.find, range(len(unique))), np.intp, len(unique))[at]
    order = np.argsort(heads, kind="stable")
    ends = np.flatnonzero(np.diff(heads[order])) + 1
    return sorted([group.tolist() for group in np.split(order, ends) if len(group) > 1])


def _near_pairs(unique: NDArray[np.uint8]) -> Iterator[tuple[int, int]]:
    words, bands = unique.view("<u8"), unique.view(_BAND)
    for column in bands.T:
        order = np.argsort(column, kind="stable")
        ends = np.r_[np.flatnonzero(np.diff(column[order])) + 1, len(order)]
        starts = np.r_[0, ends[:-1]]
        shared = ends - starts > 1
        for start, end in zip(starts[shared], ends[shared], strict=True):
            yield from _within(order[start:end], words)


def _within(bucket: NDArray[np.intp], words: NDArray[np.uint64]) -> Iterator[tuple[int, int]]:
    for first in range(len(bucket) - 1):
        others = bucket[first + 1 :]
        bits = np.bitwise_count(words[others] ^ words[bucket[first]]).sum(axis=1, dtype=np.int64)
        for other in others[bits <= NEAR_BITS]:
            yield int(bucket[first]), int(other)


class _Groups:
    """Groups that grow together; whoever was never joined is a group alone and costs nothing."""

    def __init__(self) -> None:
        self._parent: dict[int, int] = {}

    def find(self, one: int) -> int:
        while (parent := self._parent.get(one, one)) != one:
            self._parent[one] = self._parent.get(parent, parent)
            one = parent
        return one

    def join(self, one: int, other: int) -> None:
        self._parent[self.find(one)] = self.find(other)
