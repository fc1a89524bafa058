"""Who may come in: an access code, in the address that the QR code shows and then in a cookie.

The code is compared in constant time, and its 59 bits are not guessed.  The right one always enters; an address that
offered wrong ones too often is told to wait with the next wrong one.  Cookies don't count as guesses: one of an
earlier run is no attack.  Each job has a cookie of its own, since browsers share cookies among a machine's ports.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable

COOKIE = "collargap"
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that look alike
_LENGTH = 12  # 59 bits
MOST_WRONG = 6
WINDOW_S = 60.0
_MOST_ADDRESSES = 10_000


def new_code() -> str:
    """A code that nobody can guess: three groups of four, so that a person can type it."""
    code = "".join(secrets.choice(_LETTERS) for _ in range(_LENGTH))
    return "-".join(code[at:at + 4] for at in range(0, _LENGTH, 4))


class Access:
    """The one code of this run, and a memory of who offered wrong ones."""

    def __init__(self, code: str, job: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        """job: what tells one job from others of this machine."""
        self.tag = hashlib.sha256(job.encode("utf-8", "replace")).hexdigest()[:8]
        self._code = code.encode()
        self._clock = clock
        self._wrong: OrderedDict[str, deque[float]] = OrderedDict()

    @property
    def cookie(self) -> str:
        """The name of the cookie that holds the code."""
        return f"{COOKIE}-{self.tag}"

    def right(self, offered: str) -> bool:
        """Whether it is the code."""
        return hmac.compare_digest(offered.strip().encode("utf-8", "replace"), self._code)

    def tried(self, address: str) -> None:
        """Remember a wrong code against the address that offered it."""
        times = self._wrong.setdefault(address, deque(maxlen=MOST_WRONG))
        times.append(self._clock())
        self._wrong.move_to_end(address)
        while len(self._wrong) > _MOST_ADDRESSES:
            self._wrong.popitem(last=False)

    def must_wait_s(self, address: str) -> float:
        """Seconds until this address may try again; 0 where it may now."""
        times = self._wrong.get(address)
        if not times or len(times) < MOST_WRONG:
            return 0.0
        return max(0.0, times[0] + WINDOW_S - self._clock())
