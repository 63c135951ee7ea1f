"""The packaged files are found beside the package in a checkout and inside it in an installed wheel."""

from pathlib import Path

import pytest

from gateway import resources


def test_a_checkout_has_its_config_beside_the_package() -> None:
    assert resources.config_path("demo", "site.yaml").is_file()
    assert resources.config_folder().name == "config"


def test_an_installed_package_has_it_inside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "gateway"
    (package / "config").mkdir(parents=True)
    (tmp_path / "config").mkdir()
    monkeypatch.setattr(resources, "_PACKAGE", package)
    assert resources.config_folder() == package / "config"


def test_neither_is_a_broken_installation(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resources, "_PACKAGE", tmp_path / "gateway")
    with pytest.raises(FileNotFoundError, match="install the program again"):
        resources.config_folder()
