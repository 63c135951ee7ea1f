"""Finds the files that travel with the program: the demo site, instrument maps, templates."""

from pathlib import Path

__all__ = ["config_folder", "config_path"]

_PACKAGE = Path(__file__).resolve().parent


def config_folder() -> Path:
    """The `config` folder: inside the package in an installed wheel, beside it in a source checkout.

    Raises FileNotFoundError where neither exists, which means a broken installation.
    """
    for folder in (_PACKAGE / "config", _PACKAGE.parent / "config"):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"no config folder in {_PACKAGE} or beside it; install the program again")


def config_path(*parts: str) -> Path:
    """A file of the `config` folder, such as config_path("demo", "site.yaml")."""
    return config_folder().joinpath(*parts)
