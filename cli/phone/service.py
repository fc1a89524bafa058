"""Between the phones and the desk: photos come in, are kept, and are looked at while the phones wait."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any, TypeVar

from cli.jobs.judge import Judged
from cli.jobs.worker import check
from cli.lines import Lines, misfit
from cli.phone import pictures
from cli.phone.crew import Crew, Lost
from cli.phone.desk import Desk
from cli.phone.intake import LARGEST_BYTES, received
from cli.phone.names import Kind
from cli.phone.told import Told
from cli.phone.troubles import BadRequest, Busy, NotAPhoto, TooLarge, Trouble
from vision.decode import MOST_PIXELS

T = TypeVar("T")
_PREVIEWS = 6  # kept in memory, some 600 kB each


class Service:
    """A job folder as phones see it.  start() before anything else, stop() at the end.

    crew: looks at photos.  porter: only at their headers, so that no photo waits at the door for another's look.
    """

    def __init__(self, desk: Desk, crew: Crew, porter: Crew, largest_bytes: int = LARGEST_BYTES) -> None:
        self.desk, self.crew, self.porter, self.largest_bytes = desk, crew, porter, largest_bytes
        self._thread = ThreadPoolExecutor(1, "desk")
        self._looking: dict[str, asyncio.Task[None]] = {}
        self._unseen = asyncio.Event()
        self._previews: OrderedDict[tuple[str, str], pictures.Preview] = OrderedDict()

    async def start(self) -> None:
        """Open the folder, start the crew, and go on with what an earlier run left."""
        await self.at_desk(self.desk.open)
        await self.crew.start()
        await self.porter.start()
        for photo_id in await self.at_desk(self.desk.waiting):
            self._look(photo_id)
        self._unseen.set()
        self._background = asyncio.get_running_loop().create_task(self._look_at_the_rest())

    async def stop(self) -> None:
        """End; photos that nobody has looked at are taken up by the next start."""
        under_way = [self._background, *self._looking.values()]
        for task in under_way:
            task.cancel()
        await asyncio.gather(*under_way, return_exceptions=True)
        await self.crew.stop()
        await self.porter.stop()
        await self.at_desk(self.desk.close)
        self._thread.shutdown()

    async def at_desk(self, work: Callable[..., T], *given: Any) -> T:
        """Do something with the folder, after all that was asked before."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *given)

    async def survey(self) -> list[Judged]:
        """Every joint as it is judged now; photos that nobody has looked at yet are looked at from then on."""
        seen = await self.at_desk(self.desk.survey)
        if any(photo.state == "waiting" for each in seen for photo in each.photos):
            self._unseen.set()
        return seen

    async def _look_at_the_rest(self) -> None:
        """Look at photos that came another way, one after the other, while nobody waits for another."""
        while True:
            await self._unseen.wait()
            self._unseen.clear()
            with suppress(Trouble):  # told to whoever opens the page
                for joint, photo in await self.at_desk(self.desk.unseen):
                    while self._looking:
                        await asyncio.wait(list(self._looking.values()))
                    if photo_id := await self.at_desk(self.desk.take_up, joint, photo):
                        await asyncio.wait([self._look(photo_id)])

    async def arrive(self, photo_id: str, joint: str, body: AsyncIterator[bytes], kind: Kind = "after") -> Told:
        """Take a photo in and keep it; what is seen on it comes later.  Sent twice, it is there once."""
        async with received(self.desk.top, body, self.largest_bytes) as incoming:
            if await self.at_desk(self.desk.known, photo_id, joint, incoming.sha256, kind) is None:
                await self._measure(str(incoming.path))
            sent = await self.at_desk(self.desk.keep, photo_id, joint, incoming, kind)
        if sent.state == "kept":
            self._look(sent.id)
        return await self.at_desk(self.desk.photo, sent.id)

    async def _measure(self, path: str) -> None:
        """Refuse what has too many pixels or is a photo by its first bytes only."""
        try:
            width, height = await self.porter.do(pictures.header_px, path)
        except (RuntimeError, Lost) as error:
            raise NotAPhoto("This file begins like a photo but can't be opened. Take the photo again.") from error
        if width * height > MOST_PIXELS:
            raise TooLarge(f"The picture has {width} x {height} pixels; at most 50 megapixels are taken. Choose a "
                           "smaller picture size in the camera's settings.")

    async def photo(self, photo_id: str, wait_s: float = 0.0) -> Told:
        """A photo; waits so long for it to be looked at."""
        told = await self.at_desk(self.desk.photo, photo_id)
        if told.sent.state == "kept":
            task = self._looking.get(photo_id) or self._look(photo_id)
            if wait_s:
                await asyncio.wait([task], timeout=wait_s)
                told = await self.at_desk(self.desk.photo, photo_id)
        return told

    async def again(self, photo_id: str) -> Told:
        """Look at a photo once more."""
        await self._looked_at(photo_id)
        await self.at_desk(self.desk.again, photo_id)
        return await self.photo(photo_id)

    async def place(self, photo_id: str, lines: Lines | None) -> Told:
        """Look at a photo with a person's lines, or again without them."""
        await self._looked_at(photo_id)
        if lines is None:
            await self.at_desk(self.desk.unplace, photo_id)
        else:
            await self._refuse_misfit(photo_id, lines)
            await self.at_desk(self.desk.place, photo_id, lines)
        return await self.photo(photo_id)

    async def _refuse_misfit(self, photo_id: str, lines: Lines) -> None:
        """Raise BadRequest for lines that were placed on a picture of another size."""
        await self.at_desk(self.desk.of_joint_itself, photo_id)
        path = await self.at_desk(self.desk.path, photo_id)
        try:
            size_px = await self.porter.do(pictures.upright_px, path)
        except (RuntimeError, Lost) as error:
            raise NotAPhoto("This file can't be opened as a photo, so no lines can be placed on it.") from error
        if lines.size_px != size_px:
            raise BadRequest(misfit(lines.size_px, size_px))

    async def preview(self, photo_id: str) -> pictures.Preview:
        """The picture to place lines on.  Raises NotAPhoto, BadRequest or Busy."""
        sent = await self.at_desk(self.desk.of_joint_itself, photo_id)
        path, of = await self.at_desk(self.desk.path, photo_id), (sent.id, sent.sha256)
        if of not in self._previews:
            try:
                made = await self.crew.do(pictures.preview, path, self.desk.job.camera)
            except (RuntimeError, Lost) as error:
                raise Busy(f"The picture could not be prepared ({error}) Try again.") from error
            if made is None:
                raise NotAPhoto("This file can't be opened as a photo, so no lines can be placed on it.")
            self._previews[of] = made
            while len(self._previews) > _PREVIEWS:
                self._previews.popitem(last=False)
        return self._previews[of]

    async def _looked_at(self, photo_id: str) -> None:
        """Wait for a look that is under way: what it finds must not count for what comes after."""
        if task := self._looking.get(photo_id):
            await asyncio.wait([task])

    def _look(self, photo_id: str) -> asyncio.Task[None]:
        """Have a photo looked at; once at a time."""
        if photo_id not in self._looking:
            task = asyncio.get_running_loop().create_task(self._look_at(photo_id))
            self._looking[photo_id] = task
            task.add_done_callback(lambda _: self._looking.pop(photo_id, None))
        return self._looking[photo_id]

    async def _look_at(self, photo_id: str) -> None:
        try:
            task = await self.at_desk(self.desk.begin, photo_id)
            if task is not None:
                outcome = await self.crew.do(check, task)
                await self.at_desk(self.desk.finish, photo_id, task, outcome)
        except (Trouble, Lost, RuntimeError) as error:
            await self._give_up(photo_id, str(error))
        except Exception as error:
            await self._give_up(photo_id, f"The program failed ({type(error).__name__}: {error}). This is a fault of "
                                          "collargap, not of the photo: please report it.")
            raise

    async def _give_up(self, photo_id: str, why: str) -> None:
        with suppress(Trouble):  # nothing can be noted just now: the next who asks for the photo has it looked at
            await self.at_desk(self.desk.fail, photo_id, why)
