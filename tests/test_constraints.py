"""Every package of an environment set up by `./run` has its version pinned, and no file names a registry."""

import importlib.metadata
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
REQUIREMENTS = sorted(path.name for path in ROOT.glob("requirements*.txt"))

OURS, OF_PYTHON = {"depthline"}, {"pip", "setuptools", "wheel"}
"""Not pinned here: the package itself, and what Python's own `venv` puts into an environment."""

OPTIONAL = {"requirements-cad.txt"}
"""Extras that `./run` does not install; theirs need other versions of some packages."""


def canonical(name: str) -> str:
    """Names are the same whatever their case and separators (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pins(name: str) -> dict[str, str]:
    """Versions that a file of requirements pins, by canonical name; each line must pin one."""
    found = {}
    for line in (ROOT / name).read_text().splitlines():
        if line.strip() and not line.startswith("#"):
            package, version = re.fullmatch(r"([A-Za-z0-9_.-]+)==([A-Za-z0-9_.!+]+)", line).groups()
            assert canonical(package) not in found, f"{name}: {package} is there twice"
            found[canonical(package)] = version
    return found


def test_every_installed_package_is_pinned_to_its_version() -> None:
    installed = {canonical(of.metadata["Name"]): of.version for of in importlib.metadata.distributions()}
    pinned = pins("constraints.txt")
    if "cadquery-ocp" in installed:
        pytest.skip("the extra cad, which ./run does not install, is there")
    of_run = {name: version for name, version in installed.items() if name not in OURS | OF_PYTHON}
    assert {name: version for name, version in of_run.items() if pinned.get(name) != version} == {}


def test_requirements_agree_with_the_constraints() -> None:
    pinned = pins("constraints.txt")
    for name in set(REQUIREMENTS) - OPTIONAL:
        assert {package: pinned.get(package) for package in pins(name)} == pins(name), name


def test_what_builds_the_package_is_pinned() -> None:
    build = tomllib.loads((ROOT / "pyproject.toml").read_text())["build-system"]["requires"]
    assert all(re.fullmatch(r"[a-z]+==[0-9.]+", needed) for needed in build), build


def test_run_installs_with_the_constraints() -> None:
    script = (ROOT / "run").read_text()
    (install,) = re.findall(r"-m pip install.*\n.*", script)
    assert '-c "$here/constraints.txt"' in install


@pytest.mark.parametrize("name", [*REQUIREMENTS, "constraints.txt", "pyproject.toml"])
def test_no_address_of_a_registry(name: str) -> None:
    text = (ROOT / name).read_text()
    assert not re.search(r"https?://|file:|--(extra-)?index-url|--find-links", text)
