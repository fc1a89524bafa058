"""Under which settings a photo was checked: what makes two checks of the same bytes the same check."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, is_dataclass
from typing import Any

from pydantic import BaseModel

from cli.jobs.worker import Kind


def settings_of(
    fitting: Any, camera: Any, confidence: float, version: str, unit: str | None, kind: Kind = "joint",
    lines: Any = None,
) -> tuple[str, str]:
    """The settings of a check as (key, JSON).  Equal keys: the same photo gets the same answer.

    lines: those that a person placed; a check without them has the key that it had before there were any.
    """
    told = {"fitting": _plain(fitting), "camera": _plain(camera), "confidence": confidence,
    "version": version,
            "unit": unit}  # fmt: skip
    if kind != "joint":  # what was checked before there were other kinds keeps its key
        told["kind"] = kind
    if lines is not None:
        told["lines"] = _plain(lines)
    text = json.dumps(told, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest(), text


def _plain(thing: Any) -> Any:
    if isinstance(thing, BaseModel):
        return thing.model_dump()
    return asdict(thing) if is_dataclass(thing) and not isinstance(thing, type) else thing
