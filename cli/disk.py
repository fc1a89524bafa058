"""Files that people name: photos, catalogs, cameras.  What can't be used raises Misuse with a sentence."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from calibration.camera import Camera
from calibration.fittings import Fitting, Misuse, demo_catalog, parse_catalog
from cli.say import shown

CATALOG_VARIABLE = "COLLARGAP_CATALOG"
LARGEST_BYTES = 256 * 2**20


def read_photo(path: Path) -> bytes:
    """All bytes of a plain file; pipes and devices are not opened, for they may never end."""
    name = shown(path)
    try:
        with open(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)),
                  "rb") as file:
            facts = os.fstat(file.fileno())
            if stat.S_ISDIR(facts.st_mode):
                raise IsADirectoryError
            if not stat.S_ISREG(facts.st_mode):
                raise Misuse(f"{name} is not a plain file. Name a photo.")
            if facts.st_size > LARGEST_BYTES:
                raise Misuse(f"{name} is larger than {LARGEST_BYTES // 2**20} MiB. Send the photo itself.")
            return file.read()
    except FileNotFoundError:
        raise Misuse(f"There is no file {name}. Check its name and folder.") from None
    except IsADirectoryError:
        example = f"{name.rstrip('/')}/*.jpg"
        raise Misuse(f"{name} is a folder. Name the photos in it, for example {example}.") from None
    except PermissionError:
        raise Misuse(f"{name} may not be read. Check the file's permissions.") from None
    except (OSError, ValueError) as error:
        raise Misuse(f"{name} could not be read ({getattr(error, 'strerror', None) or error}).") from None


def read_catalog(path: Path | None) -> tuple[Fitting, ...]:
    """The catalog named here or in COLLARGAP_CATALOG, else the built-in demonstration rows."""
    if path is None:
        named = os.environ.get(CATALOG_VARIABLE, "")
        if not named:
            return demo_catalog()
        path = Path(named)
    return parse_catalog(_text(path, "catalog"), shown(path))


class _CameraFile(BaseModel):
    """The keys of a camera file: those of `calibration.camera.Camera`."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    focal_px: float = Field(gt=0)
    centre_px: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    u_focal_px: float = Field(ge=0)
    u_centre_px: float = Field(ge=0)
    u_k1: float = Field(ge=0)


def read_camera(path: Path | None) -> Camera | None:
    """A camera's own calibration from a TOML file with the keys of `calibration.camera.Camera`."""
    if path is None:
        return None
    name = shown(path)
    try:
        values = _CameraFile.model_validate(tomllib.loads(_text(path, "camera file")))
    except tomllib.TOMLDecodeError as error:
        raise Misuse(f"{name}: This is not valid TOML: {error}. Mend that line.") from None
    except ValidationError as error:
        first = error.errors()[0]
        raise Misuse(f"{name}: key '{first['loc'][0]}': {first['msg']}. A camera file has the keys "
                     f"{', '.join(_CameraFile.model_fields)}.") from None
    return Camera(**values.model_dump(), source="chart")


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
