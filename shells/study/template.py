"""The study file that `shells new` writes."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

from shells.errors import ConfigError


def write_template(name: str, directory: Path) -> Path:
    """Write a commented study file to start from.

    Parameters
    ----------
    name : str
        Name of the study: letters, digits, - and _.
    directory : Path
        Where the file goes.

    Returns
    -------
    Path
        The file, named like the study.

    Raises
    ------
    ConfigError
        The name cannot be used, or the file exists.
    """
    if not re.fullmatch(r"[A-Za-z0-9_-]+", name):
        raise ConfigError(
            f"name of the study: found '{name}', expected letters, digits, - and _ only, such as first-study"
        )
    text = files("shells.study").joinpath("template.toml").read_text(encoding="utf-8")
    path = directory / f"{name}.toml"
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(text.replace('name = "first-study"  ', f'name = "{name}"  ', 1))
    except FileExistsError:
        raise ConfigError(f"{path}: exists already. Give another name, or remove it first.") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written: {error.strerror}. Change to a directory that can.") from None
    return path
