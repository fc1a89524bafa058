"""How well raters agree on verdicts: kappa between them, and right and wrong against a reference."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.study.chance import binomial_interval
from calibration.study.rows import VERDICTS, Judgement, StudyError, cells_of, even_trials

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rate:
    """A share with exact 95 % limits (Clopper & Pearson); all None where there was no occasion."""

    hits: int
    of: int
    share: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Pair:
    """Two raters on the same parts, trial by trial.

    counts: (3, 3), rows the first rater's full, short, unproven, columns the second's.
    kappa, u: Cohen's kappa and its standard error; None where both always said the same word.
    """

    first: str
    second: str
    counts: tuple[tuple[int, ...], ...]
    agreed: Rate
    kappa: float | None
    u: float | None


@dataclass(frozen=True)
class Against:
    """One rater against the reference.

    missed: joints that are short, called full: the dangerous error.  alarmed: full, called short.
    withheld: full or short by the reference, called unproven.  right: called what the reference calls it.
    """

    rater: str
    right: Rate
    missed: Rate
    alarmed: Rate
    withheld: Rate


@dataclass(frozen=True)
class Agreement:
    """All raters.  fleiss: kappa over all of them, the reference left out; None where undefined.  all_agree: parts on
    which these gave one verdict; of none where there is but one verdict a part.

    steady: for each rater, parts on which all own trials agree; empty when there was one trial.
    """

    parts: int
    trials: int
    raters: tuple[str, ...]
    reference: str | None
    fleiss: float | None
    all_agree: Rate
    pairs: tuple[Pair, ...]
    steady: dict[str, Rate]
    against: tuple[Against, ...]
    notes: tuple[str, ...]


def cohen_kappa(counts: ArrayLike) -> tuple[float, float] | None:
    """Cohen's kappa of a square table of counts and its standard error (Fleiss, Cohen, Everitt 1969).

    None where chance alone makes both agree always.  Raises StudyError for a table without ratings.
    """
    table = np.asarray(counts, dtype=float)
    n = table.sum()
    if not n > 0:
        raise StudyError("Kappa needs at least one part that both raters judged.")
    share = table / n
    row, col = share.sum(axis=1), share.sum(axis=0)
    chance = float(row @ col)
    if chance >= 1 - 1e-12:
        return None
    kappa = (float(np.trace(share)) - chance) / (1 - chance)
    own = float((np.diag(share) * (1 - (row + col) * (1 - kappa)) ** 2).sum())
    cross = share * (col[:, None] + row[None, :]) ** 2
    other = (1 - kappa) ** 2 * float(cross.sum() - np.trace(cross))
    variance = (own + other - (kappa - chance * (1 - kappa)) ** 2) / (n * (1 - chance) ** 2)
    return kappa, math.sqrt(max(0.0, variance))


def fleiss_kappa(counts: ArrayLike) -> float | None:
    """Fleiss' kappa (1971) of counts (parts, classes): how many ratings put each part into each class.

    None where all ratings are of one class.  Raises StudyError unless every part has the same number of
    ratings, at least two.
    """
    table = np.asarray(counts, dtype=float)
    ratings = table.sum(axis=1)
    if table.shape[0] == 0 or np.ptp(ratings) > 0 or ratings[0] < 2:
        raise StudyError("Kappa needs the same number of ratings of every part, at least two.")
    n = ratings[0]
    within = float((((table**2).sum(axis=1) - n) / (n * (n - 1))).mean())
    chance = float(((table.sum(axis=0) / table.sum()) ** 2).sum())
    return None if chance >= 1 - 1e-12 else (within - chance) / (1 - chance)


def agreement(rows: Sequence[Judgement], reference: str | None = None) -> Agreement:
    """Everything that verdicts say about their raters; `reference` names the rater who is held to be right.

    Raises StudyError for fewer than two raters, uneven rows, or a reference that is not among the raters.
    """
    parts, raters, cells = cells_of(rows, lambda row: row.rater)
    last = max(row.line for row in rows)
    if reference is not None and reference not in raters:
        raise StudyError(f"No rater is named {reference!r}; the file has {', '.join(raters)}.")
    if len(raters) < 2:
        raise StudyError(f"Only one rater, {raters[0]}: agreement needs two. Add the other's verdicts.", last)
    trials = even_trials(cells, "rater", last)
    words = {key: [row.verdict for row in found] for key, found in cells.items()}
    judged = tuple(name for name in raters if name != reference)
    several = len(judged) * trials > 1  # one verdict agrees with nothing
    fleiss = fleiss_kappa(_class_counts(words, parts, judged)) if several else None
    pairs = tuple(_pair(words, parts, one, other) for one, other in combinations(raters, 2))
    return Agreement(
        parts=len(parts), trials=trials, raters=raters, reference=reference, fleiss=fleiss,
        all_agree=_rate(sum(_unanimous(words, part, judged) for part in parts), len(parts) if several else 0),
        pairs=pairs,
        steady={name: _rate(sum(_unanimous(words, part, (name,)) for part in parts), len(parts))
                for name in raters} if trials > 1 else {},
        against=tuple(_against(words, parts, name, reference) for name in judged) if reference else (),
        notes=_notes(pairs, fleiss, trials),
    )


Words = dict[tuple[str, str], list[str]]


def _class_counts(words: Words, parts: Sequence[str], raters: Sequence[str]) -> Floats:
    count = [Counter(word for name in raters for word in words[part, name]) for part in parts]
    return np.array([[c[verdict] for verdict in VERDICTS] for c in count], dtype=float)


def _unanimous(words: Words, part: str, raters: Sequence[str]) -> bool:
    return len({word for name in raters for word in words[part, name]}) == 1


def _pair(words: Words, parts: Sequence[str], one: str, other: str) -> Pair:
    """Trials are paired in their order, as the AIAG cross-tabulation does."""
    met = Counter(pair for part in parts for pair in zip(words[part, one], words[part, other], strict=True))
    counts = tuple(tuple(met[a, b] for b in VERDICTS) for a in VERDICTS)
    kappa, u = cohen_kappa(counts) or (None, None)
    same = sum(counts[i][i] for i in range(len(VERDICTS)))
    return Pair(one, other, counts, _rate(same, sum(met.values())), kappa, u)


def _against(words: Words, parts: Sequence[str], rater: str, reference: str) -> Against:
    pairs = [pair for part in parts for pair in zip(words[part, rater], words[part, reference], strict=True)]
    short = [said for said, true in pairs if true == "short"]
    full = [said for said, true in pairs if true == "full"]
    return Against(
        rater,
        right=_rate(sum(said == true for said, true in pairs), len(pairs)),
        missed=_rate(short.count("full"), len(short)),
        alarmed=_rate(full.count("short"), len(full)),
        withheld=_rate((short + full).count("unproven"), len(short) + len(full)),
    )


def _rate(hits: int, of: int) -> Rate:
    if of == 0:
        return Rate(0, 0, None, None, None)
    low, high = binomial_interval(hits, of)
    return Rate(hits, of, hits / of, low, high)


def _notes(pairs: Sequence[Pair], fleiss: float | None, trials: int) -> tuple[str, ...]:
    flat = [f"{pair.first} and {pair.second}" for pair in pairs if pair.kappa is None]
    notes = [f"{both} gave one and the same verdict throughout: kappa can't be told from chance."
             for both in flat]
    if fleiss is None:
        notes.append("Kappa over all raters is not defined: too few ratings, or one verdict throughout.")
    if trials > 1:
        notes.append("Limits and standard errors count every trial as if it were a part of its own; trials "
                     "of one part are alike, so the true limits are somewhat wider.")
    return tuple(notes)
