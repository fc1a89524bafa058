"""results.csv and results.jsonl: a row a photo, and one for each joint without a photo."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from dataclasses import asdict
from typing import IO, Any

from cli.jobs.judge import Judged
from cli.jobs.store import Answered
from cli.jobs.text import cell

CSV_COLUMNS = (
    "joint", "joint_verdict", "photo", "verdict", "fitting", "gap", "gap_low", "gap_high", "limit", "unit",
    "insertion", "location", "installer", "machine", "date", "taken", "reasons", "advice", "findings",
    "error", "sha256", "version", "kind", "depth", "depth_low", "depth_high", "mark_depth", "cut_deg", "insertion_from",
    "insertion_low", "insertion_high", "min_insertion",
)  # fmt: skip


def write_csv(file: IO[str], joints: Iterable[Judged]) -> None:
    """The table for spreadsheets: no cell can start a formula, every name is shown with what hides in it."""
    table = csv.writer(file)
    table.writerow(CSV_COLUMNS)
    for judged in joints:
        for photo in judged.photos or (None,):
            row = _row(judged, photo)
            table.writerow([cell(value) if isinstance(value, str) else value for value in row])


def _row(judged: Judged, photo: Answered | None) -> list[Any]:
    joint, answer = judged.joint, (photo.answer if photo else None) or {}
    depth = answer.get("depth") or {}
    gap, insertion, reasons = (
        answer.get("gap") or {},
        answer.get("insertion") or {},
        answer.get("reasons") or [],
    )
    return [
        joint.name, judged.word, photo.name if photo else "", answer.get("verdict", ""),
        answer.get("fitting", joint.fitting), gap.get("value"), gap.get("low"), gap.get("high"),
        answer.get("limit"),
        answer.get("unit", ""), insertion.get("value"), joint.location, joint.installer, joint.machine,
        joint.date,
        photo.taken if photo else "", " ".join(each["code"] for each in reasons),
        " ".join(each["advice"] for each in reasons), " ".join(each.text for each in judged.findings),
        photo.error if photo else "", answer.get("sha256", ""), answer.get("version", ""),
        photo.kind if photo else "", depth.get("value"), depth.get("low"), depth.get("high"), answer.get("mark_depth"),
        ((answer.get("cut") or {}).get("angle_deg") or {}).get("value"), answer.get("insertion_from") or "",
        insertion.get("low"), insertion.get("high"), answer.get("min_insertion"),
    ]  # fmt: skip


def write_jsonl(file: IO[str], joints: Iterable[Judged]) -> None:
    """One JSON object a line: that of `check`, with what the job knows beside it.

    `photo` is null in the one line of a joint without a photo; `verdict` is null where no check was possible.
    """
    for judged in joints:
        for photo in judged.photos or (None,):
            answer: dict[str, Any] = {"photo": photo.name if photo else None, "verdict": None}
            answer |= (photo.answer if photo else None) or {}
            joint = judged.joint
            answer |= {
                "joint": joint.name, "joint_verdict": judged.word, "location": joint.location,
                "installer": joint.installer, "machine": joint.machine, "date": joint.date,
                "taken": photo.taken if photo else "", "error": photo.error if photo else "",
                "all_round": judged.together,
                "findings": [asdict(each) for each in judged.findings],
            }  # fmt: skip
            file.write(json.dumps(answer) + "\n")
