"""The installer's checklist of a joint: seven things that no photo shows, answered yes, no or not applicable."""

from __future__ import annotations

from typing import Literal

from cli.jobs.findings import Finding, finding, listed

Answer = Literal["yes", "no", "na"]
ANSWERS: dict[Answer, str] = {"yes": "Yes", "no": "No", "na": "Not applicable"}

ITEMS: dict[str, str] = {
    "cut-square": "Pipe cut square, with a smooth blade",
    "lubricant": "Lubricant on the inner bore only",
    "line-drawn": "Line drawn at the mark depth",
    "seated": "Seated to the line before pressing",
    "nut-spins": "Nut spins",
    "gasket": "Gasket back in",
    "protector": "Thread protector on",
}


def told(answers: dict[str, str]) -> Finding:
    """The answers as a finding.  A person should look at the joint where one of them is "no"."""
    denied = [f'"{sentence}"' for key, sentence in ITEMS.items() if answers.get(key) == "no"]
    if denied:
        return finding("checklist", f"The installer's checklist says no to {listed(denied, len(ITEMS))}.")
    open_ = sum(key not in answers for key in ITEMS)
    if open_:
        return finding("checklist", f"The installer's checklist has {open_} of {len(ITEMS)} points unanswered.",
                       weighs=False)
    return finding("checklist", "The installer's checklist says no to nothing.", weighs=False)
