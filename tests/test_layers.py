"""Who may import whom: cli -> vision -> calibration, and no stage knows another stage."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
VISION = sorted((ROOT / "vision").rglob("*.py"))
CALIBRATION = sorted((ROOT / "calibration").rglob("*.py"))

STAGES = {"decode", "locate", "refine", "pose", "edges", "unwrap", "square", "survey", "gauge", "read", "assist",
          "overdrawn", "trace", "uncertainty", "verdict", "end", "depth", "placing", "insertion"}
PARTS = {"focal": {"decode"}, "bars": {"decode"}, "looks": {"locate", "end"},
         "sides": {"refine", "assist", "trace", "gauge"},
         "mouth": {"read", "square", "survey", "depth", "trace"},
         "resample": {"unwrap", "lanes", "edges", "looks", "overdrawn"},
         "lanes": {"survey", "gauge", "edges", "overdrawn"},
         "mark": {"read", "depth"}, "absent": {"read", "depth"}, "alike": {"read"}, "cut": {"depth"},
         "redraw": {"uncertainty", "placing", "insertion"}, "wave": {"uncertainty", "placing", "insertion"},
         "sharpness": {"pipeline"}, "usual": {"pose", "square", "assist", "uncertainty"}}
# After the road: they put several verdicts together, and may ask stages of it.
BEYOND = {"both": {"insertion", "verdict"}, "compare": {"uncertainty", "redraw", "wave"},
          "ring": {"uncertainty", "redraw", "compare", "wave", "usual"},
          "views": {"depths", "redraw", "turn_between", "compare", "ring", "wave"},
          "depths": {"insertion", "drawn", "redraw", "ring", "wave"},
          "drawn": {"redraw", "compare", "ring", "wave"}, "turn_between": set()}
SHARED = {"records", "reasons", "geometry", "propagation", "networks"}
FROM_CALIBRATION = {"calibration.camera": {"Camera", "FocalSource"}, "calibration.fittings": {"Fitting"}}
LENS_READERS = {"decode": {"Lens", "Profile", "ProfileError", "read_lens", "turned"},  # where photo and profile meet
                "pipeline": {"Profile"}, "focal": {"exif_number", "exif_text"}}


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
                assert name.removeprefix(module + ".") in types | LENS_READERS.get(own_name(path), set())


# What leads to disk, screen or another process, by name: of a function, a method, or a module.
DOORS = {"print", "open", "input", "exec", "eval", "write", "writelines", "write_text", "write_bytes", "read_text",
         "read_bytes", "save", "savez", "savez_compressed", "savetxt", "load", "loadtxt", "genfromtxt", "fromfile",
         "tofile", "memmap", "imread", "imreadmulti", "imwrite", "imshow", "waitKey", "VideoCapture", "FileStorage",
         "dump", "FileIO", "import_module", "__import__"}
OUTSIDE = {"os", "sys", "pathlib", "shutil", "tempfile", "glob", "subprocess", "socket", "urllib", "http", "logging",
           "sqlite3", "pickle", "importlib", "builtins", "webbrowser"}
# The networks' weights come with the program; a photo is decoded from bytes in memory, which Pillow calls opening.
ALLOWED = {"networks": {"importlib", "read_bytes"}, "decode": {"open", "load"}}


def doors_in(source: str) -> set[str]:
    """What in a module leads outside: names it uses, of attributes too, and modules it imports."""
    nodes = list(ast.walk(ast.parse(source)))
    used = {node.id for node in nodes if isinstance(node, ast.Name)}
    used |= {node.attr for node in nodes if isinstance(node, ast.Attribute)}
    taken = [alias.name for node in nodes if isinstance(node, ast.Import | ast.ImportFrom) for alias in node.names]
    modules = {name.split(".")[0] for node in nodes if isinstance(node, ast.Import) for name in
               (alias.name for alias in node.names)}
    modules |= {(node.module or "").split(".")[0] for node in nodes if isinstance(node, ast.ImportFrom)}
    return (used | set(taken)) & DOORS | modules & OUTSIDE


@pytest.mark.parametrize("path", VISION, ids=lambda path: str(path.relative_to(ROOT)))
def test_measuring_neither_prints_nor_opens_files(path: Path) -> None:
    assert doors_in(path.read_text("utf-8")) <= ALLOWED.get(own_name(path), set())


@pytest.mark.parametrize(("line", "door"), [
    ("print(1)", "print"), ("import numpy as np; np.save('x', 1)", "save"), ("from numpy import save as s", "save"),
    ("import cv2; cv2.imread('x')", "imread"), ("keep = cv2.imwrite", "imwrite"),
    ("from pathlib import Path", "pathlib"), ("p.write_text('z')", "write_text"), ("import os.path as o", "os"),
    ("import sys; sys.stdout.write('hi')", "write"), ("Image.open('x')", "open"), ("image.save('x')", "save"),
])
def test_a_door_is_seen_however_it_is_named(line: str, door: str) -> None:
    assert door in doors_in(line)


def test_every_module_is_a_stage_a_part_or_shared() -> None:
    named = {own_name(path) for path in VISION} - {"__init__", "pipeline"}
    assert named == STAGES | PARTS.keys() | BEYOND.keys() | SHARED


def test_every_stage_is_on_the_road() -> None:
    named = imports(ROOT / "vision" / "pipeline.py")
    assert {f"vision.{stage}" for stage in STAGES} <= named
