"""Files that people name: photos, catalogs, cameras.  What can't be used raises Misuse with a sentence."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from calibration.camera import Profile, parse_profile
from calibration.fittings import Fitting, Misuse, demo_catalog, parse_catalog
from cli.files import LARGEST_BYTES, NotPlain, TooLarge, is_drawn, plain_bytes
from cli.lines import Lines, parse_lines
from cli.say import shown

CATALOG_VARIABLE = "COLLARGAP_CATALOG"


def read_photo(path: Path) -> bytes:
    """All bytes of a plain file that was not drawn here."""
    name = shown(path)
    try:
        data = plain_bytes(path)
    except NotPlain:
        raise Misuse(f"{name} is not a plain file. Name a photo.") from None
    except TooLarge:
        raise Misuse(f"{name} is larger than {LARGEST_BYTES // 2**20} MiB. Send the photo itself.") from None
    except FileNotFoundError:
        raise Misuse(f"There is no file {name}. Check its name and folder.") from None
    except IsADirectoryError:
        example = f"{name.rstrip('/')}/*.jpg"
        raise Misuse(f"{name} is a folder. Name the photos in it, for example {example}.") from None
    except PermissionError:
        raise Misuse(f"{name} may not be read. Check the file's permissions.") from None
    except (OSError, ValueError) as error:
        raise Misuse(f"{name} could not be read ({getattr(error, 'strerror', None) or error}).") from None
    if is_drawn(data):
        raise Misuse(f"{name} is a picture that collargap drew of a photo. Name the photo itself, and keep such "
                     "pictures in a folder of their own.")
    return data


def read_catalog(path: Path | None) -> tuple[Fitting, ...]:
    """The catalog named here or in COLLARGAP_CATALOG, else the built-in demonstration rows."""
    path = catalog_file(path)
    return demo_catalog() if path is None else parse_catalog(_text(path, "catalog"), shown(path))


def catalog_file(path: Path | None) -> Path | None:
    """The file of the catalog in use; None where that is the built-in one."""
    named = os.environ.get(CATALOG_VARIABLE, "")
    return path or (Path(named) if named else None)


def read_camera(path: Path | None) -> Profile | None:
    """The profile of a camera that `collargap camera solve` wrote; None where none is named."""
    return None if path is None else parse_profile(_text(path, "camera profile"), shown(path))


def read_lines(path: Path | None, photos: int = 1) -> Lines | None:
    """Lines that a person placed on a photo; None where no file is named.  They belong to one photo only."""
    if path is None:
        return None
    if photos != 1:
        raise Misuse("--assist belongs to one photo: its lines lie on that picture alone. Name one photo.")
    return parse_lines(_text(path, "file of placed lines"), shown(path))


def refuse_overwriting(output: Path | None, option: str, inputs: Iterable[Path | None]) -> None:
    """Raises Misuse where the file to be written, which `option` names, is one that the command was given to use."""
    if output is not None and any(_same(output, each) for each in inputs if each is not None):
        raise Misuse(f"{shown(output)} is a file that this command uses, and would be overwritten. Name another with "
                     f"{option}.")


def _same(one: Path, other: Path) -> bool:
    """Whether both name one file: by its place, or, where it has several names, by the file itself."""
    if os.path.realpath(one) == os.path.realpath(other):
        return True
    try:
        return one.samefile(other)
    except OSError:  # one of them is not there
        return False


def _text(path: Path, what: str) -> str:
    try:
        return path.read_text("utf-8-sig")
    except FileNotFoundError:
        raise Misuse(f"There is no {what} {shown(path)}. Check its name and folder.") from None
    except UnicodeDecodeError:
        raise Misuse(f"The {what} {shown(path)} is not UTF-8 text. Save it as UTF-8.") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise Misuse(f"The {what} {shown(path)} could not be read ({why}).") from None
