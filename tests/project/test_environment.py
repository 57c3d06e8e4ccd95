"""pyproject.toml, environment.yml and requirements.lock say the same; nothing names an index or a host."""

import subprocess
import tomllib
from pathlib import Path

import pytest
import yaml
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

import thermlab

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")


def requirements(lines):
    found = [Requirement(line) for line in lines]
    return {canonicalize_name(requirement.name): requirement for requirement in found}


def locked():
    """Return every (requirement, marker) line of the lock with its number of hashes."""
    entries = LOCK.replace("\\\n", " ").splitlines()
    return [
        (Requirement(entry.split(" --hash")[0].strip()), entry.count("--hash=sha256:")) for entry in entries if entry
    ]


RUNTIME = requirements(PROJECT["project"]["dependencies"])
DEVELOPMENT = requirements(PROJECT["dependency-groups"]["dev"])


@pytest.fixture(scope="module")
def conda():
    return yaml.safe_load((ROOT / "environment.yml").read_text(encoding="utf-8"))


def test_conda_environment_has_the_same_names_and_ranges(conda):
    plain = [entry for entry in conda["dependencies"] if isinstance(entry, str)]
    ranges = {name: SpecifierSet(rest) for name, _, rest in (entry.partition(" ") for entry in plain)}
    assert ranges.pop("python") == SpecifierSet(PROJECT["project"]["requires-python"])
    ranges.pop("pip")
    assert ranges == {name: requirement.specifier for name, requirement in RUNTIME.items()}


def test_conda_environment_takes_one_channel_only(conda):
    assert conda["channels"] == ["conda-forge", "nodefaults"]


def test_conda_environment_has_no_exact_pins(conda):
    assert not [entry for entry in conda["dependencies"] if isinstance(entry, str) and "=" in entry.replace(">=", "")]


@pytest.mark.parametrize("python", ["3.11.9", "3.12.4", "3.13.0"])
def test_lock_satisfies_every_range_on_every_python(python):
    short = python.rpartition(".")[0]
    environment = {
        "python_full_version": python, "python_version": short, "sys_platform": "linux", "platform_system": "Linux",
        "os_name": "posix", "implementation_name": "cpython", "platform_python_implementation": "CPython",
    }  # fmt: skip
    versions = {
        canonicalize_name(requirement.name): next(iter(requirement.specifier)).version
        for requirement, _ in locked()
        if requirement.marker is None or requirement.marker.evaluate(environment)
    }
    assert python in SpecifierSet(PROJECT["project"]["requires-python"])
    for name, requirement in (RUNTIME | DEVELOPMENT).items():
        assert name in versions, name
        assert requirement.specifier.contains(versions[name]), f"{name} {versions[name]}"


def test_lock_pins_every_entry_exactly_and_with_hashes():
    entries = locked()
    assert len(entries) > 100
    for requirement, hashes in entries:
        assert [specifier.operator for specifier in requirement.specifier] == ["=="], requirement
        assert hashes >= 1, requirement
    assert "thermlab" not in {canonicalize_name(requirement.name) for requirement, _ in entries}


@pytest.mark.parametrize("name", ["requirements.lock", "environment.yml", "pyproject.toml", "Makefile"])
def test_no_index_and_no_host_is_named(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "://" not in text
    assert "--index" not in text
    assert "--find-links" not in text


def test_uv_lock_is_not_tracked():
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    tracked = subprocess.run(["git", "ls-files", "uv.lock"], cwd=ROOT, capture_output=True, text=True, check=True)
    assert tracked.stdout == ""
    assert "uv.lock" in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()


def test_build_backend_is_in_the_lock():
    # The editable install of the Makefile builds without isolation and without an index.
    names = {canonicalize_name(requirement.name) for requirement, _ in locked()}
    for line in PROJECT["build-system"]["requires"]:
        assert canonicalize_name(Requirement(line).name) in names


def test_one_version_everywhere():
    assert PROJECT["project"]["version"] == thermlab.__version__
