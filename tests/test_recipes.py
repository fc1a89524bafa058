"""The commands of DEVELOPERS.md that make the networks again: each takes what it is given, of what was made before."""

from __future__ import annotations

import ast
import re
import shlex
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
STUDIO = ROOT / "sample_images"
WEIGHTS = {path.name for path in (ROOT / "vision" / "weights").glob("*.onnx")}
READ = {"--scenes", "--held", "--photos", "--start", "--assets", "--encoder", "--hdri", "--wheel"}
BEFORE = {"assets", "photos", "lite0.pth", "package/hdri"}  # what others made


def commands() -> list[list[str]]:
    """Every `python -m` line of the chapter, in words, `for` loops written out."""
    chapter = (ROOT / "DEVELOPERS.md").read_text("utf-8").split("### Making them again")[1].split("\n#")[0]
    lines: list[str] = []
    for line in "\n".join(re.findall(r"```sh\n(.*?)```", chapter, re.DOTALL)).splitlines():
        loop = re.fullmatch(r"for name in (.+); do (.+); done", line)
        lines += [loop[2].replace("$name", name) for name in loop[1].split()] if loop else [line]
    return [shlex.split(line, comments=True) for line in lines if line.startswith("python -m")]


def options(module: str) -> dict[str, set[str]]:
    """Options of a module's parser as its source names them, each with its choices where these are written out."""
    found: dict[str, set[str]] = {}
    tree = ast.parse((STUDIO / f"{module.replace('.', '/')}.py").read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "add_argument":
            names = [arg.value for arg in node.args if isinstance(arg, ast.Constant)]
            written = next((key.value for key in node.keywords if key.arg == "choices"), None)
            choices = {item.value for item in written.elts} if isinstance(written, ast.List) else set()
            found |= dict.fromkeys(names, choices)
    return found


def given(words: list[str]) -> dict[str, list[str]]:
    """Options of a command, each with the words that follow it."""
    found: dict[str, list[str]] = {"": []}
    for word in words:
        if word.startswith("--"):
            found[name := word] = []
        else:
            found[name if len(found) > 1 else ""].append(word)
    return found


@pytest.mark.parametrize("words", commands(), ids=lambda words: " ".join(words[2:])[:60])
def test_a_command_names_options_that_there_are(words: list[str]) -> None:
    module, asked = words[2], given(words[3:])
    known = options(module) if module != "training.quarter" else {}
    assert not {name for name in asked if name} - set(known)
    for name, values in asked.items():
        assert not known.get(name) or set(values) <= known[name], name


def test_a_command_reads_what_an_earlier_one_wrote() -> None:
    made = set(BEFORE)
    for words in commands():
        asked = given(words[3:])
        for name in READ & set(asked):
            for value in asked[name]:
                kept = re.sub(r"-\d+\.pt$", ".pt", value)  # a checkpoint of a run
                assert kept in made or value.endswith(".whl"), f"{value} of {' '.join(words)}"
        for value in asked.get("--out", []):
            made |= {value, value.replace(".onnx", ".pt")}


def test_every_network_that_is_shipped_is_made() -> None:
    made = {value for words in commands() for value in given(words[3:]).get("--out", [])}
    assert made >= WEIGHTS
