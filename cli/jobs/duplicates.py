"""The same picture, or a near copy of it, used for two joints: found by perceptual hashes.

A hash is the sign of the 256 lowest frequencies of the picture made small and grey, against their median.
On 100 photos of different joints the nearest two differed in 90 of 256 bits; copies saved again at quality 50,
made a third as large, brightened or trimmed by 1 % differed in at most 30.  So a picture has several: as it is, turned,
mirrored, and trimmed.  Each of the 21 sample photos, mirrored, turned, trimmed by 1 to 6 % a side and saved anew at
quality 60, has one within 26 bits of one of its own, and within 90 of none of the others'.  A copy that was trimmed by
more, or on one side alone by more than 2 %, is not found.
"""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

HASH_BYTES = 32
NEAR_BITS = 31
_SIDE, _BETWEEN = 64, 512
_LOW = 17
_FLAT = 3.0
_BAND = np.dtype("<u2")
_TRIMS = (0.02, 0.035, 0.05)  # of a side: a copy trimmed by up to a hundredth more or less is near to one of them


def picture_hashes(pixels: NDArray[np.uint8]) -> tuple[bytes, ...]:
    """Of an RGB picture (height, width, 3), 32 bytes each: as it is, turned by each right angle, all of these mirrored,
    and trimmed.  Near copies share one.

    A picture without contrast (lens covered, night) is like every other of its kind, so it has none.
    """
    grey = _small(pixels)
    ways = [np.rot90(side, turn) for side in (grey, grey[:, ::-1]) for turn in range(4)]
    return () if grey.std() < _FLAT else tuple(_hash(np.ascontiguousarray(way)) for way in (*ways, *_trimmed(pixels)))


def _trimmed(pixels: NDArray[np.uint8]) -> Iterator[NDArray[np.float32]]:
    import cv2

    between = cv2.resize(pixels, (_BETWEEN, _BETWEEN), interpolation=cv2.INTER_AREA)
    for share in _TRIMS:
        off = round(share * _BETWEEN)
        yield _small(np.asarray(between[off:-off, off:-off], np.uint8))


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
    """Whether two hashes are those of near copies."""
    return (int.from_bytes(one, "big") ^ int.from_bytes(other, "big")).bit_count() <= NEAR_BITS


def same_pictures(photos: Iterable[tuple[bytes, str]]) -> list[list[int]]:
    """Groups of photos, by their places, that are near copies of one another.  In hand are some 350 bytes a photo.

    photos: of each its picture's hashes, one after the other (one alone where an old check knew no more), and that of
    its file; what has no hash as a picture may still be the same file.
    """
    hashes, owners = bytearray(), array("q")
    for place, (phashes, sha256) in enumerate(photos):
        own = phashes or bytes.fromhex(sha256)
        hashes += own
        owners.extend([place] * (len(own) // HASH_BYTES))
    return near_copies(np.frombuffer(bytes(hashes), np.uint8).reshape(-1, HASH_BYTES), np.asarray(owners, np.intp))


def near_copies(hashes: NDArray[np.uint8], owners: NDArray[np.intp]) -> list[list[int]]:
    """Groups of owners with `hashes` (n, 32) that are near to one another; owners: of each row, the picture's number.

    Pairs are looked for among hashes that share at least one of sixteen 16-bit bands, which finds every pair
    up to 15 bits apart and nine in ten at the 31 bits that are still called near.
    """
    if len(hashes) < 2:
        return []
    unique, first, at = np.unique(hashes, axis=0, return_index=True, return_inverse=True)
    near, firsts = _Groups(), owners[first]
    having_it_first = firsts[at.ravel()]
    for row in np.flatnonzero(having_it_first != owners):
        near.join(int(having_it_first[row]), int(owners[row]))
    for one, other in _near_pairs(np.ascontiguousarray(unique), firsts):
        near.join(one, other)
    return near.all()


def _near_pairs(unique: NDArray[np.uint8], owners: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """Owners of hashes that are near: each is held against those of its band that stand 1, 2, 3 ... places further."""
    words, bands = unique.view("<u8"), unique.view(_BAND)
    for column in bands.T:
        order = np.argsort(column, kind="stable")
        band, here, step = column[order], np.arange(len(order)), 1
        while len(here := here[here + step < len(order)]) and len(here := here[band[here] == band[here + step]]):
            one, other = order[here], order[here + step]
            bits = np.bitwise_count(words[one] ^ words[other]).sum(axis=1, dtype=np.int64)
            near = (bits <= NEAR_BITS) & (owners[one] != owners[other])
            yield from zip(owners[one[near]].tolist(), owners[other[near]].tolist(), strict=True)
            step += 1


class _Groups:
    """Groups that grow together; whoever was never joined is a group alone and costs nothing."""

    def __init__(self) -> None:
        self._parent: dict[int, int] = {}
        self._met: set[int] = set()

    def find(self, one: int) -> int:
        while (parent := self._parent.get(one, one)) != one:
            self._parent[one] = self._parent.get(parent, parent)
            one = parent
        return one

    def join(self, one: int, other: int) -> None:
        self._met |= {one, other}
        self._parent[self.find(one)] = self.find(other)

    def all(self) -> list[list[int]]:
        """Those of more than one."""
        groups: dict[int, list[int]] = defaultdict(list)
        for one in sorted(self._met):
            groups[self.find(one)].append(one)
        return sorted(groups.values())
