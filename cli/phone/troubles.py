"""What a phone may be told instead of what it asked for: each with a status, a code and a sentence.

    Trouble
    ├── BadRequest     400  what was sent makes no sense
    ├── NotThere       404
    ├── Taken          409  something else has that name already
    ├── TooLarge       413
    ├── NotAPhoto      415
    └── Busy           503  the disk or the ledger can't be used just now
"""

from __future__ import annotations


class Trouble(Exception):
    """A sentence for the person at the phone, with the remedy in it."""

    status = 500
    code = "trouble"


class BadRequest(Trouble):
    """What was sent makes no sense."""

    status, code = 400, "bad-request"


class NotThere(Trouble):
    """There is no such photo or joint."""

    status, code = 404, "not-there"


class Taken(Trouble):
    """Something else has that name or number already."""

    status, code = 409, "taken"


class TooLarge(Trouble):
    """More bytes or pixels than are taken."""

    status, code = 413, "too-large"


class NotAPhoto(Trouble):
    """By its first bytes it is no kind of photo that is known here."""

    status, code = 415, "not-a-photo"


class Busy(Trouble):
    """The disk or the ledger can't be used just now."""

    status, code = 503, "busy"
