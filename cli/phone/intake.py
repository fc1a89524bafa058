"""A photo on its way in: counted while it comes, known by its first bytes, in a hidden file until it is whole."""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import anyio
from starlette.requests import ClientDisconnect

from cli.phone.troubles import BadRequest, Busy, NotAPhoto, TooLarge

LARGEST_BYTES = 40 * 2**20
HIDDEN = ".collargap"  # in the job folder; `collargap job` passes over what begins with a dot
_PREFIX = "incoming-"

_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"heif")


@dataclass(frozen=True)
class Incoming:
    """A whole photo in its hidden file, not yet in the job."""

    path: Path
    sha256: str
    size: int
    suffix: str


@asynccontextmanager
async def received(folder: Path, body: AsyncIterator[bytes], largest: int = LARGEST_BYTES) -> AsyncIterator[Incoming]:
    """Take in a body; its hidden file is gone afterwards unless it was moved away.

    Raises TooLarge, NotAPhoto, BadRequest (empty, cut off) or Busy (the disk).
    """
    hidden = folder / HIDDEN
    try:
        hidden.mkdir(exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=_PREFIX, suffix=".part", dir=hidden)
    except OSError as error:
        raise _disk(error) from error
    path = Path(name)
    try:
        with open(handle, "wb") as file:
            try:
                sha256, size, head = await _take_in(file, body, largest)
            except ClientDisconnect:  # nobody hears this, and the phone sends the photo again
                raise BadRequest("The connection was lost before the whole photo came. Send it again.") from None
        if not size:
            raise BadRequest("The photo came without a single byte. Send it again.")
        yield Incoming(path, sha256, size, _suffix(head))
    finally:
        path.unlink(missing_ok=True)


async def _take_in(file: io.BufferedWriter, body: AsyncIterator[bytes], largest: int) -> tuple[str, int, bytes]:
    digest, size, head = hashlib.sha256(), 0, b""
    async for chunk in body:
        size += len(chunk)
        if size > largest:
            raise TooLarge(f"The photo is larger than {largest // 2**20} MiB. Send the picture as the phone's camera "
                           "writes it, JPEG or HEIC.")
        if len(head) < 32:
            head += chunk[:32]
            if len(head) >= 12:
                _suffix(head)  # no need to take in the rest of what is no photo
        digest.update(chunk)
        try:
            await anyio.to_thread.run_sync(file.write, chunk)
        except OSError as error:
            raise _disk(error) from error
    try:
        file.flush()
        await anyio.to_thread.run_sync(os.fsync, file.fileno())
    except OSError as error:
        raise _disk(error) from error
    return digest.hexdigest(), size, head


def _disk(error: OSError) -> Busy:
    return Busy(f"The photo could not be kept ({error.strerror or error}). Make room in the job folder; the phone "
                "sends it again.")


def _suffix(head: bytes) -> str:
    """The file's ending by its first bytes; names and types that a phone states are not asked."""
    if head.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    if head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS:
        return ".heic"
    if head[:4] in (b"II*\0", b"MM\0*"):
        return ".tif"
    raise NotAPhoto("This file is no photo that is known here. Send JPEG, PNG, WebP, HEIC or TIFF.")


def swept(folder: Path) -> int:
    """Remove what an earlier run left of photos that never came whole; how many there were."""
    left = list((folder / HIDDEN).glob(f"{_PREFIX}*.part"))
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)
