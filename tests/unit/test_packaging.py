"""What is installed is what is written: the version, every package, the data beside them, what they need."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib import metadata, resources
from pathlib import Path

import noonmark.driver
import noonmark.protocols
import noonmark.sim
from noonmark.driver.version import VERSION

PROJECT = tomllib.loads((Path(__file__).resolve().parents[2] / "pyproject.toml").read_text("utf-8"))
ROOMS = {
    f"noonmark.{room.__name__.rpartition('.')[2]}": Path(str(room.__file__)).parent
    for room in (noonmark.driver, noonmark.protocols, noonmark.sim)
}
DISTRIBUTIONS = {  # what is imported: by which name it is installed, where that differs
    "astropy_iers_data": "astropy-iers-data",
    "erfa": "pyerfa",
    "serial": "pyserial",
}


def test_the_version_told_is_the_one_installed() -> None:
    assert metadata.version("noonmark") == VERSION == PROJECT["project"]["version"]


def test_every_folder_with_modules_is_a_package_that_is_installed() -> None:
    """One that is missing from `packages` still imports where the project is installed editable."""
    found = {
        ".".join((name, *path.parent.relative_to(folder).parts))
        for name, folder in ROOMS.items() for path in folder.rglob("*.py")
    }  # fmt: skip
    assert found <= set(PROJECT["tool"]["setuptools"]["packages"])


def test_the_data_of_the_packages_is_beside_them() -> None:
    for room in ROOMS:
        assert resources.files(room).joinpath("py.typed").is_file()
    assert resources.files("noonmark.driver").joinpath("CAUSES.md").is_file()
    shipped = [one.name for one in resources.files("noonmark.protocols").joinpath("dialects").iterdir()]
    assert len([name for name in shipped if name.endswith(".toml")]) >= 10


def test_what_is_imported_is_what_is_required() -> None:
    """No more, so that nobody installs what is not used; no less, lest another package bring it by chance. tzdata is
    data that the standard library and `zones` look for; pytest is there where the fixtures are."""
    imported = set()
    for folder in ROOMS.values():
        for path in folder.rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Import):
                    imported |= {one.name.partition(".")[0] for one in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                    imported.add(node.module.partition(".")[0])
    foreign = imported - set(sys.stdlib_module_names) - {"noonmark", "pytest"}
    required = {re.split(r"[<>=~! ]", one)[0] for one in PROJECT["project"]["dependencies"]}
    assert {DISTRIBUTIONS.get(name, name) for name in foreign} | {"tzdata"} == required
