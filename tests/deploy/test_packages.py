"""What is given to others: a wheel and a source archive, whole, and able to install."""

import os
import re
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from pathlib import Path

import pytest

from bridge import __version__

ROOT = Path(__file__).parents[2]


def run(*words: str | Path, cwd: Path = ROOT) -> str:
    """Run a program; its output."""
    environment = {key: value for key, value in os.environ.items() if "TIDEGATE" not in key}
    done = subprocess.run(  # noqa: S603 # ours
        [str(word) for word in words],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env=environment,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with both."""
    directory = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "hatchling", "build", "-d", directory)
    return directory


def wheel(directory: Path) -> Path:
    """The only wheel of a directory."""
    [found] = directory.glob("*.whl")
    return found


def names(path: Path) -> set[str]:
    """Files in a wheel."""
    with zipfile.ZipFile(path) as archive:
        return set(archive.namelist())


def tracked() -> set[str]:
    """Files of the package as they lie here."""
    return {
        str(path.relative_to(ROOT))
        for path in (ROOT / "bridge").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".so"
    }


def test_the_wheel_is_the_package_and_nothing_else(built: Path) -> None:
    """Every module, template, style and the typed marker; neither tests nor settings."""
    inside = names(wheel(built))

    assert wheel(built).name == f"tidegate-{__version__}-py3-none-any.whl"
    assert {name for name in inside if not re.match(r"tidegate-[^/]+\.dist-info/", name)} == (
        tracked()
    )
    assert "bridge/py.typed" in inside
    assert any(name.endswith("/licenses/LICENSE") for name in inside)


def test_the_source_archive_makes_the_same_wheel(built: Path, tmp_path: Path) -> None:
    """All that is needed is in it, also for the container; the passwords made here are not."""
    [archive] = built.glob("*.tar.gz")
    with tarfile.open(archive) as source:
        source.extractall(tmp_path, filter="data")
    [folder] = tmp_path.iterdir()
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path, cwd=folder)

    assert names(wheel(tmp_path)) == names(wheel(built))
    for name in ("Dockerfile", "requirements.lock", "requirements-build.lock", "SECURITY.md"):
        assert (folder / name).is_file(), name
    assert not (folder / "deploy" / "secrets").exists()


def test_the_wheel_installs_and_runs_by_itself(built: Path, tmp_path: Path) -> None:
    """In an environment of its own: the command is there, says its version, and does something."""
    home = tmp_path / "venv"
    run(sys.executable, "-m", "venv", "--without-pip", home)
    python = home / "bin" / "python"
    run(
        *(sys.executable, "-m", "pip", "--python", python, "install", "--quiet"),
        *("--no-deps", "--no-index", wheel(built)),
    )
    # Its dependencies are those that are installed here; the registry is not asked by tests.
    [site] = (home / "lib").glob("python*/site-packages")
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib"))
    command = home / "bin" / "tidegate"

    # Elsewhere, where the modules that lie here are not found first.
    assert run(command, "--version", cwd=tmp_path) == f"tidegate {__version__}\n"
    where = run(python, "-c", "import bridge; print(bridge.__file__)", cwd=tmp_path)
    assert where.startswith(str(site))
    told = run(command, "convert", "1.025", "sg", "--reference", "60F/60F", cwd=tmp_path)
    assert "salinity" in told.lower()
    configuration = ROOT / "config" / "minimal.toml"
    assert "sound" in run(command, "check", "--config", configuration, cwd=tmp_path)
