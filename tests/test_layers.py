"""Who may import whom: cli -> vision -> calibration, and no stage knows another stage."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
VISION = sorted((ROOT / "vision").rglob("*.py"))
CALIBRATION = sorted((ROOT / "calibration").rglob("*.py"))

STAGES = {"decode", "locate", "refine", "pose", "edges", "unwrap", "square", "survey", "gauge", "read", "assist",
          "trace", "uncertainty", "verdict", "end", "depth", "placing", "insertion"}
PARTS = {"focal": {"decode"}, "looks": {"locate", "end"}, "sides": {"refine", "assist", "trace", "gauge"},
         "mouth": {"read", "square", "survey", "depth", "trace"}, "resample": {"unwrap", "lanes", "edges", "looks"},
         "lanes": {"survey", "gauge", "edges"},
         "mark": {"read", "depth"}, "alike": {"read"}, "cut": {"depth"},
         "redraw": {"uncertainty", "placing", "insertion"}, "wave": {"uncertainty", "placing", "insertion"},
         "sharpness": {"pipeline"}}
# After the road: they put several verdicts together, and may ask stages of it.
BEYOND = {"both": {"insertion", "verdict"}, "compare": {"uncertainty", "redraw", "wave"},
          "ring": {"uncertainty", "redraw", "compare", "wave"},
          "views": {"depths", "redraw", "turn_between", "compare", "ring", "wave"},
          "depths": {"insertion", "drawn", "redraw", "ring", "wave"},
          "drawn": {"redraw", "compare", "ring", "wave"}, "turn_between": set()}
SHARED = {"records", "reasons", "geometry", "propagation", "networks"}
FROM_CALIBRATION = {"calibration.camera": {"Camera", "FocalSource"}, "calibration.fittings": {"Fitting"}}
LENS_READERS = {"Lens", "Profile", "ProfileError", "read_lens", "turned"}  # where photo and profile meet


def imports(path: Path) -> set[str]:
    """Every module that a file imports, `from a import b` as "a.b" and "a"."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            found |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return found


def own_name(path: Path) -> str:
    return path.relative_to(ROOT / "vision").parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", VISION + CALIBRATION, ids=lambda path: str(path.relative_to(ROOT)))
def test_measuring_knows_nothing_of_the_command_line(path: Path) -> None:
    foreign = {"cli", "typer", "rich"} | ({"vision"} if path in CALIBRATION else set())
    assert not {name.split(".")[0] for name in imports(path)} & foreign


@pytest.mark.parametrize("path", VISION, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_stage_knows_another(path: Path) -> None:
    me = own_name(path)
    if me == "pipeline":
        return
    named = {name.split(".")[1] for name in imports(path) if name.startswith("vision.")}
    mine = {part for part, owners in PARTS.items() if me in owners} | {me}
    beside = set().union(*(owners for part, owners in PARTS.items() if part == me))
    siblings = {part for part, owners in PARTS.items() if owners & beside}
    mine |= BEYOND.get(me, set())
    assert named <= SHARED | mine | siblings, f"{me} imports {sorted(named - SHARED - mine)}"


@pytest.mark.parametrize("path", VISION, ids=lambda path: str(path.relative_to(ROOT)))
def test_of_calibration_stages_use_the_types_alone(path: Path) -> None:
    for name in imports(path):
        for module, types in FROM_CALIBRATION.items():
            if name.startswith(module + "."):
                more = LENS_READERS if own_name(path) in {"decode", "pipeline"} else set()
                assert name.removeprefix(module + ".") in types | more


@pytest.mark.parametrize("path", VISION, ids=lambda path: str(path.relative_to(ROOT)))
def test_measuring_neither_prints_nor_opens_files(path: Path) -> None:
    calls = {node.func.id for node in ast.walk(ast.parse(path.read_text("utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not calls & {"print", "open", "input", "exec", "eval"}


def test_every_module_is_a_stage_a_part_or_shared() -> None:
    named = {own_name(path) for path in VISION} - {"__init__", "pipeline"}
    assert named == STAGES | PARTS.keys() | BEYOND.keys() | SHARED


def test_every_stage_is_on_the_road() -> None:
    named = imports(ROOT / "vision" / "pipeline.py")
    assert {f"vision.{stage}" for stage in STAGES} <= named
