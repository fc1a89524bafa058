"""Two measurements of one thing: do they agree?  E_n with what both share (ISO 13528 form), shared draws.

ISO 13528 scores a difference by the expanded uncertainty of it: E_n = d / sqrt(U1² + U2²), which agrees where
|E_n| <= 1.  That form is for independent results.  What two results share (one pipe's diameter, one camera)
cancels from their difference: so the inputs of both stand in one list, those that are shared once, and the
difference is drawn from it (JCGM 100 equation 16 for a difference; JCGM 200:2012, 2.47).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.propagation.even import Even
from vision.propagation.inputs import Input, NormalGroup

Floats = NDArray[np.float64]


def e_n(difference: float, low: float, high: float) -> float:
    """The E_n score of a difference, whose interval is low to high: beyond 1 either way where that leaves 0 out.

    An interval may reach further one way than the other; the way towards 0 is the one that counts.
    """
    return difference / (difference - low if difference > 0 else high - difference)


@dataclass(frozen=True)
class Shared:
    """Inputs of several results in one list: those that they share stand in it once.

    own: for each result, from the name its model asks for to the name in the list.
    """

    inputs: tuple[Input, ...]
    own: tuple[Mapping[str, str], ...]

    def values(self, of: int, drawn: Mapping[str, Floats]) -> dict[str, Floats]:
        """What the model of one result asks for, from draws of the whole list."""
        return {name: drawn[key] for name, key in self.own[of].items()}


def shared_inputs(lists: Sequence[Sequence[Input]], common: Collection[str]) -> Shared:
    """One list of the inputs of several results; `common`: names of inputs with one cause for all.

    A common input is the first result's.  The others are renamed `NAME (2)` and so on, and stay independent.
    Raises ValueError where a common input is not in every list.
    """
    made: list[Input] = []
    own: list[dict[str, str]] = []
    for number, items in enumerate(lists, start=1):
        missing = sorted(set(common) - {item.name for item in items})
        if missing:
            raise ValueError(f"result {number} has no input {', '.join(missing)} to share")
        names: dict[str, str] = {}
        for item in items:
            kept = item if item.name in common else _renamed(item, number)
            names |= dict(zip(item.names, kept.names, strict=True))
            if item.name not in common or number == 1:
                made.append(kept)
        own.append(names)
    return Shared(tuple(made), tuple(own))


def _renamed(item: Input, number: int) -> Input:
    """The same input under a name of its own."""
    name = f"{item.name} ({number})"
    if isinstance(item, NormalGroup):
        return replace(item, name=name, members=tuple(f"{member} ({number})" for member in item.members))
    return replace(item, name=name)  # type: ignore[type-var]


def draw_all(inputs: Sequence[Input], draws: int, seed: int) -> dict[str, Floats]:
    """Draws (draws,) of every quantity, by name; the same seed gives the same draws."""
    rng = Even(seed)
    return {name: row for item in inputs for name, row in zip(item.names, item.draw(rng, draws), strict=True)}
